// Colours of the charts. Six hues that stay apart in every common colour blindness, each with a shape of its own;
// a ramp by lightness alone for amounts; two arms for under (blue) and over (amber).
import { isNumber } from "./data.js";

export const HUES = ["#1d2fb4", "#d97714", "#4a9f8a", "#9c1a24", "#a27ad9", "#4a2c3c"];
export const PLAIN = "#3c4c66";
export const SHAPES = [
  "M-4.2 0a4.2 4.2 0 1 0 8.4 0a4.2 4.2 0 1 0-8.4 0z",
  "M-3.8-3.8h7.6v7.6h-7.6z",
  "M0-4.6L4.6 4.6H-4.6z",
  "M0-5.4L5.4 0L0 5.4L-5.4 0z",
  "M0 4.6L4.6-4.6H-4.6z",
  "M-1.6-5h3.2v3.4h3.4v3.2h-3.4v3.4h-3.2v-3.4h-3.4v-3.2h3.4z",
];
const RAMP = ["#f3efdf", "#b9cdb8", "#6fa3a6", "#34708f", "#1c3a66"];
export const UNDER = ["#f5f3ee", "#a9b9e3", "#5b76c6", "#25367f"];
export const OVER = ["#f5f3ee", "#e9bf88", "#c47a25", "#713d00"];

const rgbOf = (hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
function between(stops, share) {
  const at = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
  const i = Math.min(Math.floor(at), stops.length - 2);
  const from = rgbOf(stops[i]),
    to = rgbOf(stops[i + 1]);
  const mixed = from.map((v, c) => Math.round(v + (to[c] - v) * (at - i)));
  return `#${mixed.map((v) => v.toString(16).padStart(2, "0")).join("")}`;
}

// Relative luminance after WCAG 2.2; black or white, whichever stands out more from a ground: at least 4.5 to 1.
function luminanceOf(hex) {
  const [r, g, b] = rgbOf(hex).map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
export const inkOn = (hex) => (luminanceOf(hex) > 0.179 ? "#000000" : "#ffffff");

// A colour scale over values: two arms around `center`, or one ramp where there is none.
export function scaleOf(values, center = null) {
  const found = values.filter(isNumber);
  let low = found.reduce((a, b) => Math.min(a, b), Infinity),
    high = found.reduce((a, b) => Math.max(a, b), -Infinity);
  if (!found.length) [low, high] = [0, 1];
  if (center !== null) {
    const reach = Math.max(high - center, center - low, 0.1);
    return {
      low: center - reach,
      high: center + reach,
      center,
      color: (v) => (v < center ? between(UNDER, (center - v) / reach) : between(OVER, (v - center) / reach)),
    };
  }
  if (high - low < 1e-9) high = low + 1;
  return { low, high, center, color: (v) => between(RAMP, (v - low) / (high - low)) };
}
