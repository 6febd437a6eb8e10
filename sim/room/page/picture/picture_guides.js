/** Guides over the picture: where another format would cut it, how much room is over the head, and thirds. */
import { el, svg } from "../../../web/elements.js";
import { placeOf } from "../readings/meter_spot.js";
import { setText } from "./picture_elements.js";

// Sides of each format; turned the way of the picture unless the name says how it lies. The long side of a sheet of the
// A series is the short one times the root of two (ISO 216).
export const FORMATS = {
  "4:5": { sides: [4, 5] },
  "1:1": { sides: [1, 1] },
  "2:3": { sides: [2, 3] },
  "A sizes": { sides: [1, Math.SQRT2] },
  "16:9": { sides: [16, 9], lies: true },
  "9:16": { sides: [9, 16], lies: true },
};

/**
 * Part of a picture that a format keeps: the largest in its middle, [left, top, width, height], 0 to 1 of the picture.
 * @param {string} format a name of `FORMATS`
 * @param {number} aspect width by height of the picture
 */
export function cropOf(format, aspect) {
  const { sides, lies } = FORMATS[format];
  const [a, b] = sides;
  const ratio = lies ? a / b : aspect < 1 ? Math.min(a, b) / Math.max(a, b) : Math.max(a, b) / Math.min(a, b);
  const width = Math.min(1, ratio / aspect),
    height = Math.min(1, aspect / ratio);
  return [(1 - width) / 2, (1 - height) / 2, width, height];
}

/**
 * The controls of the guides; what they ask for is drawn over the print.
 * @param {Room} room
 */
export function mountGuides(print, room) {
  const { store } = room;
  const crop = el(
    "select",
    { "aria-label": "Crop guide" },
    el("option", { value: "", text: "No crop guide" }),
    ...Object.keys(FORMATS).map((name) => el("option", { value: name, text: `Crop ${name}` })),
  );
  const headroom = el("input", { type: "checkbox" });
  const field = el("label", { class: "guide-head" }, headroom, "Head room and thirds");
  const lines = svg("svg", { viewBox: "0 0 1 1", preserveAspectRatio: "none" });
  const told = el("span", { class: "guide-said" });
  const layer = el("div", { class: "guides", hidden: true, "aria-hidden": "true" }, lines, told);
  print.area.append(layer);

  function draw() {
    const { view } = store.get();
    const aspect = view?.camera?.aspect;
    layer.hidden = !aspect || (!crop.value && !headroom.checked);
    if (layer.hidden) return;
    const [x, y, width, height] = crop.value ? cropOf(crop.value, aspect) : [0, 0, 1, 1];
    const parts = [];
    if (crop.value) {
      const outside = `M0 0H1V1H0Z M${x} ${y}V${y + height}H${x + width}V${y}Z`;
      parts.push(svg("path", { d: outside, class: "cut-off" }));
      for (const at of [y, y + height]) parts.push(rule(x, at, x + width, at));
      for (const at of [x, x + width]) parts.push(rule(at, y, at, y + height));
    }
    const said = crop.value ? [crop.value] : [];
    if (headroom.checked) {
      for (const third of [1 / 3, 2 / 3]) {
        parts.push(rule(x, y + third * height, x + width, y + third * height, "third"));
        parts.push(rule(x + third * width, y, x + third * width, y + height, "third"));
      }
      const crown = view.sitter?.parts?.hair,
        camera = print.shown?.camera;
      const place = crown && camera ? placeOf(crown, camera) : null;
      if (place) {
        parts.push(rule(x, place[1], x + width, place[1], "crown"));
        const over = (place[1] - y) / height;
        said.push(over >= 0 ? `head room ${Math.round(100 * over)} % of the height` : "the head is cut");
      }
    }
    lines.replaceChildren(...parts.flat());
    setText(told, said.join(" \u00b7 "));
  }

  crop.addEventListener("change", draw);
  headroom.addEventListener("change", draw);
  store.subscribe(draw, ["view", "frame"]);
  return [crop, field];
}

/** A line that shows on light and dark: a dark one under a light one. */
const rule = (x1, y1, x2, y2, kind = "edge") =>
  ["under", "over"].map((which) => svg("line", { x1, y1, x2, y2, class: `${kind} ${which}` }));
