// House numbers on houses, names along streets. Every piece of the map finds the same places, so that a text goes on
// from one piece to the next.

const NUMBERS_FROM = 2.4;
const NAMES_FROM = 0.22;
const NAME_EVERY_PX = 420;
const NUMBER_FONT = "600 11px system-ui, sans-serif";
const NAME_FONT = "600 12px system-ui, sans-serif";
const widths = new Map();

function widthOf(ctx, text, font) {
  const key = `${font} ${text}`;
  if (!widths.has(key)) {
    ctx.font = font;
    widths.set(key, ctx.measureText(text).width);
  }
  return widths.get(key);
}

function halo(ctx, text, x, y, font) {
  ctx.font = font;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  ctx.setLineDash([]);
  ctx.lineWidth = 3;
  ctx.strokeStyle = colour("paper");
  ctx.strokeText(text, x, y);
  ctx.fillStyle = colour("ink");
  ctx.fillText(text, x, y);
}

function drawLabels(ctx, view, scale) {
  if (scale >= NUMBERS_FROM && town.shapes.buildings) drawNumbers(ctx, view);
  if (scale >= NAMES_FROM && town.shapes.streets) drawNames(ctx, view);
}

/** The number in front of an address, else the rank with a sign. */
function houseNumber(home) {
  const found = /^\s*(\d+\s?[A-Za-z]?)(?=\s|,|$)/.exec(homes().address[home] ?? "");
  return found ? found[1] : `#${homes().rank[home]}`;
}

function drawNumbers(ctx, view) {
  const { box } = town.shapes.buildings;
  const { house_of: houseOf } = town.head.tables.buildings;
  for (const i of inView("buildings", view, 40)) {
    // A home to visit has its badge there.
    if (houseOf[i] < 0 || (chosen.layers.plan && town.visitOf.has(houseOf[i]) && chosen.homes[houseOf[i]])) continue;
    const text = houseNumber(houseOf[i]);
    if ((box[4 * i + 2] - box[4 * i]) * view.k < widthOf(ctx, text, NUMBER_FONT) + 4) continue;
    const x = ((box[4 * i] + box[4 * i + 2]) / 2 - view.west) * view.k;
    const y = (view.north - (box[4 * i + 1] + box[4 * i + 3]) / 2) * view.k;
    halo(ctx, text, x, y, NUMBER_FONT);
  }
}

function drawNames(ctx, view) {
  const { first, start, x, y } = town.shapes.streets;
  const { names, lines: nameOf } = town.head.streets;
  for (const i of inView("streets", view, 200)) {
    if (nameOf[i] < 0) continue;
    const text = names[nameOf[i]];
    const wide = widthOf(ctx, text, NAME_FONT);
    for (let ring = first[i]; ring < first[i + 1]; ring++) {
      const from = start[ring];
      const to = start[ring + 1];
      const along = [0];
      for (let p = from + 1; p < to; p++) along.push(along[along.length - 1] + Math.hypot(x[p] - x[p - 1], y[p] - y[p - 1]) * view.k);
      const length = along[along.length - 1];
      if (length < wide + 30) continue;
      const times = Math.max(1, Math.floor(length / NAME_EVERY_PX));
      for (let time = 0; time < times; time++) {
        const middle = ((time + 0.5) / times) * length;
        const at = (distance) => {
          let p = 1;
          while (p < along.length - 1 && along[p] < distance) p++;
          const share = (distance - along[p - 1]) / (along[p] - along[p - 1] || 1);
          const q = from + p;
          return [(x[q - 1] + (x[q] - x[q - 1]) * share - view.west) * view.k, (view.north - (y[q - 1] + (y[q] - y[q - 1]) * share)) * view.k];
        };
        const [ax, ay] = at(middle - wide / 2);
        const [bx, by] = at(middle + wide / 2);
        // In a bend the name would cut across lots.
        if (Math.hypot(bx - ax, by - ay) < 0.9 * wide) continue;
        let angle = Math.atan2(by - ay, bx - ax);
        if (Math.abs(angle) > Math.PI / 2) angle += Math.PI;
        ctx.save();
        ctx.translate((ax + bx) / 2, (ay + by) / 2);
        ctx.rotate(angle);
        halo(ctx, text, 0, 0, NAME_FONT);
        ctx.restore();
      }
    }
  }
}
