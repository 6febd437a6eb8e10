/** Names beside things, where there is room for them; a label stays where it was unless that gets worse. */
import { line, svg, words } from "../../../web/elements.js";
import { bearingDeg, degreesText, metresText, tiltText } from "../measures.js";
import { PLAN } from "./set_view.js";

const SIZE_PX = [12.5, 11.5];
const LEADING_PX = 14;
const pen = document.createElement("canvas").getContext("2d");

const widths = new Map();
let family = "";

/** Width of a line of type, measured once. */
export function widthPx(text, size, bold) {
  const key = `${bold ? "b" : ""}${size}|${text}`;
  if (!widths.has(key)) {
    if (widths.size > 2000) widths.clear();
    family ||= getComputedStyle(document.body).fontFamily;
    pen.font = `${bold ? 600 : 400} ${size}px ${family}`;
    widths.set(key, pen.measureText(text).width);
  }
  return widths.get(key);
}

/**
 * What a label says of a thing: its name, then what one would measure.
 * @param {Item} item
 */
export function labelLines(item, which, selected, roomy) {
  if (item.kind === "sitter" || item.kind === "backdrop") return null;
  const [x, y, z] = item.position_m;
  const name = item.name + (item.kind === "light" && item.data.muted ? " (off)" : "");
  if (!roomy && !selected) return [name];
  if (item.kind === "panel" && !selected) return [name];
  const measures =
    which === PLAN
      ? `${metresText(Math.hypot(x, z))} · ${degreesText(bearingDeg(x, z))}`
      : `${metresText(y)}${item.kind === "light" ? ` · ${tiltText(item.data.tilt_deg ?? 0)}` : ""}`;
  return [name, measures];
}

const overlap = (a, b, pad = 1) => a[0] < b[2] + pad && b[0] < a[2] + pad && a[1] < b[3] + pad && b[1] < a[3] + pad;

/**
 * Draw labels.
 * @param {SVGElement} layer
 * @param {{id: string, at: number[], gap: number, lines: string[]}[]} labels what to place around which
 *   pixel, the first ones first
 * @param {Array<number[]>} blocked boxes [left, top, right, bottom] to keep free
 * @param {Array<number[]>} crossing points that a label rather keeps off
 * @param {number[]} size of the frame
 * @param {Map} kept places of the last drawing, brought up to date
 */
export function drawLabels(layer, labels, blocked, crossing, size, kept) {
  const taken = [];
  const nodes = [];
  for (const label of labels) {
    const width = Math.max(...label.lines.map((text, row) => widthPx(text, SIZE_PX[row ? 1 : 0], row === 0))) + 2;
    const height = LEADING_PX * label.lines.length + 1;
    let best = null,
      least = Infinity;
    for (const further of [0, 6, 14, 26, 42, 64]) {
      for (let turn = 0; turn < 16; turn++) {
        const angle = (turn * Math.PI) / 8,
          way = [Math.cos(angle), Math.sin(angle)];
        const x = label.at[0] + way[0] * (label.gap + further) + ((way[0] - 1) / 2) * width;
        const y = label.at[1] + way[1] * (label.gap + further) + ((way[1] - 1) / 2) * height;
        const box = [x, y, x + width, y + height];
        if (x < 2 || y < 2 || box[2] > size[0] - 2 || box[3] > size[1] - 2) continue;
        const key = `${further}:${turn}`;
        let cost = further + (kept.get(label.id) === key ? -14 : 0);
        for (const other of taken) if (overlap(box, other, 2)) cost += 300;
        for (const other of blocked) if (overlap(box, other, 1)) cost += 46;
        for (const [px, py] of crossing)
          if (px > x - 1 && px < box[2] + 1 && py > y - 1 && py < box[3] + 1) cost += 2.2;
        if (cost < least) [least, best] = [cost, { box, key, further }];
      }
    }
    if (!best) continue;
    kept.set(label.id, best.key);
    taken.push(best.box);
    nodes.push(labelNode(label, best.box, best.further));
  }
  layer.replaceChildren(...nodes);
}

function labelNode(label, box, further) {
  const near = [Math.min(Math.max(label.at[0], box[0]), box[2]), Math.min(Math.max(label.at[1], box[1]), box[3])];
  const right = label.at[0] > (box[0] + box[2]) / 2 + 4;
  const group = svg("g", { class: "label", "aria-hidden": "true", "data-label": label.id });
  if (further > 10) {
    const away = [near[0] - label.at[0], near[1] - label.at[1]],
      reach = Math.hypot(...away);
    group.append(
      line(
        [label.at[0] + (away[0] / reach) * (label.gap - 2), label.at[1] + (away[1] / reach) * (label.gap - 2)],
        near,
        { class: "leader" },
      ),
    );
  }
  label.lines.forEach((text, row) =>
    group.append(
      words([right ? box[2] : box[0], box[1] + LEADING_PX * row + 11], text, {
        class: row ? "measure" : "name",
        "text-anchor": right ? "end" : "start",
      }),
    ),
  );
  return group;
}
