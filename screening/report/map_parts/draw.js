// Draws a piece of the town into a canvas. A view is `{k, west, north, width, height}`: pixels a centimetre, the
// centimetres at the upper left corner, and the size in pixels.

/** From how many pixels a metre on things are drawn: farther out they would only make the map black. */
const SCALE = { lotLines: 0.3, streets: 0, buildings: 0.35, gardens: 0.5, ground: 0.7, setbacks: 1.4, water: 1.4, parts: 2.8 };

/** Near, lots let through what lies on them; farther out they are what the map shows. */
const NEAR_OPACITY = 0.3;

const MARGIN_PX = 8;

const colour = (name) => town.head.colours[name];

/** Shapes of a layer that a view shows, with some pixels around it. */
function inView(layer, view, marginPx = MARGIN_PX) {
  const margin = marginPx / view.k;
  return (
    town.places[layer]?.inBox(
      view.west - margin,
      view.north - view.height / view.k - margin,
      view.west + view.width / view.k + margin,
      view.north + margin,
    ) ?? []
  );
}

/** How the rings of a shape end: as lines, joined, or back at their first point. */
const OPEN = 0;
const JOINED = 1;
const BACK = 2;

// Browsers look at the whole path when a ring is joined, which takes long where there are thousands; the thin outlines
// of many lots do without the join.
const MOST_JOINED = 60;

/** Add the rings of a shape to the path. */
function trace(ctx, layer, i, view, ending) {
  const { first, start, x, y } = town.shapes[layer];
  const { k, west, north } = view;
  for (let ring = first[i]; ring < first[i + 1]; ring++) {
    const from = start[ring];
    const to = start[ring + 1];
    if (from === to) continue;
    ctx.moveTo((x[from] - west) * k, (north - y[from]) * k);
    for (let p = from + 1; p < to; p++) ctx.lineTo((x[p] - west) * k, (north - y[p]) * k);
    if (ending === JOINED) ctx.closePath();
    else if (ending === BACK) ctx.lineTo((x[from] - west) * k, (north - y[from]) * k);
  }
}

/** Fill and outline shapes of a layer, all at once. */
function areas(ctx, layer, which, view, { fill = null, line = null, width = 1, dash = [], opacity = 1 }) {
  if (!which.length) return;
  ctx.beginPath();
  const ending = which.length > MOST_JOINED ? BACK : JOINED;
  for (const i of which) trace(ctx, layer, i, view, ending);
  if (fill !== null) {
    ctx.fillStyle = fill;
    ctx.globalAlpha = opacity;
    ctx.fill("nonzero");
    ctx.globalAlpha = 1;
  }
  if (line !== null) stroke(ctx, line, width, dash);
}

function lines(ctx, layer, which, view, strokes) {
  if (!which.length) return;
  ctx.beginPath();
  for (const i of which) trace(ctx, layer, i, view, OPEN);
  for (const [line, width, dash = []] of strokes) stroke(ctx, line, width, dash);
}

function stroke(ctx, line, width, dash = []) {
  ctx.strokeStyle = line;
  ctx.lineWidth = width;
  ctx.setLineDash(dash);
  ctx.stroke();
}

const patterns = new Map();

/** A pattern of 8 pixels that goes on without a seam from one piece of the map to the next. */
function pattern(ctx, name, mark) {
  const ratio = ctx.getTransform().a;
  const key = `${name} ${ratio}`;
  if (!patterns.has(key)) {
    const size = 8;
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = Math.round(size * ratio);
    const inner = canvas.getContext("2d");
    inner.scale(canvas.width / size, canvas.width / size);
    mark(inner, size);
    const made = ctx.createPattern(canvas, "repeat");
    made.setTransform(new DOMMatrix().scale(size / canvas.width));
    patterns.set(key, made);
  }
  return patterns.get(key);
}

/** Slanted lines. */
function hatch(ctx, line, isRising) {
  return pattern(ctx, `${line} ${isRising}`, (inner, size) => {
    inner.strokeStyle = line;
    inner.lineWidth = 1.1;
    inner.beginPath();
    for (const offset of [-size, 0, size]) {
      inner.moveTo(offset - 1, isRising ? size + 1 : -1);
      inner.lineTo(offset + size + 1, isRising ? -1 : size + 1);
    }
    inner.stroke();
  });
}

/** Dots on a ground: a bed stays one in a grey print. */
function dots(ctx, dot, ground) {
  return pattern(ctx, `${dot} ${ground}`, (inner, size) => {
    inner.fillStyle = ground;
    inner.fillRect(0, 0, size, size);
    inner.fillStyle = dot;
    for (const [x, y] of [
      [2, 2],
      [6, 6],
    ]) {
      inner.beginPath();
      inner.arc(x, y, 0.8, 0, 2 * Math.PI);
      inner.fill();
    }
  });
}

/** Everything that a view shows. */
function draw(ctx, view) {
  const scale = view.k * 100;
  ctx.fillStyle = colour("paper");
  ctx.fillRect(0, 0, view.width, view.height);
  ctx.lineJoin = "round";
  ctx.lineCap = "butt";
  // A badge may stand over the edge of a lot that lies just outside.
  const lots = inView("candidate_homes", view, 2 * MARGIN_PX);
  const shown = lots.filter((i) => chosen.homes[i]);
  const isOurs = (layer) => (row) => chosen.homes[town.head.tables[layer].home[row]];
  drawLots(ctx, view, lots, scale);
  if (chosen.layers.ground && scale >= SCALE.ground) {
    const ground = inView("open_ground", view).filter(isOurs("open_ground"));
    areas(ctx, "open_ground", ground, view, { fill: colour("open_ground"), line: colour("open_ground_line"), dash: [3, 2] });
  }
  if (chosen.layers.setbacks && scale >= SCALE.setbacks) for (const i of shown) drawSetbacks(ctx, view, i);
  drawStreets(ctx, view, scale);
  if (chosen.layers.buildings && scale >= SCALE.buildings) drawBuildings(ctx, view, scale);
  if (chosen.layers.gardens && scale >= SCALE.gardens) {
    const gardens = inView("gardens", view).filter(isOurs("gardens"));
    const isNear = scale >= SCALE.water;
    const fill = isNear ? dots(ctx, colour("garden_line"), colour("garden")) : colour("garden");
    areas(ctx, "gardens", gardens, view, { fill, line: colour("garden_line"), width: isNear ? 1.5 : 0.8 });
  }
  if (scale >= SCALE.water) drawWater(ctx, view, scale, isOurs);
  if (chosen.layers.plan && town.head.plan !== null) drawPlan(ctx, view, shown, scale);
  drawSelected(ctx, view);
  if (chosen.layers.labels) drawLabels(ctx, view, scale);
}

function drawLots(ctx, view, lots, scale) {
  const line = scale >= SCALE.lotLines;
  if (chosen.layers.others) {
    const rest = inView("other_parcels", view).filter((i) => chosen.others[i]);
    const isUnscreened = (i) => town.head.not_screened.includes(others().reason[i]);
    const outline = line ? colour("refused_line") : null;
    areas(ctx, "other_parcels", rest.filter(isUnscreened), view, { fill: colour("unscreened_lot"), line: outline, width: 0.6 });
    areas(ctx, "other_parcels", rest.filter((i) => !isUnscreened(i)), view, { fill: colour("refused_lot"), line: outline, width: 0.6 });
  }
  const left = lots.filter((i) => !chosen.homes[i]);
  areas(ctx, "candidate_homes", left, view, { line: line ? colour("refused_line") : null, width: 0.6, dash: [2, 2] });
  const opacity = scale >= SCALE.water ? NEAR_OPACITY : 1;
  const fills = ["lot_best", "lot_good", "lot_other"].map(colour);
  const classes = [[], [], []];
  for (const i of lots) if (chosen.homes[i]) classes[rankClass(i)].push(i);
  for (const number of [2, 1, 0]) {
    areas(ctx, "candidate_homes", classes[number], view, { fill: fills[number], line: line ? colour("lot_line") : null, width: 0.8, opacity });
  }
}

/** Ground of a lot that the distances to buildings and to the lot line keep free. */
function drawSetbacks(ctx, view, home) {
  const { gap_m: gap, lot_line_m: lotLine } = town.head.rules;
  ctx.save();
  ctx.beginPath();
  trace(ctx, "candidate_homes", home, view, JOINED);
  ctx.clip();
  if (lotLine) stroke(ctx, hatch(ctx, colour("lot_line"), false), 200 * lotLine * view.k);
  const box = town.shapes.candidate_homes.box;
  const margin = 100 * (gap ?? 0);
  const near = town.places.buildings?.inBox(box[4 * home] - margin, box[4 * home + 1] - margin, box[4 * home + 2] + margin, box[4 * home + 3] + margin) ?? [];
  if (gap && near.length) {
    ctx.beginPath();
    for (const i of near) trace(ctx, "buildings", i, view, JOINED);
    stroke(ctx, hatch(ctx, colour("setback"), true), 200 * gap * view.k);
  }
  ctx.restore();
}

function drawStreets(ctx, view, scale) {
  if (!town.shapes.streets) return;
  const which = inView("streets", view, 20);
  const isPlanned = (i) => chosen.layers.plan && town.plannedStreets.has(town.head.streets.lines[i]);
  ctx.lineCap = "round";
  const width = Math.max(1.2, Math.min(4, 3 * scale));
  lines(ctx, "streets", which.filter((i) => !isPlanned(i)), view, [[colour("street"), width]]);
  lines(ctx, "streets", which.filter(isPlanned), view, [[colour("ink"), width + 5], [colour("garden"), width + 2]]);
  ctx.lineCap = "butt";
}

/** The way to walk, and a badge with the stop on each home to visit. */
function drawPlan(ctx, view, shown, scale) {
  if (town.shapes.ways) {
    const day = byId("filter-day").value;
    const ways = inView("ways", view).filter((i) => day === "" || town.head.plan.way_days[i] === day);
    lines(ctx, "ways", ways, view, [[colour("paper"), 5.5], [colour("ink"), 2.6, [1, 4]]]);
    for (const i of ways) arrow(ctx, "ways", i, view, colour("ink"));
  }
  const { box } = town.shapes.candidate_homes;
  for (const i of shown) {
    const visit = town.visitOf.get(i);
    if (visit === undefined) continue;
    const [houseX, houseY] = town.houseAt.get(i) ?? [(box[4 * i] + box[4 * i + 2]) / 2, (box[4 * i + 1] + box[4 * i + 3]) / 2];
    badge(ctx, [(houseX - view.west) * view.k, (view.north - houseY) * view.k], scale >= 0.9 ? visit.stop : "");
  }
}

function badge(ctx, [x, y], words) {
  const wide = words === "" ? 0 : widthOf(ctx, words, NUMBER_FONT);
  const radius = words === "" ? 4 : 9;
  ctx.beginPath();
  ctx.roundRect(x - Math.max(radius, wide / 2 + 5), y - radius, 2 * Math.max(radius, wide / 2 + 5), 2 * radius, radius);
  ctx.fillStyle = colour("ink");
  ctx.fill();
  stroke(ctx, colour("garden"), 2);
  if (words === "") return;
  ctx.font = NUMBER_FONT;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  ctx.fillStyle = colour("paper");
  ctx.fillText(words, x, y);
}

function drawBuildings(ctx, view, scale) {
  const which = inView("buildings", view);
  const table = town.head.tables.buildings;
  const outline = { line: scale >= 0.8 ? colour("building_line") : null, width: 0.7 };
  areas(ctx, "buildings", which.filter((i) => table.house_of[i] < 0), view, { fill: colour("neighbour_building"), ...outline });
  areas(ctx, "buildings", which.filter((i) => table.house_of[i] >= 0), view, { fill: colour("other_building"), ...outline });
  if (scale < SCALE.parts || !town.shapes.roof_parts || !chosen.layers.gardens) return;
  const { home, served } = town.head.tables.roof_parts;
  const parts = inView("roof_parts", view).filter((row) => chosen.homes[home[row]]);
  areas(ctx, "roof_parts", parts.filter((row) => served[row]), view, { fill: colour("house"), line: colour("paper"), width: 1 });
  areas(ctx, "roof_parts", parts.filter((row) => !served[row]), view, { line: colour("paper"), width: 1 });
}

function drawWater(ctx, view, scale, isOurs) {
  if (chosen.layers.overflow) {
    const paths = inView("overflow_paths", view).filter(isOurs("overflow_paths"));
    const { end } = town.head.tables.overflow_paths ?? { end: [] };
    const isWarning = (row) => town.head.warning_ends.includes(end[row]);
    lines(ctx, "overflow_paths", paths.filter((row) => !isWarning(row)), view, [[colour("paper"), 3.4], [colour("water"), 1.6, [7, 4]]]);
    lines(ctx, "overflow_paths", paths.filter(isWarning), view, [[colour("paper"), 4.2], [colour("water_warning"), 2.6, [2, 3]]]);
    for (const row of paths) arrow(ctx, "overflow_paths", row, view, isWarning(row) ? colour("water_warning") : colour("water"));
  }
  if (!chosen.layers.gardens) return;
  const runs = inView("inlet_runs", view).filter(isOurs("inlet_runs"));
  lines(ctx, "inlet_runs", runs, view, [[colour("paper"), 4], [colour("water"), 2]]);
  const { garden, measured } = town.head.tables.downspouts ?? {};
  const { x, y, start, first } = town.shapes.downspouts ?? {};
  const radius = Math.min(4.5, 1.4 + 0.9 * scale);
  for (const row of inView("downspouts", view).filter(isOurs("downspouts"))) {
    const p = start[first[row]];
    const at = [(x[p] - view.west) * view.k, (view.north - y[p]) * view.k];
    spout(ctx, at, radius, garden[row] >= 0, measured[row] === 1);
  }
}

/** A filled, a hollow or a crossed mark: measured, assumed, not served. */
function spout(ctx, [x, y], radius, isServed, isMeasured) {
  ctx.beginPath();
  if (!isServed) {
    const arm = 0.8 * radius;
    ctx.moveTo(x - arm, y - arm);
    ctx.lineTo(x + arm, y + arm);
    ctx.moveTo(x - arm, y + arm);
    ctx.lineTo(x + arm, y - arm);
    stroke(ctx, colour("ink"), 1.6);
    return;
  }
  ctx.arc(x, y, radius, 0, 2 * Math.PI);
  ctx.fillStyle = isMeasured ? colour("water") : colour("paper");
  ctx.fill();
  stroke(ctx, colour("water"), 1.6);
}

/** A head at the end of a line, which is where the water goes. */
function arrow(ctx, layer, i, view, fill) {
  const { first, start, x, y } = town.shapes[layer];
  const end = start[first[i + 1]] - 1;
  const begin = start[first[i]];
  if (end <= begin) return;
  const tip = [(x[end] - view.west) * view.k, (view.north - y[end]) * view.k];
  // The direction over the last pixels, not of the last step, which may be a centimetre.
  let from = end - 1;
  const back = (p) => Math.hypot((x[p] - x[end]) * view.k, (y[p] - y[end]) * view.k);
  while (from > begin && back(from) < 6) from--;
  const angle = Math.atan2((view.north - y[end]) - (view.north - y[from]), x[end] - x[from]);
  ctx.beginPath();
  ctx.moveTo(...tip);
  for (const turn of [2.7, -2.7]) ctx.lineTo(tip[0] + 8 * Math.cos(angle + turn), tip[1] + 8 * Math.sin(angle + turn));
  ctx.closePath();
  ctx.fillStyle = fill;
  ctx.fill();
}

function drawSelected(ctx, view) {
  if (chosen.lot === null) return;
  const layer = layerOf(chosen.lot.kind);
  ctx.beginPath();
  trace(ctx, layer, chosen.lot.i, view, JOINED);
  stroke(ctx, colour("paper"), 6);
  stroke(ctx, colour("ink"), 3);
}
