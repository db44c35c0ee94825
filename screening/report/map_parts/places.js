// Which shapes lie in a box or under a point: a grid of cells, each with the shapes that touch it.

const CELLS_A_SHAPE = 2;
const MOST_CELLS = 1 << 20;

class Places {
  constructor(shapes) {
    this.shapes = shapes;
    this.seen = new Uint32Array(shapes.n);
    this.turn = 0;
    const { box, n } = shapes;
    this.west = Infinity;
    this.south = Infinity;
    let east = -Infinity;
    let north = -Infinity;
    for (let i = 0; i < 4 * n; i += 4) {
      if (box[i] > box[i + 2]) continue;
      if (box[i] < this.west) this.west = box[i];
      if (box[i + 1] < this.south) this.south = box[i + 1];
      if (box[i + 2] > east) east = box[i + 2];
      if (box[i + 3] > north) north = box[i + 3];
    }
    this.isEmpty = this.west > east;
    this.bounds = this.isEmpty ? null : [this.west, this.south, east, north];
    if (this.isEmpty) return;
    const wide = east - this.west + 1;
    const tall = north - this.south + 1;
    this.cell = Math.max(100, Math.sqrt((wide * tall) / Math.min(MOST_CELLS, CELLS_A_SHAPE * n)));
    this.columns = Math.floor(wide / this.cell) + 1;
    this.rows = Math.floor(tall / this.cell) + 1;
    this.first = new Uint32Array(this.columns * this.rows + 1);
    this.eachCell((cell) => this.first[cell + 1]++);
    for (let cell = 0; cell < this.columns * this.rows; cell++) this.first[cell + 1] += this.first[cell];
    this.members = new Uint32Array(this.first[this.columns * this.rows]);
    const at = this.first.slice();
    this.eachCell((cell, i) => {
      this.members[at[cell]++] = i;
    });
  }

  /** Call with each cell that the box of each shape touches. */
  eachCell(call) {
    const { box, n } = this.shapes;
    for (let i = 0; i < n; i++) {
      if (box[4 * i] > box[4 * i + 2]) continue;
      const [c0, r0, c1, r1] = this.cellsOf(box[4 * i], box[4 * i + 1], box[4 * i + 2], box[4 * i + 3]);
      for (let row = r0; row <= r1; row++) for (let column = c0; column <= c1; column++) call(row * this.columns + column, i);
    }
  }

  cellsOf(west, south, east, north) {
    const clamp = (value, most) => Math.max(0, Math.min(most - 1, Math.floor(value / this.cell)));
    return [
      clamp(west - this.west, this.columns),
      clamp(south - this.south, this.rows),
      clamp(east - this.west, this.columns),
      clamp(north - this.south, this.rows),
    ];
  }

  /** Shapes whose box meets a box [cm], the lowest number first. */
  inBox(west, south, east, north) {
    if (this.isEmpty || east < this.bounds[0] || west > this.bounds[2] || north < this.bounds[1] || south > this.bounds[3]) return [];
    const { box } = this.shapes;
    const found = [];
    const turn = ++this.turn;
    const [c0, r0, c1, r1] = this.cellsOf(west, south, east, north);
    for (let row = r0; row <= r1; row++) {
      for (let column = c0; column <= c1; column++) {
        const cell = row * this.columns + column;
        for (let k = this.first[cell]; k < this.first[cell + 1]; k++) {
          const i = this.members[k];
          if (this.seen[i] === turn) continue;
          this.seen[i] = turn;
          if (box[4 * i] <= east && box[4 * i + 2] >= west && box[4 * i + 1] <= north && box[4 * i + 3] >= south) found.push(i);
        }
      }
    }
    return found.sort((a, b) => a - b);
  }

  /** The first shape that holds a point [cm], -1 if none does. */
  atPoint(x, y) {
    return this.inBox(x, y, x, y).find((i) => this.holds(i, x, y)) ?? -1;
  }

  holds(i, x, y) {
    const { first, start, x: xs, y: ys } = this.shapes;
    let inside = false;
    for (let ring = first[i]; ring < first[i + 1]; ring++) {
      for (let p = start[ring], q = start[ring + 1] - 1; p < start[ring + 1]; q = p++) {
        if (ys[p] > y !== ys[q] > y && x < ((xs[q] - xs[p]) * (y - ys[p])) / (ys[q] - ys[p]) + xs[p]) inside = !inside;
      }
    }
    return inside;
  }
}
