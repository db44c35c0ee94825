// The page of the findings: lots and buildings in outline, and the places of each finding. Lengths are metres east and
// north of the corner that the data name; every text goes into the page as text.
const data = JSON.parse(document.getElementById("data").textContent);
const colour = data.colours;
const map = L.map("map", { crs: L.CRS.Simple, preferCanvas: true, minZoom: -8, maxZoom: 6, attributionControl: false });
L.control.scale({ imperial: false }).addTo(map);

/** Outlines written as flat lists x, y, x, y of decimetres; Leaflet wants [north, east]. */
function rings(flat) {
  return flat.map((ring) => {
    const out = [];
    for (let i = 0; i < ring.length; i += 2) out.push([ring[i + 1] / 10, ring[i] / 10]);
    return out;
  });
}
const still = { interactive: false, weight: 1 };
const drawn = [
  L.polyline(rings(data.lots), { ...still, color: colour.refused_line }).addTo(map),
  L.polyline(rings(data.buildings), { ...still, color: colour.house }).addTo(map),
];

const fills = { error: colour.water_warning, warning: colour.garden, note: colour.lot_good };
const radius = { error: 8, warning: 7, note: 5 };
const list = document.getElementById("findings");
document.getElementById("counts").textContent = data.counts;

/** A new element with a text. */
function element(name, text, kind) {
  const made = document.createElement(name);
  made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

data.findings.forEach((finding, number) => {
  const group = L.layerGroup();
  for (const [x, y] of finding.places) {
    const popup = element("div", "", "popup");
    popup.append(element("strong", finding.code), element("div", finding.sentence), element("div", finding.effect));
    L.circleMarker([y, x], {
      radius: radius[finding.severity],
      color: colour.ink,
      weight: 1.5,
      fillColor: fills[finding.severity],
      fillOpacity: 0.9,
    })
      .bindPopup(popup)
      .addTo(group);
  }
  const row = element("li", "", finding.severity);
  const head = element("div", "", "head");
  const tick = document.createElement("input");
  tick.type = "checkbox";
  tick.id = `finding-${number}`;
  tick.disabled = !finding.places.length;
  tick.setAttribute("aria-label", `Show ${finding.code}`);
  const show = () => (tick.checked ? group.addTo(map) : group.remove());
  tick.addEventListener("change", show);
  const name = element("button", finding.code);
  name.type = "button";
  name.disabled = tick.disabled;
  name.addEventListener("click", () => {
    tick.checked = true;
    show();
    map.fitBounds(L.latLngBounds(finding.places.map(([x, y]) => [y, x])).pad(0.2), { maxZoom: 2 });
  });
  head.append(tick, element("span", "", "sign"), name, element("span", finding.severity, "severity"));
  row.append(head, element("p", finding.sentence), element("p", finding.effect, "more"));
  if (!finding.places.length) row.append(element("p", "It has no place on the map.", "more"));
  list.append(row);
  tick.checked = !tick.disabled && (finding.severity !== "note" || data.findings.every((one) => one.severity === "note"));
  show();
});

const ground = L.featureGroup(drawn).getBounds();
if (ground.isValid()) map.fitBounds(ground.pad(0.03));
else map.setView([0, 0], 0);
