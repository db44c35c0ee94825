// Opens the page.

const isNarrow = () => matchMedia("(max-width: 899px)").matches;

/** On a narrow screen one thing at a time is shown: map, list or filter. */
function showView(view) {
  document.body.dataset.view = view;
  for (const button of document.querySelectorAll(".views button")) button.setAttribute("aria-pressed", button.dataset.view === view);
}

function fillHead() {
  const merged = town.head.tables.merged_parcels?.parcel.length ?? 0;
  const words = say("counts", { homes: count(homes().id.length), others: count(others().parcel.length) });
  const more = merged ? say("counts_merged", { merged: count(merged) }) : "";
  const parts = [`${words}${more}.`, `${say("from_file", { file: town.head.file })}.`];
  if (town.head.plan !== null) {
    parts.push(say("plan_text", { file: town.head.plan.file, n: count(town.visitOf.size), streets: count(town.plannedStreets.size) }));
  }
  if (!homes().id.length) parts.push(say("no_candidates"));
  byId("counts").textContent = parts.join(" ");
  document.title = `${say("title")} \u00b7 ${town.head.file}`;
  const run = town.head.run;
  byId("about-run").replaceChildren(...run.flatMap(([key, value]) => [element("dt", {}, key.replace(/^param\./, "")), element("dd", {}, element("bdi", {}, value))]));
  byId("about-north").textContent = say("about_north", { crs: run.find(([key]) => key === "crs_name")?.[1] ?? "" });
}

/** The plan's street sides with their sentences: those in it, and folded up those left out. */
function fillPlan() {
  const sides = town.head.plan?.sides ?? [];
  byId("plan-why").hidden = sides.length === 0;
  const chosenSides = sides.filter(([, isChosen]) => isChosen);
  const others = sides.filter(([, isChosen]) => !isChosen);
  byId("plan-in-head").textContent = say("plan_in", { n: count(chosenSides.length) });
  byId("plan-out-head").textContent = say("plan_out", { n: count(others.length) });
  byId("plan-out-part").hidden = others.length === 0;
  for (const [list, rows] of [["plan-in", chosenSides], ["plan-out", others]]) {
    byId(list).append(...rows.flatMap(([name, , words]) => [element("dt", {}, element("bdi", {}, name)), element("dd", {}, planWords(words))]));
  }
}

/** A plan's sentence without the word that its list has as head. */
const planWords = (words) => sentence(words.replace(/^(in|out): /, ""));

function fillLegend() {
  const { gap, lot_line: lotLine } = town.head.rules.texts;
  const signs = [
    ["best", say("sign_best")],
    ["good", say("sign_good")],
    ["rest", say("sign_rest")],
    ["filtered", say("sign_filtered")],
    ["refused", say("sign_refused")],
    ["unscreened", say("sign_unscreened")],
    ["garden", say("sign_garden")],
    ["house", say("sign_house")],
    ["building", say("sign_building")],
    ["assumed", say("sign_assumed")],
    ["measured", say("sign_measured")],
    ["unserved", say("sign_unserved")],
    ["run", say("sign_run")],
    ["overflow", say("sign_overflow")],
    ["warning", say("sign_warning")],
    gap === null ? null : ["gap", say("sign_gap", { distance: gap })],
    lotLine === null ? null : ["lot-line", say("sign_lot_line", { distance: lotLine })],
    ["ground", say("sign_ground")],
    town.head.plan === null ? null : ["visit", say("sign_visit")],
    town.head.plan === null ? null : ["planned", say("sign_planned")],
    town.shapes.ways ? ["way", say("sign_way")] : null,
    ["selected", say("sign_selected")],
  ];
  byId("legend-list").replaceChildren(
    ...signs.filter((sign) => sign !== null).map(([name, words]) => element("li", {}, element("span", { class: `sign ${name}`, "aria-hidden": "true" }), words)),
  );
}

/** A lot named behind a # in the address of the page. */
function selectNamed() {
  let name = "";
  try {
    name = plainText(decodeURIComponent(location.hash.slice(1)));
  } catch {
    return;
  }
  const found = name && searchEntries().find((entry) => entry.names.includes(name));
  if (found) take(found);
}

async function start() {
  if (typeof DecompressionStream === "undefined") throw new Error("too_old");
  const data = byId("data");
  Object.assign(town, await unpack(data.textContent));
  data.remove();
  for (const [name, shapes] of Object.entries(town.shapes)) town.places[name] = new Places(shapes);
  const place = new Map(town.head.streets.names.map((name, i) => [name, i]));
  town.streetOf = homes().street.map((name) => (name === null ? -1 : place.get(name)));
  const plan = town.head.plan ?? { homes: [], days: [], stops: [], home_sides: [], sides: [] };
  const whyOf = new Map(plan.sides.map(([name, , words]) => [name, planWords(words)]));
  town.visitOf = new Map(plan.homes.map((home, k) => [home, { day: plan.days[k], stop: plan.stops[k], side: plan.home_sides[k], words: whyOf.get(plan.home_sides[k]) }]));
  town.plannedStreets = new Set(plan.homes.map((home) => town.streetOf[home]).filter((street) => street >= 0));
  town.houseAt = new Map();
  const { box } = town.shapes.buildings ?? {};
  (town.head.tables.buildings?.house_of ?? []).forEach((home, k) => {
    if (home >= 0) town.houseAt.set(home, [(box[4 * k] + box[4 * k + 2]) / 2, (box[4 * k + 1] + box[4 * k + 3]) / 2]);
  });
  fillHead();
  fillLegend();
  fillPlan();
  makeFilter();
  tellMatches();
  if (isNarrow()) byId("care").open = false;
  makeMap();
  makeList();
  makeWhy();
  makeSearch();
  makePrint();
  for (const button of document.querySelectorAll(".views button")) button.addEventListener("click", () => showView(button.dataset.view));
  document.querySelector(".skip").addEventListener("click", () => showView("list"));
  selectNamed();
  byId("opening").hidden = true;
  document.documentElement.dataset.state = "ready";
}

start().catch((error) => {
  // The words may not have been unpacked yet, so those of this message stand in the page.
  const words = byId("opening").dataset;
  byId("opening").textContent = error.message === "too_old" ? words.tooOld : words.broken.replace("{error}", error.message);
  byId("opening").classList.add("failed");
  document.documentElement.dataset.state = "failed";
});
