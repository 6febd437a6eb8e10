/** Lengths, angles and stops in words, and places around the sitter. */

import { MINUS, change, metres, tilt } from "../../web/phrases.js";

const DEG = Math.PI / 180;

const signed = (text, value) => (value < 0 ? MINUS : "") + text;

/** 1.70 m */
export const metresText = metres;

/** 5 ft 7 in */
export function feetText(m) {
  const inches = Math.round(Math.abs(m) / 0.0254);
  return signed(`${Math.floor(inches / 12)} ft ${inches % 12} in`, Math.round(m * 100));
}

export const degreesText = (deg) => signed(`${Math.abs(Math.round(deg))}°`, Math.round(deg));

/** A dial in stops from full: "−1.3 stops", "full". */
export const dialStopsText = (stops) => (Math.round(stops * 100) === 0 ? "full" : change(stops));

/** Stops from full of a dial as lamps show it: "1/4 +7/10" is seven tenths above a quarter; null where it is none. */
export function stopsFromDialText(text) {
  const found = /^1\/([1-9]\d*)\s*\+\s*(\d)\/(10|3)$/.exec(text.trim());
  return found && Number(found[2]) < Number(found[3])
    ? -Math.log2(Number(found[1])) + Number(found[2]) / Number(found[3])
    : null;
}

/** 8° down */
export const tiltText = tilt;

/** Bearing in degrees of a floor place: 0 toward the camera, positive toward camera right. */
export const bearingDeg = (x, z) => Math.atan2(x, z) / DEG;

export const floorPlace = (bearing, distance) => [
  distance * Math.sin(bearing * DEG),
  distance * Math.cos(bearing * DEG),
];

export const roundTo = (value, step) => Math.round(value / step) * step;

export const distance = (a, b) => Math.hypot(...a.map((value, i) => value - b[i]));

/** Degrees within (-180, 180]. */
export const turnDeg = (deg) => {
  const t = ((deg % 360) + 360) % 360;
  return t > 180 ? t - 360 : t;
};

/** What a bearing means to someone in the room. */
export function bearingWords(deg) {
  const side = deg < 0 ? "camera left" : "camera right",
    size = Math.abs(deg);
  if (size <= 10) return "by the camera";
  if (size >= 170) return "straight behind";
  return size < 80 ? `front, ${side}` : size <= 100 ? side : `behind, ${side}`;
}

const UNITS_M = {
  m: 1,
  cm: 0.01,
  mm: 0.001,
  ft: 0.3048,
  "'": 0.3048,
  "′": 0.3048,
  in: 0.0254,
  '"': 0.0254,
  "″": 0.0254,
};

/** Metres of "1.7 m", "170 cm", "5 ft 7 in" or a bare number; null where it is none. */
export function metresFromText(text) {
  const line = text
    .trim()
    .replace(/[−–]/g, "-")
    .replace(/(\d),(\d)/g, "$1.$2");
  if (/^[-+]?\d*\.?\d+$/.test(line)) return Number(line);
  const parts = [...line.matchAll(/([-+]?\d*\.?\d+)\s*(mm|cm|m|ft|in|['"′″])\s*/gy)];
  if (!parts.length || parts.map((part) => part[0]).join("") !== line) return null;
  const sign = line.startsWith("-") ? -1 : 1;
  return sign * parts.reduce((sum, [, number, unit]) => sum + Math.abs(Number(number)) * UNITS_M[unit], 0);
}

/** Degrees of "-35°", "-35 deg" or a bare number; null where it is none. */
export function degreesFromText(text) {
  const found = /^([-+]?\d*\.?\d+)\s*(°|deg|degrees)?$/.exec(
    text
      .trim()
      .replace(/[−–]/g, "-")
      .replace(/(\d),(\d)/, "$1.$2"),
  );
  return found ? Number(found[1]) : null;
}

/** Add the unit that people leave out: "1,8" becomes "1.8 m". */
export function withUnit(text, unit) {
  const line = text
    .trim()
    .replace(/[−–]/g, "-")
    .replace(/(\d),(\d)/g, "$1.$2");
  return unit && /^[-+]?(\d*\.?\d+|\d+\/\d+)$/.test(line) ? (unit === "°" ? `${line}°` : `${line} ${unit}`) : line;
}
