// Controls, pictures and fitted texts, from the page's data.
// A labelled choice; `options` as [value, text, group].
import { el } from "../../web/elements.js";
import { axes, isFailed, measures, rows, set, settingsLine } from "./data.js";

export function choice(id, label, options, value, act) {
  const select = el("select", { id, onchange: () => act(select.value) });
  const groups = new Map();
  for (const [key, text, group] of options) {
    let home = select;
    if (group) {
      if (!groups.has(group)) {
        groups.set(group, el("optgroup", { label: group }));
        select.append(groups.get(group));
      }
      home = groups.get(group);
    }
    home.append(el("option", { value: key }, text));
  }
  select.value = value;
  return el("div", { class: "choice" }, el("label", { for: id }, label), select);
}
export const measureOptions = () => measures.map((measure) => [measure.key, measure.label, measure.group]);
export const axisOptions = () => axes.map((axis, k) => [String(k), axis.label]);

export const button = (text, act, props = {}) => el("button", { type: "button", ...props, onclick: act }, text);

export function picture(row, { eager = false } = {}) {
  if (!rows.picture[row]) return el("span", { class: "no-picture" }, isFailed(row) ? "failed" : "no picture");
  return el("img", {
    src: rows.picture[row],
    loading: eager ? "eager" : "lazy",
    decoding: "async",
    width: set.shape[0],
    height: set.shape[1],
    alt: `Picture of ${rows.id[row]}: ${settingsLine(row)}`,
  });
}

// Width of a text in the page's own lettering, px.
const pen = document.createElement("canvas").getContext("2d");
export function widthOf(text, size = 13, weight = 400) {
  pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
  return pen.measureText(text).width;
}
export function clipped(text, most, size = 13) {
  if (widthOf(text, size) <= most) return text;
  let length = text.length;
  while (length > 1 && widthOf(`${text.slice(0, length)}…`, size) > most) length -= 1;
  return `${text.slice(0, length)}…`;
}
