/**
 * How the picture is looked at (rendering, trial exposure and balance, a light held alone) and the mix that follows.
 *
 * Nothing here changes the scene: the look lives in the page's store under `look` and ends with the tab.
 */
import { gainFromExposure, tonesFromBands } from "../../../web/develop.js";

const PLAIN = { stops: 0, balance_K: null, rendering: "colour", alone: null };
const READ_BY = ["view", "held", "solo", "look"];

/**
 * The desk of a room; the same one for every part that asks.
 * @param {Room} room
 */
export function deskOf(room) {
  room.pictureDesk ??= createDesk(room.store);
  return room.pictureDesk;
}

/** @param {Store} store */
export function createDesk(store) {
  store.update({ look: PLAIN });
  const look = () => store.get().look;
  const change = (values) => store.update({ look: { ...look(), ...values } });

  /** Weight [r, g, b] of a light as it is heard now: dial, colour, gels, mute, solo, a gesture under way. */
  function weightOf(name, { alone = look().alone } = {}) {
    const light = store.light(name);
    if (!light) return [0, 0, 0];
    const heard = alone ? alone === name : store.isHeard(name);
    const gesture = heard ? 2 ** store.gestureStops(name) : 0;
    return light.weight_rgb.map((weight) => weight * gesture);
  }

  /** Weights by name of every light of the set-up. */
  const weights = (options) =>
    Object.fromEntries((store.get().view?.lights ?? []).map(({ name }) => [name, weightOf(name, options)]));

  /** Weights by layer of a frame. A light that was renamed since is found by what is left over. */
  function weightsFor(names, options) {
    const lights = (store.get().view?.lights ?? []).map((light) => light.name);
    const gone = names.filter((name) => !lights.includes(name));
    const come = lights.filter((name) => !names.includes(name));
    const now = (name) => (gone.length === 1 && come.length === 1 && name === gone[0] ? come[0] : name);
    return names.map((name) => weightOf(now(name), options));
  }

  /** How a mix is rendered: everything of `mixer.draw` but its weights. */
  function rendering() {
    const { exposure } = store.get().view;
    const { stops, balance_K, rendering: name } = look();
    const filter = exposure.filters.find((each) => each.name === name);
    return {
      gain: gainFromExposure(exposure, stops, balance_K),
      grey: filter?.rgb ?? null,
      tones: name === "tones" ? tonesFromBands(exposure.bands) : null,
    };
  }

  return {
    get look() {
      return look();
    },
    change,
    reset: () => change({ stops: 0, balance_K: null, rendering: "colour" }),
    weightOf,
    weights,
    weightsFor,
    rendering,
    mixFor: (names) => ({ weights: weightsFor(names), ...rendering() }),
    /** Call when anything that the mix or a reading depends on has changed. */
    follow: (call, also = []) => store.subscribe(call, [...READ_BY, ...also]),
  };
}
