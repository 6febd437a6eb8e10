/** The set as ink lines: one function for each kind of thing, seen from above or from the side. */
import { disc, line, path, svg, words } from "../../../web/elements.js";
import { beamOutline, cameraOutline, frameAlong, rotatedTop, wedgeOfView } from "./set_shapes.js";
import { facing } from "./set_items.js";
import { PLAN, SIDE, flat } from "./set_view.js";

const FACING_M = 0.62;
const HEAD_FACING_M = 0.42;
export const TAG_PX = 10.5;

/**
 * The room's walls, floor, levels and ticks; the compass around the mark.
 * @param {RoomState} state
 */
export function drawRoom(layer, which, view, state) {
  const { low_m: low, high_m: high } = state.room;
  const to = (x, y, z) => view.px(which, [x, y, z]);
  const nodes = [];
  if (which === PLAN) {
    const corners = [to(low[0], 0, low[2]), to(high[0], 0, low[2]), to(high[0], 0, high[2]), to(low[0], 0, high[2])];
    nodes.push(path(corners, { class: state.room.open ? "level" : "wall" }, true));
    for (let m = Math.ceil(low[0]); m <= high[0]; m++)
      nodes.push(tick(to(m, 0, low[2]), 0, 6), tick(to(m, 0, high[2]), 0, -6));
    for (let m = Math.ceil(low[2]); m <= high[2]; m++)
      nodes.push(tick(to(low[0], 0, m), 6, 0), tick(to(high[0], 0, m), -6, 0));
    const mark = to(0, 0, 0),
      radius = FACING_M * view.scale;
    nodes.push(disc(mark, radius.toFixed(1), { class: "compass" }));
    for (let deg = -150; deg <= 180; deg += 30) {
      const way = [Math.sin((deg * Math.PI) / 180), Math.cos((deg * Math.PI) / 180)];
      const at = (r) => [mark[0] + way[0] * r, mark[1] + way[1] * r];
      nodes.push(line(at(radius - 2), at(radius + (deg % 90 ? 3 : 5)), { class: "tick" }));
    }
  } else {
    const corners = [to(0, low[1], high[2]), to(0, low[1], low[2]), to(0, high[1], low[2]), to(0, high[1], high[2])];
    for (let m = 1; m < high[1]; m++) {
      nodes.push(line(to(0, m, high[2]), to(0, m, low[2]), { class: "level" }));
      const [x, y] = to(0, m, high[2]);
      nodes.push(words([x - 5, y + 3.5], `${m} m`, { class: "axis", "text-anchor": "end" }));
    }
    if (!state.room.open) nodes.push(path(corners, { class: "wall" }, true));
    nodes.push(line(to(0, 0, high[2]), to(0, 0, low[2]), { class: "floor" }));
  }
  layer.replaceChildren(...nodes);
}

const tick = ([x, y], dx, dy) => line([x, y], [x + dx, y + dy], { class: "tick" });

/**
 * What the lens sees, and the beams of the lights: all that lies under the things, each in a group of its own.
 * @param {RoomState} state
 * @param {Item[]} items
 * @param {Store} store
 * @param {Item | null} moved the only one whose group is to be drawn anew, where there are groups already
 */
export function drawLightways(layer, which, view, state, items, selection, store, moved = null) {
  const ways = items.filter(({ kind, aim_m }) => kind === "camera" || (kind === "light" && aim_m));
  const nodesOf = (item) => {
    if (item.kind === "light") return beam(item, which, view, item.id === selection, !store.isHeard(item.name));
    const wedge = wedgeOfView(item, state.camera.fov_deg, which, state.room).map((p) => view.px(which, p));
    return [path(wedge, { class: "sees" }, true)];
  };
  if (moved) return layer.children[order(ways).indexOf(moved)]?.replaceChildren(...nodesOf(moved));
  layer.replaceChildren(...order(ways).map((item) => svg("g", {}, ...nodesOf(item))));
}

/** The camera's wedge lies under the beams. */
const order = (ways) => [...ways].sort((a, b) => Number(b.kind === "camera") - Number(a.kind === "camera"));

/** @param {Item} item */
function beam(item, which, view, chosen, off) {
  const classes = `${off ? " off" : ""}${chosen ? " chosen" : ""}`;
  const outline = beamOutline(item, which);
  const position = view.px(which, item.position_m);
  const aim = line(position, view.px(which, item.aim_m), { class: `aim${classes}`, stroke: item.data.colour });
  if (!outline) return [...rays(position, Math.max(13, 0.3 * view.scale), classes), aim];
  return [path(outline.map((p) => view.px(which, p)), { class: `beam${classes}` }, true), aim];
}

function rays(at, radius, classes) {
  const found = [disc(at, radius.toFixed(1), { class: `beam${classes}` })];
  for (let deg = 0; deg < 360; deg += 30) {
    const way = [Math.cos((deg * Math.PI) / 180), Math.sin((deg * Math.PI) / 180)];
    found.push(
      line(
        [at[0] + way[0] * radius * 0.5, at[1] + way[1] * radius * 0.5],
        [at[0] + way[0] * radius, at[1] + way[1] * radius],
        { class: `ray${classes}` },
      ),
    );
  }
  return found;
}

/**
 * Nodes of one item; the caller puts them into the item's own group.
 * @param {Item} item
 * @param {RoomState} state
 */
export function drawItem(item, which, view, state) {
  return { light: drawLight, sitter: drawSitter, camera: drawCamera, backdrop: drawBackdrop, panel: drawPanel }[
    item.kind
  ](item, which, view, state);
}

/** @param {Item} item */
function drawLight(item, which, view) {
  const { data } = item;
  const nodes = [];
  const moved = (outline) => outline.map(([a, b]) => offsetPx(which, view, item.position_m, [a, b]));
  if (which === SIDE && data.stand !== "none") nodes.push(...stand(item, view));
  const outlines = which === PLAN ? rotatedTop(item, data.shape_top ?? []) : (data.shape_side ?? []);
  outlines.forEach((outline, index) =>
    nodes.push(path(moved(outline), { class: index === outlines.length - 1 ? "front" : "housing" }, true)),
  );
  const at = view.px(which, item.position_m);
  const { across, up } = frameAlong(item);
  const axis = which === PLAN ? across : up;
  const half = (which === PLAN ? data.size_m?.[0] : data.size_m?.[1]) / 2 || 0.05;
  const ends = [-half, half].map((s) =>
    view.px(
      which,
      item.position_m.map((value, i) => value + s * axis[i]),
    ),
  );
  nodes.push(line(ends[0], ends[1], { class: "face", stroke: data.colour }), disc(at, 2, { class: "centre" }));
  return nodes;
}

/** Pixel of a point given as paper metres (x, z from above; z, y from the side) from a world point. */
function offsetPx(which, view, position, [a, b]) {
  const world =
    which === PLAN ? [position[0] + a, position[1], position[2] + b] : [position[0], position[1] + b, position[2] + a];
  return view.px(which, world);
}

/** @param {Item} item */
function stand(item, view) {
  const { ahead } = frameAlong(item);
  const back = item.position_m.map((value, i) => value - 0.22 * ahead[i]);
  const foot = [back[0], 0, back[2]],
    hub = [back[0], Math.min(0.5, back[1]), back[2]];
  const to = (p) => view.px(SIDE, p);
  const nodes = [line(to(back), to(foot), { class: "tube" })];
  for (const z of [-0.4, 0.4]) nodes.push(line(to(hub), to([foot[0], 0, foot[2] + z]), { class: "leg" }));
  return nodes;
}

/** @param {Item} item */
function drawSitter(item, which, view) {
  const { data, position_m: at } = item;
  const step = data.step_m;
  const nodes = [];
  // The outlines are where the state has the sitter: carry them along a gesture.
  const turn = ((item.turn_deg - data.turn_deg) * Math.PI) / 180;
  const carried = ([x, z]) => {
    const dx = x - step[0],
      dz = z - step[1];
    return [at[0] + dx * Math.cos(turn) + dz * Math.sin(turn), 0, at[2] - dx * Math.sin(turn) + dz * Math.cos(turn)];
  };
  if (which === PLAN) {
    (data.outline_top ?? []).forEach((outline, index) =>
      nodes.push(
        path(
          outline.map((p) => view.px(which, carried(p))),
          { class: `sitter band${index}` },
          true,
        ),
      ),
    );
    for (const head of [false, true]) nodes.push(...arrow(item, head, view));
    const [x, y] = view.px(which, [0, 0, 0]);
    nodes.push(line([x - 5, y], [x + 5, y], { class: "mark" }), line([x, y - 5], [x, y + 5], { class: "mark" }));
  } else {
    for (const outline of data.outline_side ?? []) {
      nodes.push(
        path(
          outline.map(([z, y]) => view.px(which, [0, y, z + at[2] - step[1]])),
          { class: "sitter" },
          true,
        ),
      );
    }
  }
  return nodes;
}

/**
 * Where the handle that turns the sitter sits: the end of the chest's arrow, or of the face's.
 * @param {Item} item
 */
export function facingPoint(item, head, view) {
  // Far enough apart to be taken hold of at any scale.
  const angle = (facing(item, head) * Math.PI) / 180,
    reach = head ? Math.max(HEAD_FACING_M, 24 / view.scale) : Math.max(FACING_M, 48 / view.scale);
  return [item.position_m[0] + reach * Math.sin(angle), 0, item.position_m[2] + reach * Math.cos(angle)];
}

/** @param {Item} item */
function arrow(item, head, view) {
  const start = view.px(PLAN, item.position_m),
    end = view.px(PLAN, facingPoint(item, head, view));
  const length = Math.hypot(end[0] - start[0], end[1] - start[1]) || 1;
  const way = [(end[0] - start[0]) / length, (end[1] - start[1]) / length],
    size = head ? 6 : 8;
  const base = [end[0] - way[0] * size, end[1] - way[1] * size];
  const tip = [
    end,
    [base[0] - way[1] * size * 0.45, base[1] + way[0] * size * 0.45],
    [base[0] + way[1] * size * 0.45, base[1] - way[0] * size * 0.45],
  ];
  return [line(start, base, { class: head ? "head-way" : "body-way" }), path(tip, { class: "way-head" }, true)];
}

/** @param {Item} item */
function drawCamera(item, which, view) {
  const at = view.px(which, item.position_m),
    aim = view.px(which, item.aim_m);
  const { body, barrel } = cameraOutline(at, aim, which);
  return [path(body, { class: "camera" }, true), path(barrel, { class: "barrel" }, true)];
}

/** @param {Item} item */
function drawBackdrop(item, which, view) {
  const {
    width_m: width,
    height_m: height,
    centre_m: [x, y],
  } = item.data;
  const z = item.position_m[2];
  const ends =
    which === PLAN
      ? [
          [x - width / 2, 0, z],
          [x + width / 2, 0, z],
        ]
      : [
          [x, y - height / 2, z],
          [x, y + height / 2, z],
        ];
  const [a, b] = ends.map((p) => view.px(which, p));
  const reach = which === PLAN ? [0, 11] : [11, 0];
  const grip = [
    [a, -1],
    [b, -1],
    [b, 1],
    [a, 1],
  ].map(([[x1, y1], sign]) => [x1 + sign * reach[0], y1 + sign * reach[1]]);
  return [path(grip, { class: "grip" }, true), line(a, b, { class: "backdrop" })];
}

/** @param {Item} item */
function drawPanel(item, which, view) {
  const { data } = item;
  const shapes = data[which === PLAN ? "shape_top" : "shape_side"] ?? [];
  const nodes = [];
  for (const outline of shapes) {
    const points = outline.map((p) => offsetPx(which, view, item.position_m, p));
    nodes.push(
      path(points, { class: "grip" }, true),
      path(points, { class: `panel ${data.kind.replace(" ", "-")} ${data.surface ?? ""}` }, true),
    );
  }
  if (!shapes.length && data.corners_m) {
    const shift = item.position_m.map((value, i) => value - data.position_m[i]);
    const points = data.corners_m.map((corner) =>
      view.px(
        which,
        corner.map((value, i) => value + shift[i]),
      ),
    );
    nodes.push(
      path(points, { class: "grip" }, true),
      path(points, { class: `panel ${data.kind.replace(" ", "-")} ${data.surface ?? ""}` }, true),
    );
  }
  return nodes;
}

/** Pins of the meter. */
export function drawPins(layer, which, view, meters) {
  layer.replaceChildren(
    ...(meters ?? [])
      .filter((meter) => meter.at_m)
      .map((meter) => {
        const [x, y] = view.px(which, meter.at_m);
        return svg(
          "g",
          { class: "pin" },
          svg("title", { text: `Meter point ${meter.name}` }),
          line([x, y], [x + 5, y - 9], {}),
          disc([x + 5, y - 9], 3.2, {}),
        );
      }),
  );
}

/**
 * A numbered tag behind the light, on the side away from its aim.
 * @param {Item} item
 */
export function tagPlace(item, which, view) {
  const at = flat(which, item.position_m),
    aim = flat(which, item.aim_m ?? item.position_m);
  const away = [at[0] - aim[0], at[1] - aim[1]],
    length = Math.hypot(...away);
  const way = length > 0.02 ? away.map((value) => value / length) : [0, -1];
  const outlines = (
    which === PLAN
      ? rotatedTop(item, item.data.shape_top ?? [])
      : (item.data.shape_side ?? []).map((o) => o.map(([z, y]) => [-z, -y]))
  ).flat();
  const reach = Math.max(0.05, ...outlines.map(([u, v]) => u * way[0] + v * way[1]));
  const [x, y] = view.px(which, item.position_m);
  return [x + way[0] * (reach * view.scale + TAG_PX + 1), y + way[1] * (reach * view.scale + TAG_PX + 1)];
}
