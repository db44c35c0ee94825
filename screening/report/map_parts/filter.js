// Which lots pass: by street, district, volume, confidence, what to know, reason.

function makeFilter() {
  const { names } = town.head.streets;
  const streetOrder = names.map((_, i) => i).sort((a, b) => byText.compare(names[a], names[b]));
  const street = byId("filter-street");
  for (const i of streetOrder) street.append(element("option", { value: i }, names[i]));
  if (homes().street.includes(null)) street.append(element("option", { value: -1 }, say("no_street")));
  const districts = [...new Set(homes().district)].filter((name) => name !== null).sort(byText.compare);
  if (districts.length) {
    byId("district-field").hidden = false;
    for (const name of districts) byId("filter-district").append(element("option", { value: `=${name}` }, name));
    if (homes().district.includes(null)) byId("filter-district").append(element("option", { value: "-" }, say("no_district")));
  }
  byId("volume-legend").textContent = say("volume_range", { unit: town.head.units["m3/y"][0] });
  makeFlags();
  makeReasons();
  byId("plan-field").hidden = byId("plan-layer").hidden = town.head.plan === null;
  const days = [...new Set(town.head.plan?.days ?? [])].filter(Boolean).sort(byText.compare);
  byId("day-field").hidden = days.length < 2;
  for (const day of days) byId("filter-day").append(element("option", { value: day }, day));
  const form = byId("filter");
  for (const kind of ["input", "change"]) form.addEventListener(kind, () => filter());
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(filter));
  byId("reasons-all").addEventListener("click", () => tickReasons(true));
  byId("reasons-none").addEventListener("click", () => tickReasons(false));
  byId("layers").addEventListener("change", (event) => setLayer(event.target.name, event.target.checked));
  chosen.homes = new Uint8Array(homes().id.length).fill(1);
  chosen.others = new Uint8Array(others().parcel.length).fill(1);
}

function makeFlags() {
  const known = new Map();
  for (let i = 0; i < homes().id.length; i++) for (const code of flagsOf(i)) known.set(code, (known.get(code) ?? 0) + 1);
  for (const [label, sign] of [
    [say("flag_with"), "+"],
    [say("flag_without"), "-"],
  ]) {
    const group = element("optgroup", { label });
    for (const [code, n] of known) {
      const many = sign === "+" ? n : homes().id.length - n;
      group.append(element("option", { value: sign + code }, `${label}: ${meaning("flag", code)} (${count(many)})`));
    }
    if (known.size) byId("filter-flag").append(group);
  }
}

function makeReasons() {
  const counts = new Map();
  for (const reason of others().reason) counts.set(reason, (counts.get(reason) ?? 0) + 1);
  const order = [...counts.keys()].sort((a, b) => counts.get(b) - counts.get(a) || byText.compare(a, b));
  town.reasonPlace = new Map(order.map((reason, place) => [reason, place]));
  byId("reasons").hidden = !order.length;
  const items = order.map((reason) =>
    element("li", {}, element("label", { class: "tick" }, element("input", { type: "checkbox", name: "reason", value: reason, checked: true }), " ", element("span", {}, `${meaning("reason", reason)} (${count(counts.get(reason))})`))),
  );
  byId("reason-list").replaceChildren(element("ul", { class: "ticks" }, ...items));
}

function tickReasons(isTicked) {
  for (const box of byId("reason-list").querySelectorAll("input")) box.checked = isTicked;
  filter();
}

/** A number of a field, null where it is empty or none. */
function fieldNumber(id) {
  const value = byId(id).valueAsNumber;
  return Number.isNaN(value) ? null : value;
}

function filter() {
  const street = byId("filter-street").value === "" ? null : Number(byId("filter-street").value);
  const district = byId("filter-district").value;
  const [least, most, trust] = ["filter-volume-least", "filter-volume-most", "filter-confidence"].map(fieldNumber);
  const flag = byId("filter-flag").value;
  const isPlanOnly = byId("filter-planned").checked;
  const day = byId("filter-day").value;
  const home = homes();
  const below = (value, limit) => limit !== null && (value === null || value < limit);
  for (let i = 0; i < chosen.homes.length; i++) {
    const isOut =
      (street !== null && town.streetOf[i] !== street) ||
      (isPlanOnly && !town.visitOf.has(i)) ||
      (day !== "" && town.visitOf.get(i)?.day !== day) ||
      (district !== "" && (district === "-" ? home.district[i] !== null : district !== `=${home.district[i]}`)) ||
      below(home.volume[i], least) ||
      (most !== null && (home.volume[i] === null || home.volume[i] > most)) ||
      below(home.confidence[i], trust) ||
      (flag !== "" && flagsOf(i).includes(flag.slice(1)) !== (flag[0] === "+"));
    chosen.homes[i] = isOut ? 0 : 1;
  }
  const reasons = new Set([...byId("reason-list").querySelectorAll("input:checked")].map((box) => box.value));
  for (let i = 0; i < chosen.others.length; i++) {
    const at = town.head.streets.of_others[i];
    const isOut = !reasons.has(others().reason[i]) || (street !== null && at !== street);
    chosen.others[i] = isOut ? 0 : 1;
  }
  tellMatches();
  changed("filter");
}

function tellMatches() {
  let n = 0;
  let volume = 0;
  for (let i = 0; i < chosen.homes.length; i++) {
    if (!chosen.homes[i]) continue;
    n++;
    volume += homes().volume[i] ?? 0;
  }
  const nOthers = chosen.others.reduce((total, flag) => total + flag, 0);
  const words = say("matches", { homes: count(n), all_homes: count(chosen.homes.length), others: count(nOthers), all_others: count(chosen.others.length) });
  byId("matches").textContent = n ? `${words} ${say("matches_volume", { volume: show(volume, ESTIMATE) })}` : words;
}

function setLayer(name, isOn) {
  chosen.layers[name] = isOn;
  changed("layers");
}
