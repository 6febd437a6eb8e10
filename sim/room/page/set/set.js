/** The sheets: plan and side elevation at one scale. */
import { disc, el, path, svg, words } from "../../../web/elements.js";
import { handle } from "./set_drag.js";
import { TAG_PX, drawItem, drawLightways, drawPins, drawRoom, facingPoint, tagPlace } from "./set_draw.js";
import { drawGuides } from "./set_guides.js";
import { itemsFromState } from "./set_items.js";
import { drawLabels, labelLines } from "./set_labels.js";
import { PLAN, SIDE, createView } from "./set_view.js";

const MARGINS = { [PLAN]: [24, 16, 38, 16], [SIDE]: [25, 14, 12, 36] };
const ROOMY_PX_PER_M = 42;
const HEAD_PX = 32,
  GAP_PX = 8;
// Lengths of the scale bar, the longest that fits first.
/** @type {[number, string][]} */
const BARS = [
  [2, "2 m"],
  [1, "1 m"],
  [0.5, "50 cm"],
  [0.2, "20 cm"],
  [0.1, "10 cm"],
];
const BAR_PX = 70;
const LAYERS = ["room", "ways", "pins", "things", "labels", "handles", "guides"];

/** @param {Room} room */
export function mount(element, room) {
  const { store } = room;
  const view = createView();
  const spoken = el("p", { class: "unseen", role: "status", "aria-live": "polite" });
  const sheets = {
    [PLAN]: sheet(PLAN, "Plan, seen from above, the camera at the foot"),
    [SIDE]: sheet(SIDE, "Side elevation, seen from camera right"),
  };
  const snap = el(
    "button",
    {
      class: "quiet small",
      type: "button",
      "aria-pressed": "true",
      title: "Snap to 5 cm and 5° (hold Alt for a free hand)",
    },
    "Snap",
  );
  snap.addEventListener("click", () =>
    snap.setAttribute("aria-pressed", String(snap.getAttribute("aria-pressed") !== "true")),
  );
  const zoomBy = (factor) => {
    view.zoomAt(PLAN, [view.frames[PLAN].width / 2, view.frames[PLAN].height / 2], factor);
    draw();
  };
  const tools = el(
    "div",
    { class: "pane-tools", role: "group", "aria-label": "Sheet" },
    snap,
    el(
      "button",
      {
        class: "quiet small",
        type: "button",
        "aria-label": "Smaller",
        title: "Smaller (−)",
        onclick: () => zoomBy(1 / 1.25),
      },
      "\u2212",
    ),
    el(
      "button",
      {
        class: "quiet small",
        type: "button",
        "aria-label": "Larger",
        title: "Larger (+)",
        onclick: () => zoomBy(1.25),
      },
      "+",
    ),
    el("button", { class: "quiet small", type: "button", title: "Show the whole set (0)", onclick: fit }, "Fit"),
  );
  const [plan, side] = element.querySelectorAll(".drawing");
  plan.append(tools, el("div", { class: "sheet-place" }, sheets[PLAN].svg));
  side.append(el("div", { class: "sheet-place" }, sheets[SIDE].svg));
  element.append(spoken);

  let items = [];
  let waiting = 0;
  // What a hand moves is drawn alone, among all else as it stood.
  let isWhole = true;
  const set = {
    room,
    view,
    moving: null,
    fit,
    svgs: { [PLAN]: sheets[PLAN].svg, [SIDE]: sheets[SIDE].svg },
    item: (id) => items.find((each) => each.id === id),
    snapping: () => snap.getAttribute("aria-pressed") === "true",
    redraw: later,
    focus: (id, which) => sheets[which].groups.get(id)?.focus({ preventScroll: true }),
    announce(id) {
      setTimeout(() => {
        const item = set.item(id);
        if (item) spoken.textContent = item.words;
      }, 250);
    },
  };
  room.set = { fit, zoomBy, focus: (id) => set.focus(id, PLAN) };
  handle(set);

  function later() {
    isWhole = true;
    waiting ||= requestAnimationFrame(draw);
  }

  function fit() {
    const { view: state } = store.get();
    if (state) {
      shareOut(state);
      view.fit(state, MARGINS);
    }
    later();
  }

  /**
   * Give each drawing the part of the table that its room asks for; where papers roll, no window holds more.
   * @param {RoomState} state
   */
  function shareOut(state) {
    const { width, height } = element.getBoundingClientRect();
    const style = getComputedStyle(element);
    const across = width - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
    const rolls = getComputedStyle(plan).flexGrow === "0" && !plan.matches(".folded");
    const down = rolls ? innerHeight : height - 2 * HEAD_PX - GAP_PX - parseFloat(style.paddingTop);
    const parts = view.shares(state, [across, down], MARGINS);
    if (!parts) return;
    element.style.setProperty("--plan", parts.plan.toFixed(0));
    element.style.setProperty("--side", parts.side.toFixed(0));
    measure();
  }

  function measure() {
    for (const which of [PLAN, SIDE]) {
      const box = sheets[which].svg.getBoundingClientRect();
      view.resize(which, box.width, box.height);
    }
  }

  function draw() {
    cancelAnimationFrame(waiting);
    waiting = 0;
    const { view: state, selection } = store.get();
    if (!state) return;
    items = itemsFromState(state, store.heldOf("place"));
    const moved = !isWhole && set.moving && set.item(set.moving.id);
    isWhole = false;
    for (const which of [PLAN, SIDE]) {
      if (moved) drawMoved(which, state, selection, moved);
      else drawSheet(which, state, selection);
    }
    element.dataset.scale = view.scale.toFixed(2);
  }

  /**
   * What a hand moves, with its beam, handles and guides; its label goes along.
   * @param {RoomState} state
   * @param {Item} item
   */
  function drawMoved(which, state, selection, item) {
    const { layers, groups, labelled } = sheets[which];
    const { width, height } = view.frames[which];
    const group = groups.get(item.id);
    const nodes = drawItem(item, which, view, state);
    if (item.kind === "light") nodes.push(...tag(keepInside(tagPlace(item, which, view), width, height, []), item));
    if (item.id === selection) nodes.unshift(halo(item, which));
    group.replaceChildren(...nodes);
    drawLightways(layers.ways, which, view, state, items, selection, store, item);
    const [x, y] = view.px(which, item.position_m),
      [fromX, fromY] = labelled.get(item.id) ?? [x, y];
    for (const label of layers.labels.children) {
      if (label.getAttribute("data-label") !== item.id) continue;
      label.setAttribute("transform", `translate(${(x - fromX).toFixed(1)} ${(y - fromY).toFixed(1)})`);
    }
    drawHandles(layers.handles, which, state, selection);
    drawGuides(layers.guides, which, view, state, items, set.moving);
  }

  /** @param {RoomState} state */
  function drawSheet(which, state, selection) {
    const { svg: root, layers, groups, kept } = sheets[which];
    const { width, height } = view.frames[which];
    drawRoom(layers.room, which, view, state);
    drawLightways(layers.ways, which, view, state, items, selection, store);
    drawPins(layers.pins, which, view, state.meters);
    reconcile(layers.things, groups, which, selection);
    const tags = [],
      boxes = [],
      spans = new Map();
    sheets[which].labelled = new Map(items.map((item) => [item.id, view.px(which, item.position_m)]));
    for (const item of items) {
      const group = groups.get(item.id);
      const off = item.kind === "light" && !store.isHeard(item.name);
      group.setAttribute(
        "class",
        `thing ${item.kind}${item.id === selection ? " chosen" : ""}${off ? " off" : ""}${item.fixed ? " fixed" : ""}`,
      );
      group.setAttribute("aria-label", item.words);
      group.setAttribute("aria-pressed", String(item.id === selection));
      const nodes = drawItem(item, which, view, state);
      if (item.kind === "light") {
        const at = keepInside(tagPlace(item, which, view), width, height, tags);
        tags.push(at);
        nodes.push(...tag(at, item));
        boxes.push([at[0] - TAG_PX, at[1] - TAG_PX, at[0] + TAG_PX, at[1] + TAG_PX]);
      }
      if (item.id === selection) nodes.unshift(halo(item, which));
      group.replaceChildren(...nodes);
      if (item.kind !== "backdrop") spans.set(item.id, extent(group, view.px(which, item.position_m)));
    }
    for (const box of spans.values()) boxes.push(box);
    drawHandles(layers.handles, which, state, selection);
    labels(which, selection, boxes, spans, kept, width, height);
    drawGuides(layers.guides, which, view, state, items, set.moving);
    root.classList.toggle("moving", Boolean(set.moving));
  }

  /** One focusable group for each thing, kept as long as the thing is there. */
  function reconcile(layer, groups, which, selection) {
    const ids = items.map((item) => item.id);
    for (const [id, group] of groups)
      if (!ids.includes(id)) {
        group.remove();
        groups.delete(id);
      }
    for (const id of ids) {
      if (groups.has(id)) continue;
      const group = svg("g", {
        "data-item": id,
        tabindex: which === PLAN ? 0 : -1,
        role: "button",
        "aria-roledescription": "movable thing",
      });
      groups.set(id, group);
    }
    // Seen from camera right, what stands farther to camera left lies behind; Tab goes through the plan.
    const drawn = which === PLAN ? items : [...items].sort((a, b) => a.position_m[0] - b.position_m[0]);
    const order = drawn.map((item) => groups.get(item.id));
    if (order.some((group, index) => layer.children[index] !== group)) {
      const focused = /** @type {HTMLElement | null} */ (document.activeElement);
      layer.replaceChildren(...order);
      if (focused && layer.contains(focused)) focused.focus({ preventScroll: true });
    }
  }

  /** @param {number[]} place */
  function keepInside([x, y], width, height, tags) {
    const inside = (px, py) => [
      Math.min(Math.max(px, TAG_PX + 2), width - TAG_PX - 2),
      Math.min(Math.max(py, TAG_PX + 2), height - TAG_PX - 2),
    ];
    const place = view.moved ? [x, y] : inside(x, y);
    for (let turn = 0; turn < 12; turn++) {
      if (!tags.some((other) => Math.hypot(other[0] - place[0], other[1] - place[1]) < 2 * TAG_PX)) break;
      place[0] = x + Math.cos(turn * 0.9) * (8 + 3 * turn);
      place[1] = y + Math.sin(turn * 0.9) * (8 + 3 * turn);
    }
    return place;
  }

  const tag = (at, item) => [
    disc(at, TAG_PX, { class: "tag", stroke: item.data.colour }),
    words([at[0], at[1] + 4.3], String(item.number), {
      class: "tag-number",
      "text-anchor": "middle",
      fill: item.data.colour,
    }),
  ];

  /**
   * A soft ring behind what is selected.
   * @param {Item} item
   */
  function halo(item, which) {
    if (item.kind === "backdrop") {
      const [x, y, z] = item.position_m,
        { width_m: w, height_m: h } = item.data;
      const ends =
        which === PLAN
          ? [
              [x - w / 2, 0, z],
              [x + w / 2, 0, z],
            ]
          : [
              [x, y - h / 2, z],
              [x, y + h / 2, z],
            ];
      return path(
        ends.map((p) => view.px(which, p)),
        { class: "halo-line" },
      );
    }
    if (item.kind === "sitter" && which === SIDE) return "";
    const outlines = (item.data[which === PLAN ? "shape_top" : "shape_side"] ?? []).flat();
    const radius = item.kind === "sitter" ? 0.4 : Math.max(0.25, ...outlines.map((point) => Math.hypot(...point)));
    return disc(view.px(which, item.position_m), (radius * view.scale + 7).toFixed(1), { class: "halo" });
  }

  /** @param {RoomState} state */
  function drawHandles(layer, which, state, selection) {
    const item = items.find((each) => each.id === selection);
    const nodes = [];
    const handleAt = (place, part, title) =>
      nodes.push(
        svg(
          "g",
          { class: "handle", "data-part": part, "data-of": item.id },
          svg("title", { text: title }),
          disc(place, part === "aim" ? 15 : 12, { class: "reach" }),
          disc(place, part === "aim" ? 6 : 5.5, { class: "knob" }),
          part === "aim" ? disc(place, 1.6, { class: "dot" }) : null,
        ),
      );
    if (item?.aim_m && !item.fixed && (item.kind !== "panel" || item.data.aim_m))
      handleAt(view.px(which, item.aim_m), "aim", `Drag to aim the ${item.name}`);
    if (item?.kind === "sitter" && which === PLAN) {
      handleAt(view.px(which, facingPoint(item, false, view)), "turn", "Drag to turn the body");
      handleAt(view.px(which, facingPoint(item, true, view)), "head", "Drag to turn the head");
    }
    layer.replaceChildren(...nodes);
  }

  /** Box in pixels of the solid shapes of a thing. */
  function extent(group, at) {
    const points = [...group.querySelectorAll("polygon:not(.grip)")].flatMap((shape) => [...shape.points]);
    const xs = [at[0] - 3, at[0] + 3, ...points.map((p) => p.x)],
      ys = [at[1] - 3, at[1] + 3, ...points.map((p) => p.y)];
    return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
  }

  function labels(which, selection, boxes, spans, kept, width, height) {
    const crossing = [];
    const roomy = view.scale >= ROOMY_PX_PER_M;
    const wanted = [];
    for (const item of items) {
      if (item.aim_m) {
        const a = view.px(which, item.position_m),
          b = view.px(which, item.aim_m);
        for (let t = 0.1; t < 1; t += 0.06) crossing.push([a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]);
      }
      const box = spans.get(item.id);
      if (!box || (which === SIDE && item.kind === "panel")) continue;
      const at = [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];
      const size = Math.min(box[2] - box[0], box[3] - box[1]) / 2;
      const lines = labelLines(item, which, item.id === selection, roomy);
      if (lines && at[0] > -40 && at[1] > -40 && at[0] < width + 40 && at[1] < height + 40)
        wanted.push({ id: item.id, at, gap: size + 4, lines });
    }
    const { low_m: low, high_m: high } = store.get().view.room;
    const down = which === PLAN ? 2 : 1,
      across = which === PLAN ? 0 : 2;
    const wallPoint = (a, b) => {
      const point = [0, 0, 0];
      point[across] = a;
      point[down] = b;
      crossing.push(view.px(which, point));
    };
    for (const a of [low[across], high[across]]) for (let b = low[down]; b < high[down]; b += 0.2) wallPoint(a, b);
    for (const b of [low[down], high[down]]) for (let a = low[across]; a < high[across]; a += 0.2) wallPoint(a, b);
    wanted.sort((a, b) => Number(b.id === selection) - Number(a.id === selection));
    drawLabels(sheets[which].layers.labels, wanted, boxes, crossing, [width, height], kept);
    drawScale(which, width, height);
  }

  function drawScale(which, width, height) {
    if (which !== PLAN) return;
    const [length, text] = BARS.find(([metres]) => metres * view.scale <= BAR_PX) ?? BARS.at(-1);
    const x = 18,
      y = height - 12,
      half = (length * view.scale) / 2;
    sheets[which].layers.room.append(
      svg("rect", { x, y, width: half.toFixed(1), height: 4, class: "bar-dark" }),
      svg("rect", { x: (x + half).toFixed(1), y, width: half.toFixed(1), height: 4, class: "bar-pale" }),
      words([x + 2 * half + 6, y + 6], text, { class: "axis" }),
    );
  }

  function sheet(which, title) {
    const layers = Object.fromEntries(LAYERS.map((name) => [name, svg("g", { class: `layer-${name}` })]));
    const root = svg(
      "svg",
      { class: "sheet", role: "group", "aria-label": title, "data-sheet": which },
      Object.values(layers),
    );
    return { svg: root, layers, groups: new Map(), kept: new Map(), labelled: new Map() };
  }

  const watcher = new ResizeObserver(() => {
    measure();
    if (!view.moved) fit();
    later();
  });
  for (const each of [element, sheets[PLAN].svg, sheets[SIDE].svg]) watcher.observe(each);

  let known = null;
  const heldNow = () => {
    const [place, muted] = [store.heldOf("place"), store.heldOf("muted")].map((held) => JSON.stringify(held));
    return { place, muted };
  };
  let held = heldNow();
  store.subscribe(
    ({ view: state }, changed) => {
      if (!["view", "selection", "solo"].some((key) => changed.has(key))) {
        // A fader under way moves nothing on the sheet, and a hand no more than it holds.
        const before = held;
        held = heldNow();
        if (held.muted === before.muted && held.place === before.place) return;
        if (held.muted === before.muted && set.moving) {
          waiting ||= requestAnimationFrame(draw);
          return;
        }
      }
      held = heldNow();
      const size = state && JSON.stringify([state.file, state.room]);
      if (state && size !== known) {
        known = size;
        fit();
      }
      later();
    },
    ["view", "held", "selection", "solo"],
  );
}
