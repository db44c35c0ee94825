// What the page knows and what is chosen at the moment; words, numbers and small pieces of the page.

const HOME = "home";
const OTHER = "other";
const ESTIMATE = "m3/y";

const town = {
  head: null,
  shapes: null,
  places: {},
  /** By home: rows of other layers that belong to it. */
  belongs: {},
};

const chosen = {
  /** Null, or `{kind, i, asked}`: the selected lot, and the name under which it was asked for. */
  lot: null,
  /** By candidate and by other parcel: whether the filter lets it through. */
  homes: null,
  others: null,
  layers: { gardens: true, overflow: true, setbacks: false, ground: false, buildings: true, others: true, plan: true, labels: true },
};

const byId = (id) => document.getElementById(id);

/** Words of the page with values put in: `say("rows", {n: 3})`. */
function say(name, values = {}) {
  const text = town.head.words[name];
  if (text === undefined) throw new Error(`no words for ${name}`);
  return text.replace(/\{(\w+)\}/g, (_, key) => String(values[key]));
}

/** An element with attributes and children; texts become text, never markup. */
function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "onclick") made.addEventListener("click", value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

/** A whole number with commas. */
function count(value) {
  return String(value).replace(/\B(?=(\d{3})+(?!\d))/g, ",");
}

/**
 * A number as people read it; `unit` is that of the layers, the value is in the unit of people already. Volumes a year
 * have three digits: as much as an estimate carries.
 */
function number(value, unit) {
  if (value === null || value === undefined) return say("missing");
  let decimals = town.head.units[unit][1];
  let shown = value;
  if (unit === ESTIMATE) {
    shown = Number(value.toPrecision(3));
    decimals = Math.max(0, Math.min(decimals, 2 - Math.floor(Math.log10(Math.abs(shown) || 1))));
  }
  const [whole, rest] = shown.toFixed(decimals).split(".");
  return rest === undefined ? count(whole) : `${count(whole)}.${rest}`;
}

/** A number with its unit. */
function show(value, unit) {
  const sign = town.head.units[unit][0];
  if (value === null || value === undefined) return say("missing");
  return sign === "\u00b0" ? number(value, unit) + sign : `${number(value, unit)} ${sign}`;
}

const percent = (value) => (value === null || value === undefined ? say("missing") : `${value} %`);

/** Meaning of a code; a code that nobody knows stands for itself. */
const meaning = (list, code) => town.head.codes[list][code] ?? code;

const homes = () => town.head.tables.candidate_homes;
const others = () => town.head.tables.other_parcels;
const tableOf = (kind) => (kind === HOME ? homes() : others());
const layerOf = (kind) => (kind === HOME ? "candidate_homes" : "other_parcels");

/** What a lot goes by in a list. */
function lotName(kind, i) {
  const table = tableOf(kind);
  return table.address[i] || lotId(kind, i);
}

function lotId(kind, i) {
  const table = tableOf(kind);
  return table.id[i] || table.parcel[i] || say("no_name");
}

/** Rows of a layer that belong to a home. */
function rowsOf(layer, home) {
  if (!(layer in town.belongs)) {
    const lists = Array.from({ length: homes().id.length }, () => []);
    (town.head.tables[layer]?.home ?? []).forEach((i, row) => lists[i].push(row));
    town.belongs[layer] = lists;
  }
  return town.belongs[layer][home];
}

/** First tenth, first half, second half of the ranks, as in the map style of the result: 0, 1, 2. */
function rankClass(i) {
  const n = town.head.n_ranked;
  const rank = homes().rank[i];
  return rank <= Math.ceil(n / 10) ? 0 : rank <= Math.ceil(n / 2) ? 1 : 2;
}

const listeners = [];
/** Call when the selection, the filter or the layers change; `what` is "lot", "filter" or "layers". */
const onChange = (call) => listeners.push(call);
const changed = (what, before) => listeners.forEach((call) => call(what, before));

/** Select a lot, or none. */
function select(kind, i, { move = false, focus = false, asked = null } = {}) {
  const before = chosen.lot;
  chosen.lot = kind === null ? null : { kind, i, asked, move, focus };
  changed("lot", before);
}

const isSelected = (kind, i) => chosen.lot !== null && chosen.lot.kind === kind && chosen.lot.i === i;
