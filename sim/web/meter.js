/**
 * What meters show of the lights at their present weights: ISO 2720 for f-numbers, ISO 12232 for stops from grey.
 *
 * The arithmetic is that of sim/metering/points.py. What each light gives is known at full dial and white; the rest is
 * a weighted sum. Layers that are read are never denoised.
 */
import { halfTable } from "./half_floats.js";
import { amount } from "./phrases.js";

const LN2 = Math.LN2;

/** Luminance of each light's value [r, g, b] times its weight [r, g, b]. */
function weighted(per_light, weights, luminance) {
  return Object.entries(weights).map(([name, rgb]) => {
    const value = per_light?.[name];
    return value ? rgb.reduce((sum, weight, c) => sum + luminance[c] * weight * value[c], 0) : 0;
  });
}

const total = (values) => values.reduce((sum, value) => sum + value, 0);
const log2 = (ratio) => (ratio > 0 ? Math.log2(ratio) : -Infinity);

/** The f-number that a meter of this constant (C or K) shows for lx s or cd s/m2; 0 in the dark. */
export const fNumberFromExposure = (value, iso, constant) => Math.sqrt((Math.max(value, 0) * iso) / constant);

/** Stops of one f-number over another. */
export const stopsOver = (f_number, other) => 2 * log2(f_number / other);

/** Stops of a luminance times time from middle grey in the picture. */
export const stopsFromGrey = (value, display_scale, grey) => log2((value * display_scale) / grey);

/** Units of flash and of continuous light: incident, and reflected. */
const UNITS = { incident: ["lx·s", "lx"], reflected: ["cd·s/m²", "cd/m²"] };

/**
 * What light there is, flash and continuous apart, as sim/metering/points.py says it: "312 lx·s + 85 lx".
 * @param {number[]} exposures of each light during the shutter's time, lx s or cd s/m2
 * @param {boolean[]} is_flash of each light
 * @param {boolean[]} heard of each light
 * @param {boolean} reflected whether a spot meter read it
 */
export function amountText(exposures, is_flash, heard, shutter_s, reflected) {
  return UNITS[reflected ? "reflected" : "incident"].map((unit, kind) => {
    const own = exposures.filter((_, k) => heard[k] && is_flash[k] === (kind === 0));
    return own.length ? amount(total(own) / (kind === 0 ? 1 : shutter_s), unit) : null;
  }).filter(Boolean).join(" + ");
}

/**
 * One point, by light and together.
 * @param {MeterPoint} point of the "meters" message
 * @param {Object<string, number[]>} weights [r, g, b] by light, 0 where it is not heard
 * @param {Exposure} exposure of the server's state
 * @returns {{lights: {name, over_stops, from_grey_stops, share, exposure}[],
 *   together: {f_number, over_stops, from_grey_stops, stderr_stops, exposure}}} `over_stops` against the set f-number,
 *   null for a spot; `from_grey_stops` null where no spot was read
 */
export function pointReading(point, weights, exposure) {
  const { luminance, iso_value: iso, f_number, display_scale, curve } = exposure;
  const names = Object.keys(weights);
  const spot = point.kind === "spot";
  const values = weighted(point.per_light, weights, luminance);
  const seen = spot ? values : point.spot ? weighted(point.spot, weights, luminance) : null;
  const fNumber = (value) => fNumberFromExposure(value, iso, point.constant);
  const over = (value) => (spot ? null : stopsOver(fNumber(value), f_number));
  const grey = (value) => stopsFromGrey(value, display_scale, curve.grey);
  const sum = total(values), seenSum = seen ? total(seen) : 0;
  const shared = spot ? seen : values;
  const error = Math.hypot(...names.map((name) => {
    const plain = weights[name].reduce((s, weight, c) => s + luminance[c] * weight, 0);
    return (point.stderr?.[name] ?? 0) * plain;
  }));
  return {
    lights: names.map((name, k) => ({
      name,
      over_stops: over(values[k]),
      from_grey_stops: seen ? grey(seen[k]) : null,
      share: sum > 0 ? shared[k] / sum : 0,
      exposure: values[k],
    })),
    together: {
      f_number: fNumber(sum),
      over_stops: over(sum),
      from_grey_stops: seen ? grey(seenSum) : null,
      stderr_stops: sum > 0 ? error / sum / LN2 : 0,
      exposure: sum,
    },
  };
}

/**
 * Key side against shadow side: flat receptors on the cheeks, as sim/metering/report.py defines their contrast.
 * @returns {{stops: number, key: any, shadow: any}|null} `stops` key over shadow; `key` and `shadow` as `together` has
 *   them
 */
export function keyToShadow(points, weights, exposure) {
  const lit = points.find((point) => point.name === "key-side cheek");
  const shadow = points.find((point) => point.name === "shadow-side cheek");
  if (!lit || !shadow) return null;
  const high = pointReading(lit, weights, exposure).together, low = pointReading(shadow, weights, exposure).together;
  // A dome and a flat receptor have constants of their own: stops are of what the meter shows.
  return { stops: stopsOver(high.f_number, low.f_number), key: high, shadow: low };
}

/** The lighting ratio's limits, as in sim/metering/lighting_ratio.py. */
const NO_FILL_STOPS = 4, ALIKE_FILL_STOPS = 1;

/**
 * (key + fill) : fill at the face, each light metered alone; see sim/metering/lighting_ratio.py.
 * @param {Object<string, AloneAtFace>} alone of the "meters" message
 * @param {string} key name of the key
 * @returns {{fill: string, factor: number, over_stops: number}|null} null where nothing fills
 */
export function lightingRatio(alone, key, weights, luminance) {
  const given = (rgb, name) => total((weights[name] ?? []).map((weight, c) => luminance[c] * weight * rgb[c]));
  const lit = alone[key] ? given(alone[key].lit, key) : 0;
  const opened = (name) => given(alone[name].opened, name);
  const names = Object.keys(alone).filter((name) => name !== key && opened(name) >= lit * 2 ** -NO_FILL_STOPS);
  if (!names.length || !(lit > 0)) return null;
  const reach = (name) => {
    const each = alone[name].reached.map((rgb) => given(rgb, name));
    return each.length ? Math.min(...each) : opened(name);
  };
  const least = Math.max(...names.map(opened)) * 2 ** -ALIKE_FILL_STOPS;
  const fill = names.filter((name) => opened(name) >= least).reduce((a, b) => (reach(b) > reach(a) ? b : a));
  const over_stops = log2(lit / given(alone[fill].shadow, fill));
  return over_stops > NO_FILL_STOPS ? null : { fill, factor: 2 ** over_stops + 1, over_stops };
}

// -- a spot in the picture ------------------------------------------------------------------------

/**
 * Light of each layer in a set of pixels.
 * @param {{layers: Uint16Array[], scale: number[]}} raw RGB in half precision
 * @param {number[]} pixels indices
 * @param {number[][]} weights [r, g, b] of each layer: dial, colour, gels, mute
 * @param {number[]} luminance weights of red, green and blue
 * @returns {number[]} cd s/m2 of each layer
 */
export function exposuresAt(raw, pixels, weights, luminance) {
  const halves = halfTable();
  return raw.layers.map((layer, k) => {
    const sum = [0, 0, 0];
    for (const pixel of pixels) for (let c = 0; c < 3; c++) sum[c] += halves[layer[3 * pixel + c]];
    let light = 0;
    for (let c = 0; c < 3; c++) light += luminance[c] * weights[k][c] * sum[c];
    return (light * raw.scale[k]) / pixels.length;
  });
}

/**
 * What the meter shows for a total luminance times time.
 * @param {number[]} exposures cd s/m2 by light
 * @param {Exposure} exposure of the server's state
 * @returns {{total, from_grey_stops, grey_f_number, meter_f_number, shares}} `grey_f_number` shows this tone as middle
 *   grey in the picture; `meter_f_number` is a hand-held spot meter's (K = 12.5), as in the readings
 */
export function spotReading(exposures, exposure) {
  const sum = total(exposures);
  const from_grey_stops = stopsFromGrey(sum, exposure.display_scale, exposure.curve.grey);
  return {
    total: sum,
    from_grey_stops,
    grey_f_number: sum > 0 ? exposure.f_number * 2 ** (from_grey_stops / 2) : 0,
    meter_f_number: fNumberFromExposure(sum, exposure.iso_value, exposure.constants.spot),
    shares: exposures.map((value) => (sum > 0 ? value / sum : 0)),
  };
}
