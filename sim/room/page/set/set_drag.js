/** Hands on the set: pointers and keys become moves, turns and aims; the sheet pans, zooms and pinches. */
import { roundTo, turnDeg } from "../measures.js";
import { facing, moveEdit } from "./set_items.js";
import { STEP_DEG, aimed, nudged, placed } from "./set_snap.js";
import { PLAN, SIDE } from "./set_view.js";

const START_PX = 3;
const KEYS_REST_MS = 700;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/**
 * @param set what set.js gives: {room, view, items(), item(id), svgs, redraw(), snapping(), moving (get, set)}
 */
export function handle(set) {
  const {
    room: { store, link },
    view,
  } = set;
  const pointers = new Map();
  let drag = null;
  let pinch = null;
  let keys = null;

  for (const [which, sheet] of Object.entries(set.svgs)) {
    sheet.addEventListener("pointerdown", (event) => down(which, sheet, event));
    sheet.addEventListener("pointermove", (event) => moved(which, sheet, event));
    sheet.addEventListener("pointerup", (event) => up(event));
    sheet.addEventListener("pointercancel", (event) => {
      pointers.delete(event.pointerId);
      cancel();
    });
    sheet.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        const speed = event.ctrlKey ? 0.012 : event.deltaMode ? 0.06 : 0.0016;
        view.zoomAt(which, pixelOf(sheet, event), Math.exp(-event.deltaY * speed));
        set.redraw();
      },
      { passive: false },
    );
    sheet.addEventListener("dblclick", (event) => {
      if (!targetOf(event)) set.fit();
    });
    sheet.addEventListener("keydown", (event) => key(which, event));
    sheet.addEventListener("focusin", (event) => {
      if (event.target.dataset.item && !drag) store.select(event.target.dataset.item);
    });
  }
  addEventListener(
    "keydown",
    (event) => {
      if (event.key === "Escape" && (drag || keys)) {
        event.stopPropagation();
        cancel();
      }
    },
    true,
  );
  addEventListener("blur", () => {
    if (drag?.gesture) finish();
  });

  const pixelOf = (sheet, event) => {
    const box = sheet.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  function targetOf(event) {
    const found = event.target.closest("[data-part], [data-item]");
    return found ? { id: found.dataset.of ?? found.dataset.item, part: found.dataset.part ?? "place" } : null;
  }

  function down(which, sheet, event) {
    if (event.button > 0) return;
    pointers.set(event.pointerId, { which, pixel: pixelOf(sheet, event) });
    if (pointers.size === 2) {
      cancel();
      pinch = pinchNow();
      return;
    }
    endKeys();
    const target = targetOf(event),
      item = target && set.item(target.id);
    sheet.setPointerCapture(event.pointerId);
    const pixel = pixelOf(sheet, event);
    drag = { which, pixel, from: pixel, item, part: target?.part, free: false, gesture: null, going: false };
    if (item) {
      event.preventDefault();
      store.select(item.id);
      set.focus(item.id, which);
    }
  }

  function moved(which, sheet, event) {
    if (!pointers.has(event.pointerId)) return;
    const pixel = pixelOf(sheet, event);
    pointers.set(event.pointerId, { which, pixel });
    if (pinch) return pinchMove();
    if (!drag) return;
    if (!drag.going && Math.hypot(pixel[0] - drag.from[0], pixel[1] - drag.from[1]) < START_PX) return;
    drag.going = true;
    if (!drag.item) {
      view.pan(which, pixel[0] - drag.pixel[0], pixel[1] - drag.pixel[1]);
      drag.pixel = pixel;
      return set.redraw();
    }
    drag.pixel = pixel;
    if (drag.item.fixed) return store.say(drag.item.data.hint || `The ${drag.item.name} cannot be moved here.`);
    if (!drag.gesture && !canDrag(drag)) return;
    drag.gesture ??= link.gesture(`drag ${drag.item.id}`);
    set.moving = { id: drag.item.id, which, part: drag.part };
    const step = follow(drag, pixel, event.altKey !== !set.snapping());
    drag.last = step;
    drag.gesture.push(step.edits, { place: { [drag.item.id]: step.place } });
  }

  const canDrag = ({ item, which, part }) =>
    part !== "place" || which === PLAN || ["light", "camera", "panel", "backdrop"].includes(item.kind);

  /** The edits and the place to show for a pointer position. */
  function follow({ item, which, part, from }, pixel, free) {
    const { view: state } = store.get();
    if (part === "turn" || part === "head") {
      const [u, , w] = view.toWorld(PLAN, pixel, [0, 0, 0]);
      const deg = (Math.atan2(u - item.position_m[0], w - item.position_m[2]) * 180) / Math.PI;
      return turned(item, part, roundTo(turnDeg(part === "turn" ? deg : deg - item.turn_deg), free ? 1 : STEP_DEG));
    }
    const start = part === "aim" ? item.aim_m : item.position_m;
    const at = view.px(which, start);
    const to = view.toWorld(which, [at[0] + pixel[0] - from[0], at[1] + pixel[1] - from[1]], start);
    if (part === "aim") {
      const aim = aimed(
        item,
        to,
        which,
        [at[0] + pixel[0] - from[0], at[1] + pixel[1] - from[1]],
        view,
        partsOf(state),
        free,
      );
      return { edits: [{ op: "aim", what: item.what, at: aim.aim_part ?? aim.aim_m }], place: aim };
    }
    const position = placed(item, to, which, state.room, free);
    return { edits: [moveEdit(item, position)], place: { position_m: position } };
  }

  /**
   * Places that an aim may be named after.
   * @param {RoomState} state
   */
  function partsOf(state) {
    const named = state.choices?.aim_parts,
      parts = state.sitter.parts ?? {};
    return named ? Object.fromEntries(named.filter((name) => parts[name]).map((name) => [name, parts[name]])) : parts;
  }

  const turned = (item, part, deg) => ({
    edits: [{ op: "turn", what: [part === "turn" ? "sitter" : "head"], deg }],
    place: part === "turn" ? { turn_deg: deg } : { head_turn_deg: deg },
  });

  function up(event) {
    pointers.delete(event.pointerId);
    if (pinch) {
      if (pointers.size < 2) pinch = null;
      drag = null;
      return;
    }
    finish();
  }

  function finish() {
    if (!drag) return;
    const { gesture, last, item, going } = drag;
    drag = null;
    set.moving = null;
    if (gesture) gesture.end(last?.edits, last && { place: { [item.id]: last.place } });
    else if (!item && !going) store.select(null);
    set.redraw();
  }

  function cancel() {
    const gesture = drag?.gesture ?? keys?.gesture;
    clearTimeout(keys?.timer);
    drag = null;
    keys = null;
    set.moving = null;
    gesture?.cancel();
    set.redraw();
  }

  // -- two fingers ---------------------------------------------------------------------------------------------------

  function pinchNow() {
    const [a, b] = [...pointers.values()];
    return {
      which: a.which,
      reach: Math.hypot(a.pixel[0] - b.pixel[0], a.pixel[1] - b.pixel[1]) || 1,
      middle: [(a.pixel[0] + b.pixel[0]) / 2, (a.pixel[1] + b.pixel[1]) / 2],
    };
  }

  function pinchMove() {
    const now = pinchNow();
    view.pan(pinch.which, now.middle[0] - pinch.middle[0], now.middle[1] - pinch.middle[1]);
    view.zoomAt(pinch.which, now.middle, now.reach / pinch.reach);
    pinch = now;
    set.redraw();
  }

  // -- keys ----------------------------------------------------------------------------------------------------------

  function key(which, event) {
    const id = event.target.dataset?.item,
      item = id && set.item(id);
    if (!item || drag) return;
    // A command ends the run of keys before it, so that undo takes back the whole of it.
    if (event.ctrlKey || event.metaKey) return endKeys();
    // Steps come faster than drawings: each goes on from the one before it, drawn or not.
    const step = stepOfKey(which, keys?.id === id ? { ...item, ...keys.place } : item, event);
    if (!step) return;
    event.preventDefault();
    if (item.fixed) return store.say(item.data.hint || `The ${item.name} cannot be moved here.`);
    if (keys && (keys.id !== id || keys.part !== step.part)) endKeys();
    keys ??= { id, part: step.part, gesture: link.gesture(`keys ${id}`) };
    keys.place = step.place;
    set.moving = { id, which, part: step.part };
    keys.gesture.push(step.edits, { place: { [id]: step.place } });
    clearTimeout(keys.timer);
    keys.timer = setTimeout(endKeys, KEYS_REST_MS);
    set.announce(id);
  }

  /** @param {Item} item */
  function stepOfKey(which, item, event) {
    const { view: state } = store.get();
    const fine = event.shiftKey,
      arrow = ARROWS[event.key];
    const height = event.key === "PageUp" ? 1 : event.key === "PageDown" ? -1 : which === SIDE && arrow ? -arrow[1] : 0;
    if (item.kind === "sitter" && (event.key === "," || event.key === "." || event.key === "<" || event.key === ">")) {
      const sign = event.key === "," || event.key === "<" ? -1 : 1;
      return { part: "turn", ...turned(item, "turn", turnDeg(facing(item) + sign * (fine ? 1 : STEP_DEG))) };
    }
    let to = null;
    if (height && !["sitter", "backdrop"].includes(item.kind)) {
      to = [item.position_m[0], item.position_m[1] + height * (fine ? 0.01 : 0.05), item.position_m[2]];
    } else if (arrow && which === PLAN) {
      to = nudged(item, arrow, fine, item.position_m);
    }
    if (!to) return null;
    const { low_m: low, high_m: high } = state.room;
    to = to.map((value, axis) =>
      Math.min(Math.max(value, low[axis] + (axis === 1 && item.kind !== "sitter" ? 0.05 : 0)), high[axis]),
    );
    return { part: "place", edits: [moveEdit(item, to)], place: { position_m: to } };
  }

  function endKeys() {
    if (!keys) return;
    clearTimeout(keys.timer);
    keys.gesture.end();
    keys = null;
    set.moving = null;
    set.redraw();
  }
}
