// Search by address or identifier, whatever the filter leaves out.

const MOST_FOUND = 8;

/** Letters and digits as they are compared: without case and accents. */
const plainText = (text) =>
  (text ?? "")
    .normalize("NFKD")
    .replace(/\p{Mn}/gu, "")
    .toLowerCase()
    .replace(/\s+/g, " ")
    .trim();

let entries = null;

/** All lots with what they are found by; parcels that count with another lead to that one. */
function searchEntries() {
  if (entries !== null) return entries;
  entries = [];
  const add = (kind, i, names, address, merged) =>
    entries.push({ kind, i, merged, names: names.filter(Boolean).map(plainText), address: plainText(address) });
  homes().id.forEach((id, i) => add(HOME, i, [id, homes().parcel[i]], homes().address[i], null));
  others().parcel.forEach((parcel, i) => add(OTHER, i, [parcel, others().id[i]], others().address[i], null));
  const merged = town.head.tables.merged_parcels;
  if (merged) {
    const rowOf = new Map();
    others().parcel.forEach((parcel, i) => parcel && !rowOf.has(parcel) && rowOf.set(parcel, [OTHER, i]));
    homes().parcel.forEach((parcel, i) => parcel && rowOf.set(parcel, [HOME, i]));
    merged.parcel.forEach((parcel, k) => {
      const target = rowOf.get(merged.kept[k]);
      // A duplicate of the same name is found as the parcel it is.
      if (target && parcel !== merged.kept[k]) add(...target, [parcel], merged.address[k], { parcel, address: merged.address[k] });
    });
  }
  return entries;
}

function makeSearch() {
  const form = byId("search");
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const found = search(byId("search-text").value);
    if (found.length === 1 || (found.length && found[0].grade === 0 && found[1].grade > 0)) take(found[0]);
    else byId("search-list").querySelector("button")?.focus();
  });
  byId("search-text").addEventListener("input", () => search(byId("search-text").value));
  form.addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      byId("search-found").hidden = true;
      byId("search-text").focus();
    }
  });
  document.addEventListener("pointerdown", (event) => {
    if (!form.contains(event.target)) byId("search-found").hidden = true;
  });
}

/** Find and list; an identifier or address that is just the text comes first, then those that begin with it. */
function search(text) {
  const wanted = plainText(text);
  const box = byId("search-found");
  box.hidden = wanted === "";
  if (wanted === "") return [];
  const words = wanted.split(" ");
  const found = [];
  for (const entry of searchEntries()) {
    const texts = [...entry.names, entry.address];
    if (texts.includes(wanted)) found.push({ ...entry, grade: 0 });
    else if (texts.some((one) => one.startsWith(wanted))) found.push({ ...entry, grade: 1 });
    else if (words.every((word) => texts.some((one) => one.includes(word)))) found.push({ ...entry, grade: 2 });
  }
  found.sort((a, b) => a.grade - b.grade);
  const shown = found.slice(0, MOST_FOUND);
  byId("search-count").textContent =
    found.length === 0
      ? say("nothing_found", { text: text.trim() })
      : found.length > MOST_FOUND
        ? say("found_first", { n: count(found.length), m: MOST_FOUND })
        : say("found", { n: found.length });
  byId("search-list").replaceChildren(...shown.map((entry) => element("li", {}, foundButton(entry))));
  return found;
}

function foundButton(entry) {
  const { kind, i, merged } = entry;
  const address = merged ? merged.address : tableOf(kind).address[i];
  const id = merged ? merged.parcel : lotId(kind, i);
  const what = merged
    ? say("found_merged", { parcel: tableOf(kind).parcel[i] })
    : kind === HOME
      ? say("found_candidate", { rank: count(homes().rank[i]) })
      : say("found_other");
  const words = [element("bdi", {}, address || id), ` \u00b7 `, element("bdi", {}, address ? id : ""), address ? ` \u00b7 ${what}` : what];
  return element("button", { type: "button", class: "found", onclick: () => take(entry) }, ...words);
}

function take({ kind, i, merged }) {
  byId("search-found").hidden = true;
  showView("map");
  select(kind, i, { move: true, focus: true, asked: merged?.parcel ?? null });
}
