/** Outlines in metres that follow from where things stand: beams, the field of view, the camera's body. */
import { PLAN, flat } from "./set_view.js";

const NARROW_DEG = 50;
const SOFT_FAN_M = 0.55;
const DEG = Math.PI / 180;

const minus = (a, b) => a.map((value, i) => value - b[i]);
const plus = (a, b, s = 1) => a.map((value, i) => value + s * b[i]);
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const unit = (a) => {
  const n = Math.hypot(...a) || 1;
  return a.map((value) => value / n);
};

/**
 * Unit directions of a thing that looks at its aim: ahead, across (level) and up.
 * @param {Item} item
 */
export function frameAlong(item) {
  const ahead = unit(minus(item.aim_m ?? plus(item.position_m, [0, 0, 1]), item.position_m));
  const level = cross([0, 1, 0], ahead);
  const across = Math.hypot(...level) > 1e-6 ? unit(level) : [1, 0, 0];
  return { ahead, across, up: cross(ahead, across) };
}

/**
 * The beam between its directions of half intensity in world points: to the aim point when narrow, else a short fan;
 * null for a bulb that lights all round. The same drawing as the printed plan's.
 * @param {Item} item
 */
export function beamOutline(item, which) {
  const [across_deg, up_deg] = item.data.beam_deg ?? [60, 60];
  const full = which === PLAN ? across_deg : up_deg;
  if (full >= 359) return null;
  const { ahead, across, up } = frameAlong(item);
  const side = which === PLAN ? across : up;
  const half = (Math.min(full, 170) / 2) * DEG;
  const aimDistance = Math.hypot(...minus(item.aim_m, item.position_m));
  const reach = full <= NARROW_DEG ? aimDistance : Math.min(SOFT_FAN_M, aimDistance);
  const halfSize = ((which === PLAN ? item.data.size_m?.[0] : item.data.size_m?.[1]) ?? 0.1) / 2;
  const ends = [plus(item.position_m, side, -halfSize), plus(item.position_m, side, halfSize)];
  const points = [ends[0]];
  for (let k = 0; k <= 16; k++) {
    const bend = -half + (2 * half * k) / 16,
      t = k / 16;
    const foot = ends[0].map((value, i) => value + t * (ends[1][i] - value));
    points.push(foot.map((value, i) => value + reach * (Math.cos(bend) * ahead[i] + Math.sin(bend) * side[i])));
  }
  return [...points, ends[1]];
}

/**
 * What the lens sees as a triangle from the camera to the far wall, in world points.
 * @param {RoomBox} room
 */
export function wedgeOfView(camera, fov_deg, which, room) {
  const full = fov_deg[which === PLAN ? 0 : 1];
  const start = flat(which, camera.position_m);
  const ahead = unit(minus(flat(which, camera.aim_m), start));
  const low = flat(which, room.low_m),
    high = flat(which, room.high_m);
  const ends = [-1, 1].map((sign) => {
    const angle = (sign * full * DEG) / 2;
    const way = [
      ahead[0] * Math.cos(angle) - ahead[1] * Math.sin(angle),
      ahead[0] * Math.sin(angle) + ahead[1] * Math.cos(angle),
    ];
    const reach = Math.min(
      ...way.map((value, i) => {
        const far = value > 0 ? Math.max(low[i], high[i]) : Math.min(low[i], high[i]);
        return Math.abs(value) < 1e-9 ? Infinity : (far - start[i]) / value;
      }),
    );
    return [start[0] + way[0] * Math.max(reach, 0), start[1] + way[1] * Math.max(reach, 0)];
  });
  /** @param {number[]} place */
  const world = ([u, v]) => (which === PLAN ? [u, 0, v] : [0, -v, -u]);
  return [camera.position_m, world(ends[0]), world(ends[1])];
}

/** The camera's body and barrel in pixels, its lens at `at`, looking toward `aim`. */
export function cameraOutline(at, aim, which) {
  const length = Math.hypot(aim[0] - at[0], aim[1] - at[1]);
  const way = length > 1 ? [(aim[0] - at[0]) / length, (aim[1] - at[1]) / length] : [0, which === PLAN ? -1 : 0];
  const point = (a, b) => [at[0] + a * way[0] - b * way[1], at[1] + a * way[1] + b * way[0]];
  const body = [
      [-18, -11],
      [-6, -11],
      [-6, 11],
      [-18, 11],
    ],
    barrel = [
      [-6, -6],
      [0, -6],
      [0, 6],
      [-6, 6],
    ];
  return { body: body.map(([a, b]) => point(a, b)), barrel: barrel.map(([a, b]) => point(a, b)) };
}

/**
 * Outlines from above, turned along with a light whose aim line has turned since the state was told.
 * @param {Item} item
 */
export function rotatedTop(item, outlines) {
  if (!item.moving || !item.aim_m) return outlines;
  const bearing = (from, to) => Math.atan2(to[0] - from[0], to[2] - from[2]);
  const turn = bearing(item.position_m, item.aim_m) - bearing(item.data.position_m, item.data.aim_m);
  const c = Math.cos(turn),
    s = Math.sin(turn);
  return outlines.map((outline) => outline.map(([x, z]) => [x * c + z * s, -x * s + z * c]));
}
