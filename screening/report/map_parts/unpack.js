// From the text in the page to plain columns and outlines. Nothing here knows what the rows mean.

/** Bytes of a base64 text. */
function bytesOf(text) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

/** Head and outlines of the page's data: four bytes for the head's length, the head, the outlines. */
async function unpack(text) {
  const stream = new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream("gzip"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  const length = new DataView(bytes.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
  const shapes = {};
  for (const [name, entry] of Object.entries(head.shapes)) shapes[name] = readShapes(bytes, 4 + length + entry.at, entry);
  for (const table of Object.values(head.tables)) {
    for (const [name, column] of Object.entries(table)) {
      if (!Array.isArray(column)) table[name] = column.rows.map((row) => (row < 0 ? null : column.values[row]));
    }
  }
  return { head, shapes };
}

/**
 * Outlines of a layer: `first[i]` is the first ring of shape i, `start[r]` the first point of ring r, `x` and `y` are
 * centimetres east and north, `box` holds west, south, east, north of each shape (west over east where it has none).
 */
function readShapes(bytes, at, entry) {
  const next = () => {
    let byte = bytes[at++];
    let value = byte & 127;
    let factor = 128;
    while (byte > 127) {
      byte = bytes[at++];
      value += (byte & 127) * factor;
      factor *= 128;
    }
    return value;
  };
  const first = new Uint32Array(entry.n + 1);
  for (let i = 0; i < entry.n; i++) first[i + 1] = first[i] + next();
  const start = new Uint32Array(entry.rings + 1);
  for (let ring = 0; ring < entry.rings; ring++) start[ring + 1] = start[ring] + next();
  const x = new Int32Array(entry.points);
  const y = new Int32Array(entry.points);
  const box = new Int32Array(4 * entry.n);
  let ringX = 0;
  let ringY = 0;
  for (let i = 0; i < entry.n; i++) {
    let west = 1;
    let south = 1;
    let east = 0;
    let north = 0;
    for (let ring = first[i]; ring < first[i + 1]; ring++) {
      let nowX = ringX;
      let nowY = ringY;
      for (let p = start[ring]; p < start[ring + 1]; p++) {
        const stepX = next();
        const stepY = next();
        nowX += stepX % 2 ? -(stepX + 1) / 2 : stepX / 2;
        nowY += stepY % 2 ? -(stepY + 1) / 2 : stepY / 2;
        if (p === start[ring]) {
          ringX = nowX;
          ringY = nowY;
        }
        if (west > east) {
          west = east = nowX;
          south = north = nowY;
        }
        if (nowX < west) west = nowX;
        else if (nowX > east) east = nowX;
        if (nowY < south) south = nowY;
        else if (nowY > north) north = nowY;
        x[p] = nowX;
        y[p] = nowY;
      }
    }
    box[4 * i] = west;
    box[4 * i + 1] = south;
    box[4 * i + 2] = east;
    box[4 * i + 3] = north;
  }
  return { n: entry.n, first, start, x, y, box };
}
