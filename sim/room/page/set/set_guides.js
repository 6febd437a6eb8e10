/** What is shown while something moves: rays, rings, heights, and a slip with the measures. */
import { disc, line, path, svg, words } from "../../../web/elements.js";
import {
  bearingDeg,
  bearingWords,
  degreesText,
  distance,
  feetText,
  metresText,
  tiltText,
  turnDeg,
} from "../measures.js";
import { facing } from "./set_items.js";
import { widthPx } from "./set_labels.js";
import { facingPoint } from "./set_draw.js";
import { PLAN } from "./set_view.js";

/**
 * @param {SVGElement} layer
 * @param {{id: string, which: string, part: string} | null} moving what moves in which drawing; `part`
 *   is "place", "aim", "turn" or "head"
 * @param {RoomState} state
 * @param {Item[]} items
 */
export function drawGuides(layer, which, view, state, items, moving) {
  if (!moving) return layer.replaceChildren();
  const item = items.find((each) => each.id === moving.id);
  if (!item) return layer.replaceChildren();
  const nodes = which === PLAN ? planGuides(item, moving, view, items) : sideGuides(item, moving, view, state, items);
  if (which === moving.which) nodes.push(slip(lines(item, moving, items, state), view, which, item, moving));
  layer.replaceChildren(...nodes);
}

function planGuides(item, { part }, view, items) {
  const px = (p) => view.px(PLAN, p);
  const mark = px([0, 0, 0]);
  const [x, , z] = part === "aim" ? item.aim_m : item.position_m;
  const here = px([x, 0, z]);
  if (part === "turn" || part === "head")
    return [line(px(item.position_m), px(facingPoint(item, part === "head", view)), { class: "guide strong" })];
  if (item.kind === "backdrop")
    return [line(mark, px([0, 0, z]), { class: "guide" }), measure(mark, px([0, 0, z]), metresText(Math.abs(z)))];
  if (item.kind === "sitter") {
    return [line([mark[0], here[1]], here, { class: "guide" }), line(mark, [mark[0], here[1]], { class: "guide" })];
  }
  const nodes = [];
  if (part === "aim") return [measure(px(item.position_m), here, metresText(distance(item.position_m, item.aim_m)))];
  const away = Math.hypot(x, z),
    radius = away * view.scale;
  nodes.push(disc(mark, radius.toFixed(1), { class: "guide" }), line(mark, here, { class: "guide strong" }));
  nodes.push(arc(mark, Math.min(0.62 * view.scale, radius), bearingDeg(x, z)), measure(mark, here, metresText(away)));
  // Name what it now matches.
  for (const other of items) {
    if (other.id === item.id || other.kind !== "light") continue;
    const [ox, , oz] = other.position_m;
    if (Math.abs(Math.hypot(ox, oz) - away) < 0.012) nodes.push(line(mark, px([ox, 0, oz]), { class: "guide match" }));
    else if (Math.abs(Math.abs(bearingDeg(ox, oz)) - Math.abs(bearingDeg(x, z))) < 0.6)
      nodes.push(line(mark, px([ox, 0, oz]), { class: "guide match" }));
  }
  return nodes;
}

/** The angle between the camera's direction and a bearing, as an arc around the mark. */
function arc([cx, cy], radius, deg) {
  const points = [];
  for (let k = 0; k <= 24; k++) {
    const b = (((deg * k) / 24) * Math.PI) / 180;
    points.push([cx + radius * Math.sin(b), cy + radius * Math.cos(b)]);
  }
  const middle = ((deg / 2) * Math.PI) / 180,
    r = radius + 13;
  return svg(
    "g",
    {},
    path(points, { class: "guide strong" }),
    line([cx, cy], [cx, cy + radius], { class: "guide" }),
    words([cx + r * Math.sin(middle), cy + r * Math.cos(middle) + 4], degreesText(deg), {
      class: "guide-text",
      "text-anchor": "middle",
    }),
  );
}

function measure(a, b, text) {
  const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2],
    length = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
  const off = [(-(b[1] - a[1]) / length) * 12, ((b[0] - a[0]) / length) * 12];
  return words([middle[0] + off[0], middle[1] + off[1] + 4], text, { class: "guide-text", "text-anchor": "middle" });
}

function sideGuides(item, { part }, view, state, items) {
  const point = part === "aim" ? item.aim_m : item.position_m;
  if (item.kind === "sitter" || part === "turn" || part === "head" || !point) return [];
  const px = (p) => view.px("side", p);
  const { low_m: low, high_m: high } = state.room;
  if (item.kind === "backdrop") return [];
  const nodes = [line(px([0, point[1], high[2]]), px([0, point[1], low[2]]), { class: "guide" })];
  nodes.push(
    line(px([0, 0, point[2]]), px(point), { class: "guide strong" }),
    measure(px(point), px([0, 0, point[2]]), metresText(point[1])),
  );
  for (const other of items) {
    if (other.id !== item.id && other.kind === "light" && Math.abs(other.position_m[1] - point[1]) < 0.006) {
      nodes.push(line(px(point), px(other.position_m), { class: "guide match" }));
    }
  }
  return nodes;
}

/** The lines of the slip beside what moves. */
export function lines(item, { part, which }, items, state) {
  const [x, y, z] = item.position_m;
  if (part === "turn")
    return [`body turned ${degreesText(turnDeg(facing(item)))}`, bearingWords(turnDeg(facing(item)))];
  if (part === "head")
    return [
      `head ${degreesText(item.head_turn_deg)} against the body`,
      `face toward ${degreesText(turnDeg(facing(item, true)))}`,
    ];
  if (part === "aim") {
    const onto = item.aim_part ? `at the ${item.aim_part}` : `at ${metresText(item.aim_m[1])} high`;
    return [`aim ${onto}`, `${metresText(distance(item.position_m, item.aim_m))} away`];
  }
  if (item.kind === "sitter") {
    const camera = state.camera.position_m;
    return [
      `${metresText(x)} right, ${metresText(z)} forward of the mark`,
      `${metresText(Math.hypot(x - camera[0], z - camera[2]))} to the camera`,
    ];
  }
  if (item.kind === "backdrop") return [`${metresText(-z)} behind the mark`, feetText(-z)];
  const away = Math.hypot(x, z),
    deg = bearingDeg(x, z);
  const found =
    which === PLAN
      ? [`${metresText(away)} at ${degreesText(deg)}`, `${feetText(away)}, ${bearingWords(deg)}`]
      : [`${metresText(y)} high`, feetText(y)];
  if (item.kind === "light" && item.aim_m) {
    const reach = distance(item.position_m, item.aim_m);
    const tilt = (Math.asin((item.aim_m[1] - y) / (reach || 1)) * 180) / Math.PI;
    found.push(`${metresText(reach)} to its aim, ${tiltText(tilt)}`);
  }
  const same = items.find(
    (other) =>
      other.id !== item.id &&
      other.kind === "light" &&
      item.kind === "light" &&
      Math.abs(Math.hypot(other.position_m[0], other.position_m[2]) - away) < 0.006,
  );
  if (same) found.push(`as far as ${same.name}`);
  return found;
}

function slip(texts, view, which, item, { part }) {
  const { width: w, height: h } = view.frames[which];
  const point =
    part === "aim"
      ? item.aim_m
      : part === "turn" || part === "head"
        ? facingPoint(item, part === "head", view)
        : item.position_m;
  const [x, y] = view.px(which, item.kind === "backdrop" && which !== PLAN ? [0, 1.5, point[2]] : point);
  const width = Math.max(...texts.map((text) => widthPx(text, 12, true))) + 18,
    height = texts.length * 16 + 10;
  // Keep to the side away from the mark, so that the sitter stays in sight.
  const [mx, my] = view.px(which, [0, 1.2, 0]);
  const left = Math.min(Math.max(x < mx ? x - width - 30 : x + 30, 4), Math.max(w - width - 4, 4));
  const covers = left < x + 24 && left + width > x - 24;
  const top = Math.min(Math.max(covers ? (y < my ? y - height - 34 : y + 40) : y - height / 2, 4), h - height - 4);
  return svg(
    "g",
    { class: "slip-note" },
    svg("rect", { x: left, y: top, width, height, rx: 2 }),
    texts.map((text, row) => words([left + 9, top + 17 + row * 16], text, { class: row ? "" : "first" })),
  );
}
