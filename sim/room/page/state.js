/**
 * What the page knows: the server's last state, the last message of each kind, and gestures under way.
 *
 * A snapshot has: view (the last "state", null before the first), link ("connecting" | "open" | "closed"),
 * ready (all parts are there), notice ({text, level: "said" | "refused"} or null), selection (an item id or null), solo (names of lights),
 * held (gestures by key), and under its own name the last message of every other kind: frame, painting, meters,
 * checks, wishes, slots, library, ball, examples, export, saved, disk, recovered, refused.
 *
 * Item ids: "light:NAME", "panel:INDEX", "meter:NAME", "camera", "sitter", "backdrop".
 */

const KINDS = [
  "frame", "painting", "meters", "checks", "wishes", "slots", "library", "ball", "examples", "export", "saved", "disk",
  "recovered", "refused", "failed",
];

/** @returns the page's only store */
export function createStore() {
  let snapshot = { view: null, link: "connecting", notice: null, selection: null, solo: [], held: {}, ready: false };
  for (const kind of KINDS) snapshot[kind] = null;
  const listeners = new Set();
  let changed = new Set();
  let planned = false;

  function tell() {
    planned = false;
    const keys = changed;
    changed = new Set();
    for (const listener of [...listeners]) {
      if (listener.keys && !listener.keys.some((key) => keys.has(key))) continue;
      // One part that fails must not keep the news from the others.
      try { listener.call(snapshot, keys); } catch (error) { reportError(error); }
    }
  }

  /** Put values in; listeners hear of them together, once the present task is over. */
  function update(values) {
    snapshot = { ...snapshot, ...values };
    for (const key of Object.keys(values)) changed.add(key);
    if (!planned) {
      planned = true;
      queueMicrotask(tell);
    }
  }

  /**
   * Call `call(snapshot, changedKeys)` at once and after each change; `keys` limits it to those.
   * @returns a function that ends it
   */
  function subscribe(call, keys = null) {
    const listener = { call, keys };
    listeners.add(listener);
    call(snapshot, new Set(keys ?? Object.keys(snapshot)));
    return () => listeners.delete(listener);
  }

  /** Show a gesture before the server knows it: {power_stops: {NAME: stops}, muted: {NAME: bool}, place: {ID: {...}}}. */
  const hold = (key, patch) => update({ held: { ...snapshot.held, [key]: patch } });

  function release(key) {
    if (!(key in snapshot.held)) return;
    const { [key]: _, ...rest } = snapshot.held;
    update({ held: rest });
  }

  /** All held patches of one kind as one object. */
  const heldOf = (kind) => Object.assign({}, ...Object.values(snapshot.held).map((patch) => patch[kind] ?? {}));

  /** The light's dial in stops as it is shown now, gesture included. */
  const powerStops = (name) => heldOf("power_stops")[name] ?? light(name)?.power_stops ?? 0;

  /** Stops by which a gesture is ahead of `view.lights[].weight_rgb`. */
  const gestureStops = (name) => powerStops(name) - (light(name)?.power_stops ?? 0);

  const isMuted = (name) => heldOf("muted")[name] ?? light(name)?.muted ?? false;

  /** Whether a light is in the mix: solo wins over mute. */
  const isHeard = (name) => (snapshot.solo.length ? snapshot.solo.includes(name) : !isMuted(name));

  const light = (name) => snapshot.view?.lights.find((each) => each.name === name) ?? null;

  function toggleSolo(name) {
    const solo = snapshot.solo.includes(name) ? snapshot.solo.filter((n) => n !== name) : [...snapshot.solo, name];
    update({ solo });
  }

  const select = (id) => { if (id !== snapshot.selection) update({ selection: id }); };

  const say = (text, level = "said") => update({ notice: text ? { text, level, at: Date.now() } : null });

  /** Take in a message of the server. */
  function receive(message) {
    if (message.type === "state") {
      const names = new Set(message.lights.map((each) => each.name));
      update({ view: message });
      if (snapshot.solo.some((name) => !names.has(name))) update({ solo: snapshot.solo.filter((n) => names.has(n)) });
      if (snapshot.selection?.startsWith("light:") && !names.has(snapshot.selection.slice(6))) select(null);
    } else if (KINDS.includes(message.type)) {
      update({ [message.type]: message });
    }
  }

  return {
    get: () => snapshot, update, subscribe, receive, say, select, hold, release, heldOf, light,
    powerStops, gestureStops, isMuted, isHeard, toggleSolo,
  };
}
