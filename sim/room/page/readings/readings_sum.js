/**
 * Readings of meter points at the lights' present weights: ISO 2720 for f-numbers, ISO 12232 for stops from grey.
 *
 * The server sends what each light gives each point at full dial and white; the rest is a weighted sum.
 */

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

/**
 * One point, by light and together.
 * @param {object} point of the "meters" message
 * @param {Object<string, number[]>} weights [r, g, b] by light, 0 where it is not heard
 * @param {object} exposure of the server's state
 * @returns {{lights: {name, over_stops, from_grey_stops, share}[], together: {f_number, over_stops, from_grey_stops,
 *   stderr_stops, exposure}}} `over_stops` against the set f-number, null for a spot; `from_grey_stops` null where no
 *   spot was read
 */
export function pointReading(point, weights, exposure) {
  const { luminance, iso_value: iso, f_number, display_scale, curve } = exposure;
  const names = Object.keys(weights);
  const spot = point.kind === "spot";
  const values = weighted(point.per_light, weights, luminance);
  const seen = spot ? values : point.spot ? weighted(point.spot, weights, luminance) : null;
  const fNumber = (value) => Math.sqrt((Math.max(value, 0) * iso) / point.constant);
  const over = (value) => (spot ? null : 2 * log2(fNumber(value) / f_number));
  const grey = (value) => log2((value * display_scale) / curve.grey);
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
 * Key side against shadow side: flat receptors on the cheeks, as sim/metering/report.py defines the ratio.
 * @returns {{stops: number, shadow_stops: number}|null} `stops` key over shadow; `shadow_stops` shadow against the
 *   set f-number
 */
export function keyToShadow(points, weights, exposure) {
  const lit = points.find((point) => point.name === "key-side cheek");
  const shadow = points.find((point) => point.name === "shadow-side cheek");
  if (!lit || !shadow) return null;
  const high = pointReading(lit, weights, exposure).together, low = pointReading(shadow, weights, exposure).together;
  // A dome and a flat receptor have constants of their own: stops are of what the meter shows.
  return { stops: 2 * log2(high.f_number / low.f_number), key: high, shadow: low };
}
