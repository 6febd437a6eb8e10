/**
 * Quantities in a photographer's words: the notation of sim/quantities/phrases.py, for what the pages say.
 *
 * Both are tested on tests/quantities/phrases_table.json. Negative numbers carry the true minus sign (U+2212).
 */

export const MINUS = "\u2212";

// Engraved f-numbers by whole stops from f/1 on; common practice, no source.
const MARKS = ["1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45", "64", "90", "128"];
// Below this a meter shows nothing of use; common practice, no source.
const LOWEST_F_NUMBER = 0.7;

/** A number of a fixed count of decimals, never a negative zero: "−1.2". */
export function fixed(value, digits) {
  const text = Math.abs(value).toFixed(digits);
  return (value < 0 && Number(text) !== 0 ? MINUS : "") + text;
}

/** A number in as few digits as it needs: "2.7", "−0.32", "0". */
export function number(value, places = 2) {
  const text = String(Number(Math.abs(value).toFixed(places)));
  return (value < 0 && text !== "0" ? MINUS : "") + text;
}

/** How many stops, without a sign: "1 stop", "2.5 stops". */
export function stops(count, places = 2) {
  const text = number(Math.abs(count), places);
  return text === "1" ? `${text} stop` : `${text} stops`;
}

/** Stops with their sign, in as few digits as they need: "−2", "+0.25", "0". */
export function signedNumber(count) {
  const text = number(count);
  return text === "0" || count < 0 ? text : `+${text}`;
}

/** A change or a wish in stops: "−2 stops", "+1 stop". */
export function change(count) {
  const sign = signedNumber(count)[0];
  return (sign === "+" || sign === MINUS ? sign : "") + stops(count);
}

/** Stops against something, of a fixed count of decimals: "−1.2", "+0.3", "0.0", "dark"; "" where there is none. */
export function signedStops(count, digits = 1) {
  if (count === null) return "";
  if (!Number.isFinite(count)) return "dark";
  const text = fixed(count, digits);
  return count < 0 || Number(text) === 0 ? text : `+${text}`;
}

/** A light's power: its stops from full, with the fraction where that is a whole step: "2 stops below full (1/4)". */
export function power(powerStops) {
  const text = number(powerStops);
  if (text === "0") return "full power";
  const fraction = powerFraction(powerStops);
  return `${stops(powerStops)} ${powerStops < 0 ? "below" : "above"} full${fraction && ` (${fraction})`}`;
}

/** The same for tables and captions: "−2 (1/4)", "−2.7", "full". */
export function powerShort(powerStops) {
  const text = signedNumber(powerStops);
  const fraction = powerFraction(powerStops);
  return text === "0" ? "full" : text + (fraction && ` (${fraction})`);
}

/** The fraction of full of a power that is whole steps below it: "1/4", else "". */
export function powerFraction(powerStops) {
  const steps = Math.round(-powerStops * 100) / 100;
  return steps > 0 && Number.isInteger(steps) ? `1/${2 ** steps}` : "";
}

/** What a meter shows, to a tenth of a stop: "f/5.6 and 7 tenths", "dark"; "" where nothing was measured. */
export function reading(f_number) {
  const [mark, tenths] = markAndTenths(f_number);
  return tenths ? `${mark} and ${tenths} tenth${Number(tenths) > 1 ? "s" : ""}` : String(mark);
}

/** The same in few characters: "f/5.6 7/10". */
export function readingShort(f_number) {
  const [mark, tenths] = markAndTenths(f_number);
  return tenths ? `${mark} ${tenths}/10` : mark;
}

function markAndTenths(f_number) {
  if (f_number === null) return ["", 0];
  if (!(f_number > 0)) return ["dark", 0];
  if (f_number < LOWEST_F_NUMBER) return [`< f/${LOWEST_F_NUMBER}`, 0];
  const all = Math.round(20 * Math.log2(f_number));
  const stop = Math.floor(all / 10);
  const mark = stop < 0 ? String(LOWEST_F_NUMBER) : MARKS[stop] ?? (2 ** (stop / 2)).toFixed(0);
  return [`f/${mark}`, all - 10 * stop];
}

/** An amount of light with its unit, to three digits and no finer than a thousandth: "312 lx·s", "dark". */
export function amount(value, unit) {
  if (value < 0.001) return value > 0 ? `< 0.001 ${unit}` : "dark";
  const places = Math.min(2 - Math.floor(Math.log10(value)), 3);
  const step = 10 ** -places;
  return `${places < 0 ? String(Math.round(value / step) * step) : value.toFixed(places)} ${unit}`;
}

/** A ratio of light: "4.7 : 1", "1 : 1.1". */
export function ratio(factor) {
  const turned = Math.max(factor, 1 / factor);
  const text = number(turned, turned < 9.95 ? 1 : 0);
  return factor >= 1 ? `${text} : 1` : `1 : ${text}`;
}

/** (key + fill) : fill with both lights by name; `fill` null where nothing fills. */
export function lightingRatio(key, fill, over = 0) {
  if (fill === null) return `no fill (${key} alone)`;
  const way = Math.abs(over) < 0.05 ? "as strong as" : `${stops(over, 1)} ${over > 0 ? "over" : "under"}`;
  return `${ratio(2 ** over + 1)} (${key} + ${fill} : ${fill}; ${key} ${way} ${fill})`;
}

/** A distance on the floor, to the centimetre: "1.70 m". */
export const metres = (length_m) => `${fixed(length_m, 2)} m`;

/** A tilt as a direction and an angle: "12° down", "level". */
export function tilt(tilt_deg) {
  const size = Math.abs(tilt_deg);
  return size < 0.5 ? "level" : `${size.toFixed(0)}° ${tilt_deg > 0 ? "up" : "down"}`;
}
