/** What stands on the set, as it is shown now: the last state with the gestures under way laid over it. */
import { bearingDeg, bearingWords, degreesText, metresText, tiltText } from "../measures.js";

/**
 * Items in drawing order, the backdrop first.
 * @param {RoomState} view
 * @param {Record<string, Partial<Item>>} places of gestures under way
 * @returns {Item[]}
 */
export function itemsFromState(view, places) {
  /** @type {Item[]} */
  const items = [];
  const put = (id, kind, what, data, more) => {
    const place = places[id] ?? {};
    items.push({ id, kind, what, data, fixed: data.movable === false, ...more, ...place, moving: id in places });
  };
  if (view.backdrop) {
    const { kind, width_m, height_m } = view.backdrop;
    const z = places.backdrop?.position_m[2] ?? view.backdrop.z_m;
    put("backdrop", "backdrop", ["backdrop"], view.backdrop, {
      name: "backdrop",
      position_m: view.backdrop.centre_m,
      aim_m: null,
      words: `Backdrop: ${kind} ${metresText(width_m)} by ${metresText(height_m)}, ${metresText(-z)} behind the mark.`,
    });
  }
  (view.panels ?? []).forEach((panel, index) =>
    put(`panel:${index}`, "panel", ["panel", panel.name], panel, {
      name: panel.name,
      position_m: panel.position_m,
      aim_m: panel.aim_m ?? null,
      words: `Panel ${panel.name}: ${panel.kind}, ${placeWords(panel.position_m)}.`,
    }),
  );
  const { sitter } = view;
  put("sitter", "sitter", ["sitter"], sitter, {
    name: "sitter",
    position_m: [sitter.step_m[0], 0, sitter.step_m[1]],
    aim_m: null,
    turn_deg: sitter.turn_deg,
    head_turn_deg: sitter.head_turn_deg,
    words:
      `Sitter: body turned ${degreesText(sitter.turn_deg)}, ` +
      `head ${degreesText(sitter.head_turn_deg)} against the body.`,
  });
  view.lights.forEach((light, index) => {
    if (!light.position_m) return;
    put(`light:${light.name}`, "light", ["light", light.name], light, {
      name: light.name,
      number: light.number ?? index + 1,
      position_m: light.position_m,
      aim_m: light.aim_m,
      words:
        `Light ${light.number ?? index + 1}, ${light.name}: ${light.words?.modifier ?? light.modifier?.kind ?? ""}, ` +
        `${placeWords(light.position_m)}, ${tiltText(light.tilt_deg ?? 0)}, aimed at ${aimWords(light.aim)}.` +
        (light.muted ? " Off." : ""),
    });
  });
  const { camera } = view;
  put("camera", "camera", ["camera"], camera, {
    name: "camera",
    position_m: camera.position_m,
    aim_m: camera.aim_m,
    words: `Camera: ${placeWords(camera.position_m)}, ${Math.round(camera.focal_length_mm)} mm lens.`,
  });
  return items;
}

/** @param {number[]} place */
export function placeWords([x, y, z]) {
  const bearing = bearingDeg(x, z);
  const where = `${degreesText(bearing)} (${bearingWords(bearing)})`;
  return `${metresText(Math.hypot(x, z))} from the mark at ${where}, ${metresText(y)} high`;
}

export const aimWords = (aim) => (typeof aim === "string" ? `the ${aim}` : "a point");

/** Whether the file says an item's place as a bearing and a distance. */
export const isAround = (item) =>
  (item.kind === "light" || item.kind === "panel" || item.kind === "camera") &&
  (item.data.around ?? item.data.block?.place?.bearing !== undefined);

/**
 * The edit that puts an item where it is shown.
 * @type {(item: Item, to: number[]) => Edit}
 */
export const moveEdit = (item, to) => ({
  op: "move",
  what: item.what,
  to_m: /** @type {Point} */ (to.map((value) => Math.round(value * 1e4) / 1e4)),
});

/** Bearing in degrees of the sitter's chest, or of the face with `head`. */
export function facing(item, head = false) {
  return item.turn_deg + (head ? item.head_turn_deg : 0);
}
