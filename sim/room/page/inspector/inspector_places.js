/** Fields that several slips share: the heading, where a thing stands, where it looks. */
import { el } from "../../../web/elements.js";
import { choiceField, textField } from "./inspector_fields.js";
import { isAround, moveEdit } from "../set/set_items.js";
import {
  bearingDeg,
  bearingWords,
  degreesFromText,
  degreesText,
  distance,
  feetText,
  floorPlace,
  metresFromText,
  metresText,
  tiltText,
} from "../measures.js";

export const wordButton = (title, call, kind = "") =>
  el("button", { class: `small quiet ${kind}`, type: "button", "data-key": title, onclick: call }, title);

/**
 * A heading with the light's tag.
 * @param {Item} first
 */
export function headLine(first) {
  const tag =
    first.kind === "light" ? el("span", { class: "badge", "aria-hidden": "true" }, String(first.number)) : null;
  if (tag) tag.style.setProperty("--light", first.data.colour);
  const name = el("span", {}, first.name);
  return {
    node: el("h3", { class: "ticket-head" }, tag, name),
    refresh(item) {
      name.textContent = item.name;
      if (tag) tag.textContent = String(item.number);
    },
  };
}

const LENGTH = "Write a length such as 1.70 m, 170 cm or 5 ft 7 in.";
const ANGLE = "Write an angle such as -45°.";

/**
 * Bearing, floor distance and height of a thing, whichever way the file says its place.
 * @param {Room} room
 */
export function placeFields(room, path) {
  const { link } = room;
  let now = null;
  const parts = () => {
    const [x, y, z] = now.position_m;
    return { deg: bearingDeg(x, z), away: Math.hypot(x, z), y };
  };
  function put(change) {
    const { deg, away, y } = { ...parts(), ...change };
    const [x, z] = floorPlace(deg, away);
    return link.edit([moveEdit(now, [x, y, z])], null, { quiet: true });
  }
  const set = (key, value) => link.edit([{ op: "set", path: [...path, key], value }], null, { quiet: true });
  const length = (text) => (metresFromText(text) === null && !isAround(now) ? LENGTH : null);
  const bearing = textField({
    label: "Bearing",
    unit: "°",
    hint: "0° toward the camera, positive toward camera right, 180° behind",
    value: (item) => degreesText(bearingDeg(item.position_m[0], item.position_m[2])),
    check: (text) => (degreesFromText(text) === null && !isAround(now) ? ANGLE : null),
    send: (text) => (isAround(now) ? set("bearing", text) : put({ deg: degreesFromText(text) })),
  });
  const away = textField({
    label: "Distance",
    unit: "m",
    hint: "along the floor from the mark",
    value: (item) => metresText(Math.hypot(item.position_m[0], item.position_m[2])),
    check: length,
    send: (text) => (isAround(now) ? set("distance", text) : put({ away: metresFromText(text) })),
  });
  const height = textField({
    label: "Height",
    unit: "m",
    hint: "of the middle of the front above the floor",
    value: (item) => metresText(item.position_m[1]),
    check: length,
    send: (text) => (isAround(now) ? set("height", text) : put({ y: metresFromText(text) })),
  });
  const note = el("p", { class: "note" });
  return {
    node: el("div", { class: "triple" }, bearing.node, away.node, height.node),
    note,
    refresh(item) {
      now = item;
      for (const each of [bearing, away, height]) each.refresh(item);
      const { deg, away: reach, y } = parts();
      const aim = item.aim_m ? `; ${aimText(item.position_m, item.aim_m)}` : "";
      note.textContent = `${bearingWords(deg)}, ${feetText(reach)}, ${feetText(y)} high${aim}`;
    },
  };
}

/** How far away its aim is, and how far up or down. */
function aimText(position_m, aim_m) {
  const length = distance(position_m, aim_m);
  const tilt_deg = (Math.asin((aim_m[1] - position_m[1]) / (length || 1)) * 180) / Math.PI;
  return `${metresText(length)} to its aim, ${tiltText(tilt_deg)}`;
}

/**
 * What a thing looks at.
 * @param {Room} room
 * @param {Item} first
 */
export function aimField(room, first) {
  const { store, link } = room;
  const { view } = store.get();
  const names = view.choices?.aim_parts ?? Object.keys(view.sitter?.parts ?? {});
  const field = choiceField({
    label: "Aimed at",
    options: () => names.map((name) => [name, name]),
    value: (item) => item.aim_part ?? (typeof item.data.aim === "string" ? item.data.aim : "a point"),
    send: (name) => link.edit([{ op: "aim", what: first.what, at: name }], null, { quiet: true }),
  });
  return field;
}
