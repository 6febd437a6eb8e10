/** Where a thing lands for a place of the pointer: within the room, to 5 cm and 5° but for the free hand. */
import { bearingDeg, floorPlace, roundTo } from "../measures.js";
import { isAround } from "./set_items.js";
import { PLAN } from "./set_view.js";

export const STEP_M = 0.05;
export const STEP_DEG = 5;
const FINE_M = 0.01;
const PART_PX = 13;

const within = (value, low, high) => Math.min(Math.max(value, low), high);

/**
 * Place of an item dragged to a world point.
 * @param {Item} item
 * @param {RoomBox} room
 */
export function placed(item, to, which, room, free) {
  const step = free ? FINE_M : STEP_M;
  const [x, y, z] = to.map((value, axis) =>
    within(value, room.low_m[axis] + (axis === 1 ? 0.05 : 0.02), room.high_m[axis] - 0.02),
  );
  if (item.kind === "backdrop") return [item.position_m[0], item.position_m[1], -Math.max(roundTo(-z, step), 0.1)];
  if (which !== PLAN) return [item.position_m[0], roundTo(y, step), item.position_m[2]];
  if (isAround(item)) {
    const deg = roundTo(bearingDeg(x, z), free ? 1 : STEP_DEG),
      away = Math.max(roundTo(Math.hypot(x, z), step), step);
    const [sx, sz] = floorPlace(deg, away);
    return [sx, item.position_m[1], sz];
  }
  return [roundTo(x, step), item.position_m[1], roundTo(z, step)];
}

/** One arrow key: along the ray or around the ring, whichever leads the way of the arrow on the sheet. */
export function nudged(item, [right, down], fine, from) {
  const step = fine ? FINE_M : STEP_M;
  const [x, y, z] = from;
  if (item.kind === "backdrop") return [x, y, Math.min(z + down * step, -0.1)];
  if (!isAround(item)) return [x + right * step, y, z + down * step];
  const away = Math.hypot(x, z) || 1e-9,
    ray = [x / away, z / away],
    ring = [z / away, -x / away];
  const along = right * ray[0] + down * ray[1],
    around = right * ring[0] + down * ring[1];
  const outward = Math.abs(along) >= Math.abs(around);
  const [sx, sz] = floorPlace(
    bearingDeg(x, z) + (outward ? 0 : Math.sign(around) * (fine ? 1 : STEP_DEG)),
    Math.max(away + (outward ? Math.sign(along) * step : 0), FINE_M),
  );
  return [sx, y, sz];
}

/**
 * An aim: a named part when the pointer is near one, else a point.
 * @returns {{aim_m: number[], aim_part: string | null}}
 * @param {Item} item
 */
export function aimed(item, to, which, pixel, view, parts, free) {
  if (!free) {
    let best = null,
      least = Infinity;
    for (const [name, point] of Object.entries(parts)) {
      const [x, y] = view.px(which, point),
        away = Math.hypot(x - pixel[0], y - pixel[1]);
      // Parts that lie over each other on paper are told apart by the height or the side the aim has now.
      const depth = Math.abs(which === PLAN ? point[1] - to[1] : point[0] - to[0]) * 12;
      if (away < PART_PX && away + depth < least) [least, best] = [away + depth, name];
    }
    if (best) return { aim_m: [...parts[best]], aim_part: best };
  }
  const step = free ? FINE_M : STEP_M;
  return { aim_m: to.map((value) => roundTo(value, step)), aim_part: null };
}
