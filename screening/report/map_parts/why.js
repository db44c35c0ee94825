// Why a lot is a candidate, or why it is none.

function makeWhy() {
  fillWhy();
  onChange((what) => {
    if (what === "lot") fillWhy();
    else markLeftOut();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && chosen.lot !== null && !byId("search").contains(event.target)) closeWhy();
  });
}

/** Where the keyboard was before a lot was selected from the list or the search. */
let cameFrom = null;

function closeWhy() {
  const back = cameFrom;
  select(null);
  if (back?.isConnected) back.focus();
  else byId("map").focus({ preventScroll: true });
}

function fillWhy() {
  const why = byId("why");
  if (chosen.lot === null) {
    why.replaceChildren(element("p", { class: "hint" }, say("nothing_selected")));
    return;
  }
  const { kind, i, asked, focus } = chosen.lot;
  if (focus && !why.contains(document.activeElement)) cameFrom = document.activeElement;
  why.replaceChildren(
    ...whyHead(kind, i, asked),
    ...(kind === HOME ? whyHome(i) : whyNot(i)),
    element("h3", {}, say("cautions")),
    element("ul", { class: "cautions" }, ...[...document.querySelectorAll("#care li")].map((item) => element("li", {}, item.textContent))),
    ...fullAccount(kind, i),
  );
  markLeftOut();
  why.scrollTop = 0;
  byId("said").textContent = say("selected", { name: lotName(kind, i) });
  if (focus) {
    const head = byId("why-head");
    head.focus({ preventScroll: true });
    head.scrollIntoView({ block: "nearest" });
  }
}

function whyHead(kind, i, asked) {
  const table = tableOf(kind);
  const names = [];
  if (table.id[i]) names.push(say("home_name", { id: table.id[i] }));
  if (table.parcel[i] && table.parcel[i] !== table.id[i]) names.push(say("parcel_name", { id: table.parcel[i] }));
  const status =
    kind === HOME ? say("rank_of", { rank: count(table.rank[i]), n: count(town.head.n_ranked) }) : say("not_candidate");
  const tools = element("p", { class: "tools screen-only" });
  if (boxOf(kind, i) !== null) {
    tools.append(element("button", { type: "button", class: "plain small", onclick: () => moveTo(kind, i) }, say("zoom_to")));
  }
  if (kind === HOME) tools.append(setbacksButton());
  tools.append(element("button", { type: "button", class: "plain small", onclick: closeWhy }, say("close")));
  return [
    element("p", { class: "over" }, kind === HOME ? say("why") : say("why_not")),
    element("h2", { id: "why-head", tabindex: "-1" }, element("bdi", {}, table.address[i] || say("no_address"))),
    element("p", { class: "names" }, element("bdi", {}, names.join(" \u00b7 "))),
    element("p", { class: "status" }, status),
    asked === null ? null : element("p", {}, say("stands_for", { asked, kept: table.parcel[i] })),
    element("p", { id: "left-out", class: "hint", hidden: true }, say("left_out")),
    tools,
    boxOf(kind, i) === null ? element("p", { class: "hint" }, say("no_outline")) : null,
  ].filter((part) => part !== null);
}

function setbacksButton() {
  const words = () => say(chosen.layers.setbacks ? "hide_setbacks" : "show_setbacks");
  const button = element("button", { type: "button", class: "plain small", id: "why-setbacks" }, words());
  button.addEventListener("click", () => {
    const box = document.querySelector("#layers [name=setbacks]");
    box.checked = !box.checked;
    setLayer("setbacks", box.checked);
    if (box.checked && map.options.crs.scale(map.getZoom()) < SCALE.setbacks) moveTo(chosen.lot.kind, chosen.lot.i);
    button.textContent = words();
  });
  return button;
}

function markLeftOut() {
  const mark = byId("left-out");
  if (mark && chosen.lot) mark.hidden = Boolean((chosen.lot.kind === HOME ? chosen.homes : chosen.others)[chosen.lot.i]);
  const button = byId("why-setbacks");
  if (button) button.textContent = say(chosen.layers.setbacks ? "hide_setbacks" : "show_setbacks");
}

const WINDS = 8;

/** Words as a sentence: a capital first, one full stop at the end. */
const sentence = (words) => `${words.charAt(0).toUpperCase()}${words.slice(1)}`.replace(/\.?$/, ".");

function whyHome(i) {
  const home = homes();
  const gardens = rowsOf("gardens", i);
  const winds = say("winds").split(",");
  const falls = home.downslope[i];
  const { texts } = town.head.rules;
  const nGardens = gardens.length === 1 ? say("one_garden") : say("n_gardens", { n: gardens.length });
  const visit = town.visitOf.get(i);
  const parts = [
    visit === undefined ? null : element("p", { class: "status" }, say(visit.day && visit.stop ? "visit_both" : visit.day ? "visit_day" : visit.stop ? "visit_stop" : "visit", { file: town.head.plan.file, ...visit })),
    visit?.words === undefined ? null : element("p", {}, say("plan_side", { side: visit.side, text: visit.words })),
    element("p", { class: "figure" }, element("strong", {}, show(home.volume[i], "m3/y")), ` ${say("keeps")}`),
    element("p", {}, say("keeps_range", { low: number(home.low[i], "m3/y"), high: show(home.high[i], "m3/y") })),
    element("p", {}, say("of_roof", { share: percent(home.treated[i]), area: show(home.roof[i], "m2"), n: nGardens })),
  ];
  if (falls !== null) {
    const wind = winds[Math.round(falls / (360 / WINDS)) % WINDS];
    parts.push(
      element("p", {}, say("ground", { slope: show(home.slope[i], "%"), wind, open: show(home.open[i], "m2"), lot: show(home.lot[i], "m2") })),
    );
  }
  for (const row of gardens) parts.push(...whyGarden(i, row, texts));
  parts.push(element("h3", {}, say("col_rank")), ...whyRank(i));
  parts.push(element("h3", {}, say("to_know")));
  const flags = flagsOf(i);
  if (flags.length) parts.push(element("ul", {}, ...flags.map((code) => element("li", {}, sentence(meaning("flag", code))))));
  else parts.push(element("p", {}, say("nothing_special")));
  return parts.filter((part) => part !== null);
}

const flagsOf = (i) => (homes().flags[i] ?? "").split(";").filter(Boolean);

function whyGarden(home, row, texts) {
  const garden = town.head.tables.gardens;
  const id = garden.id[row];
  const prefix = homes().id[home];
  const name = (id.startsWith(prefix) ? id.slice(prefix.length).replace(/^[-_:/. ]+/, "") : id) || id;
  const near = (value) => (value === null ? say("none_near", { distance: texts.near }) : show(value, "m"));
  const asked = (name_, key) => (texts[key] === null ? "" : say(name_, { value: texts[key] }));
  const rows = [
    ["rule_own", near(garden.own[row]), asked("least", "gap")],
    ["rule_other", near(garden.other[row]), asked("least", "gap")],
    ["rule_lot_line", show(garden.line[row], "m"), asked("least", "lot_line")],
    ["rule_slope", say("mean_slope", { value: show(garden.slope[row], "%") }), asked("most", "slope")],
    ["rule_run", show(garden.run[row], "m"), asked("most", "run")],
    ["rule_fall", show(garden.fall[row], "m"), asked("fall_asked", "fall")],
    ["rule_area", show(garden.area[row], "m2"), texts.smallest === null || texts.largest === null ? "" : say("between", { low: texts.smallest, high: texts.largest })],
    ["rule_soak", show(garden.soak[row], "h"), asked("most", "soak")],
  ];
  const overflow = town.head.tables.overflow_paths ?? { garden: [] };
  const path = rowsOf("overflow_paths", home).find((k) => overflow.garden[k] === row);
  const end = garden.end[row];
  const isWarning = town.head.warning_ends.includes(end);
  const ends = end === null ? null : meaning("end", end);
  return [
    element("h3", {}, say("garden_head", { name })),
    element(
      "p",
      {},
      sentence(
        [
          say("garden_size", {
            shape: meaning("shape", garden.shape[row]),
            length: number(garden.length[row], "m"),
            width: show(garden.width[row], "m"),
            area: show(garden.area[row], "m2"),
            depth: show(garden.depth[row], "mm"),
          }),
          say("garden_roof", { n: garden.spouts[row], all: homes().spouts[home], area: show(garden.roof[row], "m2") }),
          say("garden_keeps", { volume: show(garden.volume[row], "m3/y") }),
        ].join("; "),
      ),
    ),
    element(
      "table",
      { class: "rules" },
      element("thead", {}, element("tr", {}, ...["rule", "here", "asked"].map((head) => element("th", { scope: "col" }, say(head))))),
      element("tbody", {}, ...rows.map(([rule, here, limit]) => element("tr", {}, element("th", { scope: "row" }, say(rule)), element("td", {}, here), element("td", {}, limit)))),
    ),
    ends === null
      ? null
      : element("p", { class: isWarning ? "warning" : null }, path === undefined ? say("overflow_to", { end: ends }) : say("overflow_far", { end: ends, length: show(overflow.length[path], "m") })),
  ].filter((part) => part !== null);
}

function whyRank(i) {
  const home = homes();
  const score = (value) => (value === null ? say("missing") : value.toFixed(3));
  const parts = [
    element("p", {}, say("rank_why", { score: score(home.score[i]), volume: score(home.score_volume[i]), confidence: score(home.score_confidence[i]), treated: score(home.score_treated[i]) })),
  ];
  if (home.best[i] !== null && home.worst[i] !== null && town.head.n_first !== null) {
    parts.push(element("p", {}, say("rank_range", { best: count(home.best[i]), worst: count(home.worst[i]), n: count(town.head.n_first), chance: percent(home.chance[i]) })));
  }
  parts.push(element("p", {}, say("confidence_is", { value: percent(home.confidence[i]) })));
  if (home.cause[i] !== null) parts.push(element("p", {}, say("cause", { cause: meaning("cause", home.cause[i]), share: percent(home.cause_share[i]) })));
  return parts;
}

function whyNot(i) {
  const other = others();
  const parts = [
    element("h3", {}, say("reason_head")),
    element("p", {}, sentence(meaning("reason", other.reason[i]))),
    other.text[i] === null || other.text[i] === meaning("reason", other.reason[i]) ? null : element("p", {}, sentence(other.text[i])),
  ];
  if (other.id[i] !== null) {
    parts.push(element("h3", {}, say("tightest_head")));
    const rule = other.tightest[i] === null ? null : meaning("tightest", other.tightest[i]);
    if (rule === null) parts.push(element("p", {}, say("no_tightest")));
    else if (other.margin[i] === null) parts.push(element("p", {}, sentence(say("tightest", { rule }))));
    else parts.push(element("p", {}, sentence(say("tightest_margin", { rule, margin: show(other.margin[i], "m") }))));
  }
  if (other.instead[i] !== null) {
    const what = meaning("alternative", other.instead[i]);
    const words = other.instead_volume[i] === null ? what : say("alternative", { what, volume: show(other.instead_volume[i], "m3/y") });
    parts.push(element("h3", {}, say("alternative_head")), element("p", {}, sentence(words)));
  }
  if (other.lot[i] !== null) parts.push(element("p", {}, say("lot_size", { area: show(other.lot[i], "m2") })));
  return parts.filter((part) => part !== null);
}

/** The command that tells every number of this lot. */
function fullAccount(kind, i) {
  const table = tableOf(kind);
  const name = table.id[i] || table.parcel[i];
  if (!name) return [];
  const quoted = (text) => (/^[\w./-]+$/.test(text) && !text.startsWith("-") ? text : `'${text.replaceAll("'", "'\\''")}'`);
  return [element("p", { class: "account" }, `${say("full_account")} `, element("code", {}, `screening explain ${quoted(town.head.file)} ${quoted(name)}`))];
}
