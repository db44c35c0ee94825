// The map itself: Leaflet moves it, square canvases show it. Zoom is in steps of the square root of two, so that a whole
// town fills the frame; at zoom z a metre is 2^(z/2) pixels.

const STEP_PX = 256;
const BUDGET_MS = 9;
const ZOOM = { far: -10, near: 13, lot: 8 };
const REACH_PX = 60;

let map = null;
let pieces = null;

function makeMap() {
  const isCalm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const crs = L.extend({}, L.CRS.Simple, { scale: (zoom) => 2 ** (zoom / 2), zoom: (scale) => 2 * Math.log2(scale) });
  map = L.map("map", {
    crs,
    zoomControl: false,
    attributionControl: false,
    fadeAnimation: false,
    zoomAnimation: !isCalm,
    zoomAnimationThreshold: 8,
    inertia: !isCalm,
    minZoom: ZOOM.far,
    maxZoom: ZOOM.near,
    zoomDelta: 1,
    wheelPxPerZoomLevel: 50,
    keyboardPanDelta: 120,
    doubleClickZoom: true,
  });
  pieces = new Pieces({ tileSize: STEP_PX, minZoom: ZOOM.far, noWrap: true, keepBuffer: 1, updateWhenZooming: false, updateWhenIdle: false });
  const hasUs = town.head.units.m[0] === "ft";
  L.control.scale({ metric: !hasUs, imperial: hasUs, maxWidth: 120, position: "bottomleft" }).addTo(map);
  showWhole(false);
  pieces.addTo(map);
  map.on("click", (event) => selectAt(event.latlng, false));
  map.on("mousemove", (event) => showTip(event));
  map.on("mouseout movestart", hideTip);
  map.on("zoomend", hintZoom);
  byId("map").addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === byId("map")) selectAt(map.getCenter(), true);
  });
  byId("zoom-in").addEventListener("click", () => map.zoomIn(2));
  byId("zoom-out").addEventListener("click", () => map.zoomOut(2));
  byId("whole").addEventListener("click", () => showWhole(true));
  new ResizeObserver(() => map.invalidateSize({ pan: false })).observe(byId("map"));
  hintZoom();
  onChange((what, before) => {
    if (what === "lot") showSelected(before);
    else pieces.redrawAll();
  });
}

/** Canvases of the map, drawn in small portions so that moving stays smooth. */
const Pieces = L.GridLayer.extend({
  createTile(coords, done) {
    const canvas = document.createElement("canvas");
    this.queue(canvas, coords, () => done(null, canvas));
    return canvas;
  },

  queue(canvas, coords, done) {
    this.waiting = this.waiting ?? new Map();
    this.waiting.set(canvas, { coords, done: done ?? this.waiting.get(canvas)?.done ?? null });
    if (!this.timer) this.timer = requestAnimationFrame(() => this.work(BUDGET_MS));
  },

  /** Draw waiting canvases until the time is up. */
  work(budgetMs) {
    this.timer = 0;
    const until = performance.now() + budgetMs;
    for (const [canvas, { coords, done }] of this.waiting ?? []) {
      this.waiting.delete(canvas);
      // One that was moved or zoomed away meanwhile is not worth the time.
      if (this._tiles[this._tileCoordsToKey(coords)]?.el === canvas) this.paint(canvas, coords);
      done?.();
      if (performance.now() > until) break;
    }
    if (this.waiting?.size) this.timer = requestAnimationFrame(() => this.work(BUDGET_MS));
  },

  /** Draw all that is waiting now. */
  finish() {
    if (this.timer) cancelAnimationFrame(this.timer);
    this.work(Infinity);
    this.timer = 0;
  },

  paint(canvas, coords) {
    const ratio = Math.min(3, window.devicePixelRatio || 1) * (document.body.classList.contains("printing") ? 2 : 1);
    canvas.width = canvas.height = Math.round(STEP_PX * ratio);
    const ctx = canvas.getContext("2d", { alpha: false });
    ctx.scale(canvas.width / STEP_PX, canvas.width / STEP_PX);
    draw(ctx, viewOf(coords));
  },

  /** Draw anew what is there, without taking it away first; only where a box [cm] is, if one is given. */
  redrawAll(box = null) {
    for (const { el, coords } of Object.values(this._tiles ?? {})) {
      if (box === null || meets(viewOf(coords), box)) this.queue(el, coords, null);
    }
  },
});

function viewOf(coords) {
  const k = map.options.crs.scale(coords.z) / 100;
  return { k, west: (coords.x * STEP_PX) / k, north: -(coords.y * STEP_PX) / k, width: STEP_PX, height: STEP_PX };
}

function meets(view, [west, south, east, north]) {
  const margin = MARGIN_PX / view.k;
  return (
    west - margin <= view.west + view.width / view.k &&
    east + margin >= view.west &&
    south - margin <= view.north &&
    north + margin >= view.north - view.height / view.k
  );
}

const boxOf = (kind, i) => {
  const box = town.shapes[layerOf(kind)].box.subarray(4 * i, 4 * i + 4);
  return box[0] > box[2] ? null : [...box];
};

const boundsOf = ([west, south, east, north]) => [
  [south / 100, west / 100],
  [north / 100, east / 100],
];

/** Box of all lots [cm]; null where nothing has an outline. */
function wholeBox() {
  const boxes = [town.places.candidate_homes, town.places.other_parcels].map((places) => places?.bounds).filter(Boolean);
  if (!boxes.length) return null;
  const take = (number, choose) => choose(...boxes.map((box) => box[number]));
  return [take(0, Math.min), take(1, Math.min), take(2, Math.max), take(3, Math.max)];
}

function showWhole(isAnimated) {
  const box = wholeBox() ?? [0, 0, 10000, 10000];
  map.fitBounds(boundsOf(box), { animate: isAnimated, padding: [6, 6] });
  const [[south, west], [north, east]] = boundsOf(box);
  const [tall, wide] = [Math.max(200, north - south), Math.max(200, east - west)];
  map.setMaxBounds([
    [south - tall, west - wide],
    [north + tall, east + wide],
  ]);
}

/** Candidate or other parcel at a place; lots that the filter leaves out are found last. */
function lotAt(latlng) {
  const [x, y] = [100 * latlng.lng, 100 * latlng.lat];
  const inside = (kind) => (town.places[layerOf(kind)]?.inBox(x, y, x, y) ?? []).filter((i) => town.places[layerOf(kind)].holds(i, x, y));
  const found = [...inside(HOME).map((i) => [HOME, i]), ...(chosen.layers.others ? inside(OTHER).map((i) => [OTHER, i]) : [])];
  const passes = ([kind, i]) => (kind === HOME ? chosen.homes : chosen.others)[i];
  return found.find(passes) ?? found[0] ?? null;
}

function selectAt(latlng, focus) {
  const found = lotAt(latlng);
  if (found === null) select(null);
  else select(...found, { focus });
}

function showSelected(before) {
  // On a narrow screen the map gives room to what is said about the lot, or was not there at all.
  document.body.classList.toggle("has-lot", chosen.lot !== null);
  map.invalidateSize({ pan: false });
  if (before) redrawLot(before);
  if (chosen.lot === null) return;
  if (chosen.lot.move) moveTo(chosen.lot.kind, chosen.lot.i);
  redrawLot(chosen.lot);
}

function redrawLot({ kind, i }) {
  const box = boxOf(kind, i);
  if (box !== null) pieces.redrawAll(box);
}

/** Bring a lot into the middle, near enough to see what stands on it. */
function moveTo(kind, i) {
  const box = boxOf(kind, i);
  if (box === null) return;
  const bounds = L.latLngBounds(boundsOf(box));
  const zoom = Math.min(map.getBoundsZoom(bounds, false, [REACH_PX, REACH_PX]), ZOOM.lot + 1);
  map.setView(bounds.getCenter(), zoom);
}

function showTip(event) {
  const found = lotAt(event.latlng);
  byId("map").classList.toggle("over-lot", found !== null);
  if (found === null) return hideTip();
  const [kind, i] = found;
  const tip = byId("tip");
  const more = kind === HOME ? say("rank_tip", { rank: count(homes().rank[i]) }) : meaning("reason", others().reason[i]);
  tip.replaceChildren(element("bdi", {}, lotName(kind, i)), ` \u00b7 ${more}`);
  tip.hidden = false;
  const size = map.getSize();
  const { x, y } = event.containerPoint;
  tip.style.left = `${Math.max(4, Math.min(x + 14, size.x - tip.offsetWidth - 4))}px`;
  tip.style.top = `${y + 18 + tip.offsetHeight > size.y ? y - tip.offsetHeight - 10 : y + 18}px`;
}

function hideTip() {
  byId("tip").hidden = true;
}

function hintZoom() {
  byId("zoom-hint").hidden = map.options.crs.scale(map.getZoom()) >= SCALE.water;
}
