/**
 * What the page knows: the server's last state, the last message of each kind, and gestures under way.
 *
 * A snapshot has: view (the last "state", null before the first), link ("connecting" | "open" | "closed"),
 * ready (all parts are there), left (the set was left for another), notice ({text, level: "said" | "refused"} or null),
 * selection (an item id or null),
 * solo (names of lights), held (gestures by key), and under its own name the last message of every other kind: frame,
 * live (with its layers in `halves`), hand, painting, meters, checks, wishes, versions, library, thumbnail, export,
 * saved, disk, recovered, refused, table.
 *
 * Item ids: "light:NAME", "panel:INDEX", "meter:NAME", "camera", "sitter", "backdrop".
 */

import { createStore } from "../../web/store.js";

// Words and numbers beside a gesture change five times a second.
const CALM_MS = 200;
const KINDS = [
  "frame",
  "live",
  "hand",
  "painting",
  "meters",
  "checks",
  "wishes",
  "versions",
  "library",
  "thumbnail",
  "export",
  "saved",
  "disk",
  "recovered",
  "refused",
  "failed",
  "table",
];

/**
 * The page's only store, see web/store.js.
 * @returns {Store}
 */
export function createRoomStore() {
  const store = createStore({
    view: null,
    link: "connecting",
    notice: null,
    selection: null,
    solo: [],
    held: {},
    ready: false,
    left: false,
    ...Object.fromEntries(KINDS.map((kind) => [kind, null])),
    table: { type: "table", folded: [], sizes: {} },
    views: { full: false, bare: false, large: false, shown: 0 },
  });
  const { get, update } = store;

  /** Show a gesture before the server knows it: {power_stops: {NAME: stops}, muted: {NAME: bool}, place: {ID: {}}}. */
  const hold = (key, patch) => update({ held: { ...get().held, [key]: patch } });

  function release(key) {
    if (!(key in get().held)) return;
    const { [key]: _, ...rest } = get().held;
    update({ held: rest });
  }

  /** All held patches of one kind as one object. */
  const heldOf = (kind) => Object.assign({}, ...Object.values(get().held).map((patch) => patch[kind] ?? {}));

  /** The light's dial in stops as it is shown now, gesture included. */
  const powerStops = (name) => heldOf("power_stops")[name] ?? light(name)?.power_stops ?? 0;

  /** Stops by which a gesture is ahead of `view.lights[].weight_rgb`. */
  const gestureStops = (name) => powerStops(name) - (light(name)?.power_stops ?? 0);

  const isMuted = (name) => heldOf("muted")[name] ?? light(name)?.muted ?? false;

  /** Whether a light is in the mix: solo wins over mute. */
  const isHeard = (name) => (get().solo.length ? get().solo.includes(name) : !isMuted(name));

  /** @type {(name: string | null) => LightView | null} */
  const light = (name) => get().view?.lights.find((each) => each.name === name) ?? null;

  function toggleSolo(name) {
    const solo = get().solo.includes(name) ? get().solo.filter((n) => n !== name) : [...get().solo, name];
    update({ solo });
  }

  /** A listener that hears at once, but while a gesture is under way no more often than a person can read. */
  function calm(call) {
    let timer = 0;
    let last = -Infinity;
    const run = () => {
      clearTimeout(timer);
      timer = 0;
      last = performance.now();
      call(get());
    };
    return () => {
      const wait = last + CALM_MS - performance.now();
      if (wait <= 0 || !Object.keys(get().held).length) run();
      else timer ||= setTimeout(run, wait);
    };
  }

  const select = (id) => {
    if (id !== get().selection) update({ selection: id });
  };

  const say = (text, level = "said") => update({ notice: text ? { text, level, at: Date.now() } : null });

  /** Take in a message of the server. */
  function receive(message) {
    if (get().left) return;
    if (message.type === "state" && get().view && get().view.set !== message.set) {
      // Another set: begin as a page of its own, so that nothing of the one before is ever shown as this one's.
      update({ left: true });
      location.reload();
    } else if (message.type === "state") {
      const names = new Set(message.lights.map((each) => each.name));
      update({ view: message });
      if (get().solo.some((name) => !names.has(name))) update({ solo: get().solo.filter((n) => names.has(n)) });
      if (get().selection?.startsWith("light:") && !names.has(get().selection.slice(6))) select(null);
    } else if (KINDS.includes(message.type)) {
      update({ [message.type]: message });
    }
  }

  return {
    ...store,
    receive,
    say,
    select,
    hold,
    release,
    heldOf,
    light,
    powerStops,
    gestureStops,
    isMuted,
    isHeard,
    toggleSolo,
    calm,
  };
}
