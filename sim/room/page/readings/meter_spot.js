/**
 * A spot meter over the picture's raw layers: mean luminance in a circle, by light and together.
 *
 * The arithmetic is that of sim/metering/points.py (readings of whole parts): ISO 12232 for stops from grey, ISO 2720 for what
 * a hand-held spot meter shows. The raw layers are never denoised.
 */
import { halfTable } from "../picture/picture_develop.js";

/**
 * Diameter in pixels of a spot of `spot_deg` in the picture's middle.
 * @param {number} half_width of the picture at distance 1, see sim/room/preview/frame.py
 */
export function spotPixels(spot_deg, half_width, width) {
  return (width * Math.tan((spot_deg * Math.PI) / 360)) / half_width;
}

/** Indices of the pixels whose centres lie in a circle round a pixel's centre; at least that pixel itself. */
export function circlePixels(x, y, diameter, width, height) {
  const radius = diameter / 2, found = [];
  for (let py = Math.max(0, Math.ceil(y - radius)); py <= Math.min(height - 1, y + radius); py++) {
    for (let px = Math.max(0, Math.ceil(x - radius)); px <= Math.min(width - 1, x + radius); px++) {
      if ((px - x) ** 2 + (py - y) ** 2 <= radius * radius) found.push(py * width + px);
    }
  }
  return found.length ? found : [y * width + x];
}

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
 * @param {object} exposure of the server's state
 * @returns {{total, from_grey_stops, grey_f_number, meter_f_number, shares}} `grey_f_number` shows this tone as middle
 *   grey in the picture; `meter_f_number` is a hand-held spot meter's (K = 12.5), as in the readings
 */
export function spotReading(exposures, exposure) {
  const total = exposures.reduce((sum, value) => sum + value, 0);
  const from_grey_stops = total > 0 ? Math.log2((total * exposure.display_scale) / exposure.curve.grey) : -Infinity;
  return {
    total,
    from_grey_stops,
    grey_f_number: total > 0 ? exposure.f_number * 2 ** (from_grey_stops / 2) : 0,
    meter_f_number: Math.sqrt((Math.max(total, 0) * exposure.iso_value) / exposure.constants.spot),
    shares: exposures.map((value) => (total > 0 ? value / total : 0)),
  };
}

/** The part that most of the pixels show, and how much of the circle it fills. */
export function partAt(region, names, pixels) {
  const counts = new Map();
  for (const pixel of pixels) counts.set(region[pixel], (counts.get(region[pixel]) ?? 0) + 1);
  const [index, count] = [...counts].sort((a, b) => b[1] - a[1])[0];
  return { name: names[index] ?? "nothing", share: count / pixels.length };
}

/** Unit direction from the camera through a pixel's centre; a pinhole in the middle of the lens. */
export function directionThrough(x, y, width, height, { right, up, forward, half_width, half_height }) {
  const across = ((2 * (x + 0.5)) / width - 1) * half_width;
  const upward = (1 - (2 * (y + 0.5)) / height) * half_height;
  const way = forward.map((value, i) => value + across * right[i] + upward * up[i]);
  const length = Math.hypot(...way);
  return way.map((value) => value / length);
}

/**
 * World point that a pixel shows.
 * @param {Float32Array} distance metres along each pixel's ray
 * @param {number[]} pixels of the circle, whose middle distance is taken: an edge then does not pull the point away
 * @param {number} before_m how far before the surface, toward the camera
 * @returns {number[]|null} metres, null where nothing is met
 */
export function pointAt(x, y, frame, distance, pixels, before_m = 0) {
  const met = pixels.map((pixel) => distance[pixel]).filter((d) => Number.isFinite(d) && d > 0).sort((a, b) => a - b);
  if (!met.length) return null;
  const way = directionThrough(x, y, frame.width, frame.height, frame.camera);
  const reach = met[met.length >> 1] - before_m;
  return frame.camera.position_m.map((value, i) => value + reach * way[i]);
}

/** Where a world point lies in the picture: [x, y], 0 left or top to 1; null behind the camera. */
export function placeOf(point_m, { position_m, right, up, forward, half_width, half_height }) {
  const offset = point_m.map((value, i) => value - position_m[i]);
  const along = (axis) => axis.reduce((sum, value, i) => sum + value * offset[i], 0);
  const depth = along(forward);
  if (depth < 1e-6) return null;
  return [(1 + along(right) / depth / half_width) / 2, (1 - along(up) / depth / half_height) / 2];
}
