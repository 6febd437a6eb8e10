/**
 * From linear light to what is shown: the neutral curve, sRGB, false tones, and numbers of half precision.
 *
 * The formulas are those of sim/light/develop.py, sim/quantities/color.py (IEC 61966-2-1) and sim/metering/health.py; their constants come with
 * the server's state, so that none is stated twice.
 */

let halves = null;

/** Value of each of the 65536 numbers of half precision (IEEE 754 binary16), a Float32Array. */
export function halfTable() {
  if (halves) return halves;
  halves = new Float32Array(65536);
  for (let bits = 0; bits < 65536; bits++) {
    const sign = bits & 0x8000 ? -1 : 1, power = (bits >> 10) & 31, rest = bits & 1023;
    if (power === 31) halves[bits] = rest ? NaN : sign * Infinity;
    else halves[bits] = sign * (power ? 2 ** (power - 25) * (1024 + rest) : 2 ** -24 * rest);
  }
  return halves;
}

/**
 * Display value 0..1 of a linear value through the neutral curve: a straight line to the shoulder, flat at saturation.
 * @param {number} x linear, 1 is white
 * @param {{shoulder: number, saturation: number}} curve
 */
export function rolledOff(x, { shoulder, saturation }) {
  if (x <= shoulder) return Math.max(x, 0);
  const span = saturation - shoulder, rise = 1 - shoulder, t = Math.min((x - shoulder) / span, 1);
  return shoulder + rise * (1 - (1 - t) ** (span / rise));
}

/** sRGB code 0..255 of a linear value through the neutral curve. */
export function codeFromLinear(x, curve) {
  const shown = rolledOff(x, curve);
  const code = shown <= 0.0031308 ? 12.92 * shown : 1.055 * shown ** (1 / 2.4) - 0.055;
  return Math.floor(Math.min(Math.max(code, 0), 1) * 255 + 0.5);
}

/**
 * Codes of linear values by the upper 18 bits of their single precision: a step of 1/1024 of a value, a tenth of a code.
 * @returns {Uint8Array} code by `bits >>> 13`
 */
export function codeTable(curve) {
  const table = new Uint8Array(1 << 18);
  const value = new Float32Array(1), bits = new Uint32Array(value.buffer);
  for (let index = 0; index < table.length; index++) {
    bits[0] = (index << 13) | 0x1000;
    table[index] = value[0] >= curve.saturation ? 255 : codeFromLinear(value[0], curve);
  }
  return table;
}

/**
 * What false tones need: edges between bands in stops from middle grey, and each band's colour.
 * @param {{from_stops: number|null, label: string, colour: string}[]} bands darkest first, the last is "clipped"
 */
export function tonesFromBands(bands) {
  const rgb = bands.map(({ colour }) => [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16)));
  return { edges: bands.slice(1, -1).map((band) => band.from_stops), rgb };
}

/** Band of a linear colour: by its luminance, but the last as soon as a channel clips. */
export function bandIndex(rgb, tones, develop) {
  const { curve, luminance } = develop;
  if (Math.max(...rgb) >= curve.saturation) return tones.rgb.length - 1;
  const grey = rgb[0] * luminance[0] + rgb[1] * luminance[1] + rgb[2] * luminance[2];
  const stops = Math.log2(Math.max(grey, curve.grey * 2 ** -30) / curve.grey);
  let index = 0;
  while (index < tones.edges.length && stops >= tones.edges[index]) index += 1;
  return index;
}

/**
 * Factor per channel from light on the sensor to the linear picture.
 * @param {object} exposure of the server's state
 * @param {number} stops brighter than the camera is set
 * @param {number|null} balance_K another white balance than the camera's
 */
export function gainFromExposure(exposure, stops = 0, balance_K = null) {
  const table = exposure.balance;
  const at = balance_K === null ? -1 : Math.round((balance_K - table.first_K) / table.step_K);
  const balance = table.rgb[at] ?? exposure.white_balance_rgb;
  return balance.map((weight) => weight * exposure.display_scale * 2 ** stops);
}
