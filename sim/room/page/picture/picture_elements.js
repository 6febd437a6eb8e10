/** Texts, attributes and light tags of the picture side, changed only where they differ. */
import { el } from "../../../web/elements.js";

/** Set an element's text only where it changes, so that nothing is laid out or read out anew without need. */
export function setText(target, text) {
  if (target.textContent !== text) target.textContent = text;
}

/** Set or leave an attribute, only where it changes. */
export function setAttribute(target, name, value) {
  const wanted = value === false || value === null || value === undefined ? null : String(value);
  if (target.getAttribute(name) === wanted) return;
  if (wanted === null) target.removeAttribute(name);
  else target.setAttribute(name, wanted);
}

/** A light's numbered tag in its own ink, as on the plan; `hollow` where it is not heard. */
export function lightTag(light, number) {
  const tag = el("span", { class: "light-tag", "aria-hidden": "true", text: String(number) });
  tag.style.setProperty("--tag", light?.colour ?? "#565b62");
  return tag;
}

/** The tag number of each light by name, in the order of the file. */
export function numbersOf(view) {
  return Object.fromEntries(view.lights.map((light, index) => [light.name, light.number ?? index + 1]));
}
