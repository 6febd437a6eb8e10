/**
 * How the room lies on the sheet: the plan (x to the right, z down) and the side elevation (camera left, heights up)
 * share one scale in pixels per metre; each has its own centre.
 */

const ROOM_ENOUGH_M = 10;
const LEAST_PX_PER_M = 14;
const MOST_PX_PER_M = 420;

export const PLAN = "plan";
export const SIDE = "side";

/** The two paper axes of a world point in metres: right, then down. */
export function flat(which, point) {
  return which === PLAN ? [point[0], point[2]] : [-point[2], -point[1]];
}

export function createView() {
  const view = {
    scale: 50,
    moved: false,
    frames: { [PLAN]: { width: 1, height: 1, centre: [0, 0] }, [SIDE]: { width: 1, height: 1, centre: [0, 0] } },
    px,
    metres,
    toWorld,
    fit,
    shares,
    zoomAt,
    pan,
    resize,
    step: 0.05,
  };

  function px(which, point) {
    const { width, height, centre } = view.frames[which];
    const [u, v] = flat(which, point);
    return [width / 2 + (u - centre[0]) * view.scale, height / 2 + (v - centre[1]) * view.scale];
  }

  /** Paper axes in metres of a pixel of a frame. */
  function metres(which, [x, y]) {
    const { width, height, centre } = view.frames[which];
    return [centre[0] + (x - width / 2) / view.scale, centre[1] + (y - height / 2) / view.scale];
  }

  /** World point of a pixel, what the frame cannot tell taken from `keep`. */
  function toWorld(which, pixel, keep) {
    const [u, v] = metres(which, pixel);
    return which === PLAN ? [u, keep[1], v] : [keep[0], -v, -u];
  }

  /**
   * Show the whole room, or in a large room the part that is in use.
   * @param {RoomState} state
   */
  function fit(state, margins) {
    const { low, high } = shownBox(state);
    const spans = { [PLAN]: [high[0] - low[0], high[2] - low[2]], [SIDE]: [high[2] - low[2], high[1] - low[1]] };
    const fits = [];
    for (const which of [PLAN, SIDE]) {
      const frame = view.frames[which],
        margin = margins[which];
      if (frame.width < 20 || frame.height < 20) continue;
      fits.push(
        (frame.width - margin[1] - margin[3]) / spans[which][0],
        (frame.height - margin[0] - margin[2]) / spans[which][1],
      );
    }
    if (!fits.length) return;
    view.scale = Math.min(Math.max(Math.min(...fits), LEAST_PX_PER_M), MOST_PX_PER_M);
    const middle = low.map((value, axis) => (value + high[axis]) / 2);
    for (const which of [PLAN, SIDE]) {
      const margin = margins[which];
      const [u, v] = flat(which, middle);
      view.frames[which].centre = [
        u + (margin[1] - margin[3]) / 2 / view.scale,
        v + (margin[2] - margin[0]) / 2 / view.scale,
      ];
    }
    view.moved = false;
  }

  /**
   * Heights in pixels that plan and side want of a column, one above the other at the scale that fits both.
   * @returns {{plan: number, side: number} | null}
   */
  function shares(state, [width, height], margins) {
    const { low, high } = shownBox(state);
    const [across, tall, deep] = low.map((value, axis) => high[axis] - value);
    const edges = (which) => [margins[which][1] + margins[which][3], margins[which][0] + margins[which][2]];
    const [planX, planY] = edges(PLAN),
      [sideX, sideY] = edges(SIDE);
    const scale = Math.min(
      (height - planY - sideY) / (deep + tall),
      (width - planX) / across,
      (width - sideX) / deep,
    );
    return scale > 0 ? { plan: deep * scale + planY, side: tall * scale + sideY } : null;
  }

  /** Zoom by a factor so that what is under a pixel stays there; the other drawing keeps its centre. */
  function zoomAt(which, pixel, factor) {
    const before = metres(which, pixel);
    view.scale = Math.min(Math.max(view.scale * factor, LEAST_PX_PER_M), MOST_PX_PER_M);
    const after = metres(which, pixel);
    const { centre } = view.frames[which];
    view.frames[which].centre = [centre[0] + before[0] - after[0], centre[1] + before[1] - after[1]];
    view.moved = true;
  }

  function pan(which, dx, dy) {
    const { centre } = view.frames[which];
    view.frames[which].centre = [centre[0] - dx / view.scale, centre[1] - dy / view.scale];
    view.moved = true;
  }

  function resize(which, width, height) {
    Object.assign(view.frames[which], { width, height });
  }

  return view;
}

/**
 * Corners in metres of what is to be seen: the room, or where all stands with a margin.
 * @param {RoomState} state
 */
function shownBox(state) {
  const { low_m: low, high_m: high } = state.room;
  if (high[0] - low[0] <= ROOM_ENOUGH_M && high[2] - low[2] <= ROOM_ENOUGH_M) return { low, high };
  const points = [state.camera.position_m, [state.sitter.step_m[0], 0, state.sitter.step_m[1]]];
  for (const light of state.lights) if (light.position_m) points.push(light.position_m, light.aim_m);
  for (const panel of state.panels ?? []) if (panel.position_m) points.push(panel.position_m);
  const near = [0, 1, 2].map((axis) => Math.max(low[axis], Math.min(...points.map((p) => p[axis])) - 0.8));
  const far = [0, 1, 2].map((axis) => Math.min(high[axis], Math.max(...points.map((p) => p[axis])) + 0.8));
  near[1] = low[1];
  far[1] = high[1];
  return { low: near, high: far };
}
