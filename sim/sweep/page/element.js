// Elements built from text alone: nothing that comes from the data is ever read as markup.
const SVG_NAME = "http://www.w3.org/2000/svg";

function filled(node, props, children) {
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") for (const [kind, act] of Object.entries(value)) node.addEventListener(kind, act);
    else if (name === "style") for (const [k, v] of Object.entries(value)) node.style.setProperty(k, v);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}
const el = (tag, props = {}, ...children) => filled(document.createElement(tag), props, children);
const svg = (tag, props = {}, ...children) => filled(document.createElementNS(SVG_NAME, tag), props, children);

// -- controls --------------------------------------------------------------------------------------------------------

// A labelled choice; `options` as [value, text, group].
function choice(id, label, options, value, act) {
  const select = el("select", { id, on: { change: () => act(select.value) } });
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
const measureOptions = () => measures.map((measure) => [measure.key, measure.label, measure.group]);
const axisOptions = () => axes.map((axis, k) => [String(k), axis.label]);

const button = (text, act, props = {}) => el("button", { type: "button", ...props, on: { click: act } }, text);

function picture(row, { eager = false } = {}) {
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
function widthOf(text, size = 13, weight = 400) {
  pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
  return pen.measureText(text).width;
}
function clipped(text, most, size = 13) {
  if (widthOf(text, size) <= most) return text;
  let length = text.length;
  while (length > 1 && widthOf(`${text.slice(0, length)}…`, size) > most) length -= 1;
  return `${text.slice(0, length)}…`;
}
