// The list: candidates or other parcels that pass the filter, fifty at a time, in any order.

const ROWS = 50;

const list = { kind: HOME, rows: [], page: 0, sort: { [HOME]: ["rank", 1], [OTHER]: ["reason", 1] } };

/** Columns by list: name, words, what is compared, what is shown; `isWide`: left out on a narrow screen. */
function columnsOf(kind) {
  const unit = (name) => town.head.units[name][0];
  if (kind === HOME) {
    const home = homes();
    const visit = (i) => {
      const { day, stop } = town.visitOf.get(i) ?? { day: "", stop: "" };
      return [day, stop].filter(Boolean).join("\u00a0\u00b7\u00a0");
    };
    return [
      ...(town.head.plan === null ? [] : [{ name: "visit", words: say("col_visit"), value: (i) => visit(i) || null, text: visit, isNumber: false }]),
      { name: "rank", words: say("col_rank"), value: (i) => home.rank[i], text: (i) => count(home.rank[i]), isNumber: true },
      { name: "address", words: say("col_address"), value: (i) => home.address[i], text: (i) => lotName(HOME, i), isName: true },
      { name: "id", words: say("col_id"), value: (i) => home.id[i], text: (i) => home.id[i], isWide: true },
      { name: "street", words: say("col_street"), value: (i) => home.street[i], text: (i) => home.street[i] ?? "", isWide: true, isWidest: true },
      { name: "volume", words: say("col_volume", { unit: unit("m3/y") }), value: (i) => home.volume[i], text: (i) => number(home.volume[i], "m3/y"), isNumber: true },
      { name: "range", words: say("col_range"), value: (i) => home.low[i], text: (i) => say("between", { low: number(home.low[i], "m3/y"), high: number(home.high[i], "m3/y") }), isNumber: true, isWide: true },
      { name: "confidence", words: say("col_confidence"), value: (i) => home.confidence[i], text: (i) => percent(home.confidence[i]), isNumber: true },
      { name: "area", words: say("col_garden", { unit: unit("m2") }), value: (i) => home.area[i], text: (i) => number(home.area[i], "m2"), isNumber: true, isWide: true },
    ];
  }
  const other = others();
  return [
    { name: "address", words: say("col_address"), value: (i) => other.address[i], text: (i) => lotName(OTHER, i), isName: true },
    { name: "id", words: say("col_id"), value: (i) => lotId(OTHER, i), text: (i) => lotId(OTHER, i), isWide: true },
    { name: "reason", words: say("col_reason"), value: (i) => town.reasonPlace.get(other.reason[i]), text: (i) => meaning("reason", other.reason[i]), isNumber: false },
    { name: "instead", words: say("col_instead"), value: (i) => other.instead[i], text: (i) => (other.instead[i] === null ? "" : meaning("alternative", other.instead[i])), isWide: true },
    { name: "instead_volume", words: say("col_instead_volume", { unit: unit("m3/y") }), value: (i) => other.instead_volume[i], text: (i) => (other.instead_volume[i] === null ? "" : number(other.instead_volume[i], "m3/y")), isNumber: true, isWide: true },
    { name: "lot", words: say("col_lot", { unit: unit("m2") }), value: (i) => other.lot[i], text: (i) => (other.lot[i] === null ? "" : number(other.lot[i], "m2")), isNumber: true, isWide: true },
  ];
}

function makeList() {
  byId("list-homes").addEventListener("click", () => showList(HOME));
  byId("list-others").addEventListener("click", () => showList(OTHER));
  byId("rows-previous").addEventListener("click", () => turnTo(list.page - 1));
  byId("rows-next").addEventListener("click", () => turnTo(list.page + 1));
  if (!homes().id.length) list.kind = OTHER;
  onChange((what) => {
    if (what === "filter") fillList();
    if (what === "lot") {
      const passes = chosen.lot === null ? null : chosen.lot.kind === HOME ? chosen.homes : chosen.others;
      if (passes?.[chosen.lot.i] && chosen.lot.kind !== list.kind) showList(chosen.lot.kind);
      else showInList();
    }
  });
  fillList();
}

function showList(kind) {
  list.kind = kind;
  fillList();
}

const byText = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });

/** Compare values of a column; what is missing comes last, whichever way round. */
function compare(a, b, direction) {
  if (a === null || b === null) return (a === null) - (b === null);
  return direction * (typeof a === "number" ? a - b : byText.compare(a, b));
}

function fillList() {
  const passes = list.kind === HOME ? chosen.homes : chosen.others;
  const rows = [];
  for (let i = 0; i < passes.length; i++) if (passes[i]) rows.push(i);
  const [name, direction] = list.sort[list.kind];
  const { value } = columnsOf(list.kind).find((column) => column.name === name);
  const values = rows.map(value);
  const order = rows.map((_, k) => k).sort((a, b) => compare(values[a], values[b], direction) || a - b);
  list.rows = order.map((k) => rows[k]);
  list.page = 0;
  const sum = (flags) => flags.reduce((total, flag) => total + flag, 0);
  byId("list-homes").textContent = say("list_homes", { n: count(sum(chosen.homes)) });
  byId("list-others").textContent = say("list_others", { n: count(sum(chosen.others)) });
  byId("list-homes").setAttribute("aria-pressed", list.kind === HOME);
  byId("list-others").setAttribute("aria-pressed", list.kind === OTHER);
  showInList();
}

function turnTo(page) {
  list.page = page;
  byId("table-frame").scrollTop = 0;
  fillTable();
}

/** Turn to the page of the selected lot, if the list has it. */
function showInList() {
  const place = chosen.lot?.kind === list.kind ? list.rows.indexOf(chosen.lot.i) : -1;
  if (place >= 0) list.page = Math.floor(place / ROWS);
  fillTable();
  const frame = byId("table-frame");
  const row = frame.querySelector("tr.selected");
  if (row) {
    const head = frame.querySelector("thead").offsetHeight;
    if (row.offsetTop < frame.scrollTop + head) frame.scrollTop = row.offsetTop - head;
    else if (row.offsetTop + row.offsetHeight > frame.scrollTop + frame.clientHeight) frame.scrollTop = row.offsetTop + row.offsetHeight - frame.clientHeight;
  }
}

function fillTable() {
  const first = list.page * ROWS;
  const rows = list.rows.slice(first, first + ROWS);
  byId("rows").textContent = rows.length ? say("rows", { first: count(first + 1), last: count(first + rows.length), n: count(list.rows.length) }) : say("list_empty");
  byId("rows-previous").disabled = list.page === 0;
  byId("rows-next").disabled = first + ROWS >= list.rows.length;
  const focused = document.activeElement?.dataset?.lot;
  byId("table").replaceChildren(...tableParts(rows, true));
  if (focused) byId("table").querySelector(`[data-lot="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
}

/** Caption, head and rows; with buttons, or as a list on paper. */
function tableParts(rows, hasButtons) {
  const columns = columnsOf(list.kind);
  const kind = list.kind;
  const [sorted, direction] = list.sort[kind];
  const head = columns.map((column) => {
    const isSorted = column.name === sorted;
    const attributes = { scope: "col", class: classes(column), "aria-sort": isSorted ? (direction > 0 ? "ascending" : "descending") : null };
    if (!hasButtons) return element("th", attributes, column.words);
    const mark = isSorted ? (direction > 0 ? " \u25b4" : " \u25be") : "";
    const button = element("button", { type: "button", title: say("sort", { column: column.words }), onclick: () => sortBy(column.name) }, column.words, element("span", { "aria-hidden": "true" }, mark));
    return element("th", attributes, button);
  });
  const body = rows.map((i) => {
    const isChosen = isSelected(kind, i);
    const row = element("tr", { class: isChosen ? "selected" : null });
    for (const column of columns) {
      const words = element("bdi", {}, column.text(i));
      if (!column.isName) row.append(element("td", { class: classes(column) }, words));
      else if (!hasButtons) row.append(element("th", { scope: "row" }, words));
      else {
        const button = element("button", { type: "button", class: "link", "data-lot": `${kind}${i}`, "aria-current": isChosen ? "true" : null }, words);
        button.addEventListener("click", (event) => {
          event.stopPropagation();
          choose(kind, i);
        });
        row.append(element("th", { scope: "row" }, button));
      }
    }
    if (hasButtons) row.addEventListener("click", () => choose(kind, i));
    return row;
  });
  const caption = element("caption", { class: hasButtons ? "unseen" : null }, say(kind === HOME ? "list_homes" : "list_others", { n: count(list.rows.length) }));
  return [caption, element("thead", {}, element("tr", {}, ...head)), element("tbody", {}, ...body)];
}

const classes = (column) => [column.isNumber ? "number" : "", column.isWide ? "wide" : "", column.isWidest ? "widest" : ""].filter(Boolean).join(" ") || null;

/** Select from the list: the map goes there, and on a narrow screen it comes to the front. */
function choose(kind, i) {
  showView("map");
  select(kind, i, { move: true, focus: true });
}

function sortBy(name) {
  const [sorted, direction] = list.sort[list.kind];
  list.sort[list.kind] = [name, name === sorted ? -direction : 1];
  const place = columnsOf(list.kind).findIndex((column) => column.name === name);
  fillList();
  byId("table").querySelectorAll("thead button")[place].focus({ preventScroll: true });
}
