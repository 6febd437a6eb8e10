/** Where a spot meter looks in the picture: the pixels of its circle, what they show, and the places behind them. */

/**
 * Diameter in pixels of a spot of `spot_deg` in the picture's middle.
 * @param {number} half_width of the picture at distance 1, see sim/room/preview/frame.py
 */
export function spotPixels(spot_deg, half_width, width) {
  return (width * Math.tan((spot_deg * Math.PI) / 360)) / half_width;
}

/** Indices of the pixels whose centres lie in a circle round a pixel's centre; at least that pixel itself. */
export function circlePixels(x, y, diameter, width, height) {
  const radius = diameter / 2,
    found = [];
  for (let py = Math.max(0, Math.ceil(y - radius)); py <= Math.min(height - 1, y + radius); py++) {
    for (let px = Math.max(0, Math.ceil(x - radius)); px <= Math.min(width - 1, x + radius); px++) {
      if ((px - x) ** 2 + (py - y) ** 2 <= radius * radius) found.push(py * width + px);
    }
  }
  return found.length ? found : [y * width + x];
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
  const met = pixels
    .map((pixel) => distance[pixel])
    .filter((d) => Number.isFinite(d) && d > 0)
    .sort((a, b) => a - b);
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
