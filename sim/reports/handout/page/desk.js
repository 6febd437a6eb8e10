/** What is set on the mixing desk, and the mix that follows. */
import { createStore } from "../../../web/store.js";
import { count, lights, set } from "./data.js";

const PLAIN = {
  fader: new Array(count).fill(0),
  mute: lights.map((light) => light.muted),
  solo: new Array(count).fill(false),
  exposure: 0,
  balance: set.balance.at,
  filter: "",
};

/** `shown` is how strongly the build-up shows each light, null where it does not run; `step` where it stands. */
export const desk = createStore(
  { ...PLAIN, compare: false, wipe: 0.5, step: 0, shown: null, pinned: null }, requestAnimationFrame,
);

/** What the picture and the readings hang on: all but the measuring point, which moves without a new picture. */
export const MIXED = [...Object.keys(PLAIN), "compare", "wipe", "step", "shown"];

export const reset = () => desk.update(PLAIN);

/** Set one light's fader, mute or solo. */
export const setOf = (what, k, value) =>
  desk.update({ [what]: desk.get()[what].map((old, i) => (i === k ? value : old)) });

/** How strongly each light is heard: fader, mute, solo, and where the build-up stands. */
export function heardWeights() {
  const { fader, mute, solo, shown } = desk.get();
  if (shown) return shown.map((share, k) => share * 2 ** fader[k]);
  const soloed = solo.some(Boolean);
  return fader.map((stops, k) => ((soloed ? solo[k] : !mute[k]) ? 2 ** stops : 0));
}

/** The same as the scene has it. */
export const plannedWeights = lights.map((light) => (light.muted ? 0 : 1));

function gain(balance, exposure) {
  const { rgb, first, step } = set.balance;
  return rgb[Math.round((balance - first) / step)].map((value) => value * 2 ** exposure);
}

const mixOf = (weights, gains, grey) =>
  ({ weights: weights.map((weight) => [weight, weight, weight]), gain: gains, grey, tones: null });

/** The mix as it is set, see web/mixer.js. */
export function mixNow() {
  const { balance, exposure, filter } = desk.get();
  return mixOf(heardWeights(), gain(balance, exposure), filter ? set.filters[filter] : null);
}

/** The mix as it is planned. */
export const plannedMix = mixOf(plannedWeights, gain(set.balance.at, 0), null);
