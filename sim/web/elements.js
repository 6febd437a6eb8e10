/**
 * Make elements in one expression. Nothing that is given here is ever read as markup.
 *
 * An attribute that is null, undefined or false is left out, true stands empty; `onclick` and its like take a function,
 * `text` the element's text, `style` an object of properties. Children are elements or text, in lists of any depth.
 */

const SVG = "http://www.w3.org/2000/svg";

const isThere = (value) => value !== null && value !== undefined && value !== false;

/**
 * @typedef {Record<string, any> | null} Attributes
 * @typedef {Node | string | null | undefined | false | Child[]} Child
 */

/**
 * @template {HTMLElement | SVGElement} N
 * @param {N} node
 * @param {Attributes | undefined} attributes
 * @param {any[]} children
 * @returns {N}
 */
function build(node, attributes, children) {
  for (const [key, value] of Object.entries(attributes ?? {})) {
    if (!isThere(value)) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key === "text") node.textContent = value;
    else if (key === "style") for (const [name, v] of Object.entries(value)) node.style.setProperty(name, v);
    else node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(...children.flat(Infinity).filter(isThere));
  return node;
}

/**
 * An HTML element: `el("button", {class: "quiet", onclick: call}, "Undo")`.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Attributes} [attributes]
 * @param {...any} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export const el = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);

/**
 * An SVG element.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Attributes} [attributes]
 * @param {...any} children
 * @returns {SVGElementTagNameMap[K]}
 */
export const svg = (tag, attributes, ...children) => build(document.createElementNS(SVG, tag), attributes, children);

/**
 * A line through points, or the polygon that they enclose.
 * @param {number[][]} points
 * @param {Attributes} attributes
 * @returns {SVGElement}
 */
export const path = (points, attributes, closed = false) => svg(closed ? "polygon" : "polyline", {
  points: points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" "), ...attributes,
});

/** @type {(from: number[], to: number[], attributes?: Attributes) => SVGElement} */
export const line = ([x1, y1], [x2, y2], attributes) =>
  svg("line", { x1: x1.toFixed(1), y1: y1.toFixed(1), x2: x2.toFixed(1), y2: y2.toFixed(1), ...attributes });

/** @type {(middle: number[], r: number | string, attributes?: Attributes) => SVGElement} */
export const disc = ([cx, cy], r, attributes) =>
  svg("circle", { cx: cx.toFixed(1), cy: cy.toFixed(1), r, ...attributes });

/** @type {(place: number[], text: string, attributes?: Attributes) => SVGElement} */
export const words = ([x, y], text, attributes) =>
  svg("text", { x: x.toFixed(1), y: y.toFixed(1), ...attributes }, text);
