// The map: our own lines and points, on paper, unless the team named tiles. Without it a drawing stands in its place.
import { CircleMarker, Control, LatLngBounds, Map, Polyline, TileLayer } from "leaflet";

const INK = "#14222B", FOAM = "#F7F5EF", TIDE = "#0B5563";

// An element, not a text: the library takes texts for HTML.
const label = ({ label, href }) => {
  const node = document.createElement(href ? "a" : "bdi");
  node.textContent = label.slice(0, 80);
  if (href) node.href = href;
  return node;
};

const layer = ({ geometry, properties }) => {
  const place = ([lon, lat]) => [lat, lon];
  const drawn = geometry.type === "Point"
    ? new CircleMarker(place(geometry.coordinates), { radius: 9, color: INK, weight: 2, fillColor: FOAM, fillOpacity: 1 })
    : new Polyline(geometry.coordinates.map(place), { color: TIDE, weight: 4 });
  return drawn.bindPopup(label(properties)).bindTooltip(label({ label: properties.label }));
};

const show = async (element) => {
  const answer = await fetch(element.dataset.map);
  if (!answer.ok) return;
  const layers = (await answer.json()).features.map(layer);
  if (!layers.length) return;
  element.replaceChildren();
  const map = new Map(element, { attributionControl: false, zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false });
  if (element.dataset.tiles) {
    map.addControl(new Control.Attribution({ prefix: false }));
    const credit = document.createElement("span");
    credit.textContent = element.dataset.credit;
    new TileLayer(element.dataset.tiles, { attribution: credit.innerHTML, maxZoom: 19 }).addTo(map);
  }
  map.addControl(new Control.Scale({ imperial: false }));
  const bounds = new LatLngBounds([]);
  layers.forEach((one) => {
    one.addTo(map);
    bounds.extend(one.getBounds ? one.getBounds() : one.getLatLng());
  });
  map.fitBounds(bounds.pad(0.15), { maxZoom: 17 });
};

document.querySelectorAll("[data-map]").forEach((element) => show(element).catch(() => {}));
