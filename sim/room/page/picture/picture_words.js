/** Numbers in a photographer's words: stops, f-numbers, dials, shares. */

import { MINUS, ratio, readingShort, signedStops } from "../../../web/phrases.js";

/** Stops with their sign, one decimal: "+1.3", "−0.7", "0.0"; "dark" where there is no light. */
export function stopsText(stops, digits = 1) {
  if (stops === null || stops === undefined || Number.isNaN(stops)) return "\u2013";
  return stops < -20 ? "dark" : signedStops(stops, digits);
}

/** Stops as a screen reader shall say them. */
export function stopsSpoken(stops) {
  const text = stopsText(stops);
  return text.startsWith(MINUS) ? `minus ${text.slice(1)}` : text.startsWith("+") ? `plus ${text.slice(1)}` : text;
}

/** A meter's reading to a tenth of a stop: "f/5.6 7/10"; "< f/0.7" and "no light" below. */
export const fNumberText = (value) => (value > 0 ? readingShort(value) : "no light");

/** The value that an f-number's mark stands for: 5.6 is 2^2.5; null where it is no number. */
export function fNumberFromText(text) {
  const found = /^\s*f?\s*\/?\s*(\d+(?:[.,]\d+)?)(?:\s+(\d)\s*\/\s*(10|3|2))?\s*$/i.exec(text);
  if (!found) return null;
  const plain = Number(found[1].replace(",", "."));
  if (!(plain >= 0.5 && plain <= 128)) return null;
  const rest = found[2] ? Number(found[2]) / Number(found[3]) : 0;
  // A mark such as 5.6 stands for its exact place in the series of thirds.
  const third = Math.round(6 * Math.log2(plain));
  const near = 2 ** (third / 6);
  return (Math.abs(near / plain - 1) < 0.03 ? near : plain) * 2 ** (rest / 2);
}

/** Stops from what a person writes: "-2", "−1 1/3", "+0.5 stops", "2/3"; null where it is no number. */
export function stopsFromText(text) {
  const plain = text
    .replace(/[\u2212\u2013]/g, "-")
    .replace(",", ".")
    .replace(/stops?/i, "")
    .trim();
  const found = /^([+-]?)\s*(?:(\d+(?:\.\d*)?|\.\d+)(?:\s+(\d+)\s*\/\s*(\d+))?|(\d+)\s*\/\s*(\d+))$/.exec(plain);
  if (!found) return null;
  const whole = Number(found[2] ?? 0);
  const part = found[4] ? Number(found[3]) / Number(found[4]) : found[6] ? Number(found[5]) / Number(found[6]) : 0;
  const value = (found[1] === "-" ? -1 : 1) * (whole + part);
  return Number.isFinite(value) && Math.abs(value) <= 20 ? value : null;
}

/** A share 0..1 as whole percent, never 0 for what is there. */
export function shareText(share) {
  if (!(share > 0)) return "\u2013";
  return share < 0.005 ? "< 1 %" : `${Math.round(100 * share)} %`;
}

/** A ratio of light: "3.2 : 1". */
export function ratioText(stops) {
  if (!Number.isFinite(stops)) return "\u221e : 1";
  return ratio(2 ** stops);
}
