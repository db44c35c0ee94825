// The page on paper: head, map with its signs, then the selected lot or the rows that pass, and the cautions.

const MOST_PRINTED = 500;

function makePrint() {
  byId("print-open").addEventListener("click", () => setPrinting(true));
  byId("print-back").addEventListener("click", () => setPrinting(false));
  byId("print-now").addEventListener("click", () => window.print());
  let wasPrinting = true;
  window.addEventListener("beforeprint", () => {
    wasPrinting = document.body.classList.contains("printing");
    if (!wasPrinting) setPrinting(true);
  });
  window.addEventListener("afterprint", () => {
    if (!wasPrinting) setPrinting(false);
  });
}

/** What the map showed before it went on paper. */
let shownBefore = null;

function setPrinting(isPrinting) {
  const box = chosen.lot === null ? null : boxOf(chosen.lot.kind, chosen.lot.i);
  const shown = map.getBounds();
  const before = { center: map.getCenter(), zoom: map.getZoom() };
  document.body.classList.toggle("printing", isPrinting);
  byId("print-bar").hidden = !isPrinting;
  byId("care").open = isPrinting || !isNarrow();
  if (isPrinting) byId("legend").open = true;
  if (isPrinting && chosen.lot === null) {
    const rows = list.rows.slice(0, MOST_PRINTED);
    byId("table").replaceChildren(...tableParts(rows, false));
    byId("rows").textContent = rows.length < list.rows.length ? say("print_first", { m: MOST_PRINTED, n: count(list.rows.length) }) : "";
  } else fillTable();
  map.invalidateSize({ pan: false, animate: false });
  if (isPrinting) {
    shownBefore = before;
    const whole = L.latLngBounds(boundsOf(wholeBox() ?? [0, 0, 1, 1]));
    const bounds = box !== null ? L.latLngBounds(boundsOf(box)) : shown.contains(whole) ? whole : shown;
    map.fitBounds(bounds, { animate: false, padding: box === null ? [0, 0] : [30, 30] });
  } else map.setView(shownBefore.center, shownBefore.zoom, { animate: false });
  pieces.redrawAll();
  pieces.finish();
  if (isPrinting) byId("print-now").focus();
  else byId("print-open").focus();
}
