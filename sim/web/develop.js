/**
 * From linear light to what is shown: the neutral curve, sRGB and false tones.
 *
 * The formulas are those of sim/light/develop.py, sim/quantities/color.py (IEC 61966-2-1) and sim/metering/health.py;
 * the curve's constants come with each page's data.
 */

// IEC 61966-2-1: code = 12.92 x up to the linear part's end, 1.055 x^(1/2.4) - 0.055 above.
const LINEAR_UP_TO = 0.0031308, SLOPE = 12.92, SCALE = 1.055, OFFSET = 0.055, GAMMA = 2.4;

/** The same in the language of the graphics hardware: `vec3 codes(vec3 linear, float shoulder, float saturation)`. */
export const CODES_GLSL = `
vec3 codes(vec3 linear,float shoulder,float saturation){
 float span=saturation-shoulder,rise=1.-shoulder;
 vec3 t=clamp((linear-shoulder)/span,0.,1.);
 vec3 rolled=shoulder+rise*(1.-pow(1.-t,vec3(span/rise)));
 vec3 shown=mix(max(linear,0.),rolled,greaterThan(linear,vec3(shoulder)));
 vec3 curved=${SCALE}*pow(max(shown,vec3(${LINEAR_UP_TO})),vec3(1./${GAMMA}))-${OFFSET};
 vec3 code=mix(shown*${SLOPE},curved,greaterThan(shown,vec3(${LINEAR_UP_TO})));
 return floor(clamp(code,0.,1.)*255.+.5)/255.;}`;

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
  const code = shown <= LINEAR_UP_TO ? SLOPE * shown : SCALE * shown ** (1 / GAMMA) - OFFSET;
  return Math.floor(Math.min(Math.max(code, 0), 1) * 255 + 0.5);
}

/**
 * Codes of linear values by the upper 18 bits of their single precision: a step of 1/1024, a tenth of a code.
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
 * @param {Exposure} exposure of the server's state
 * @param {number} stops brighter than the camera is set
 * @param {number|null} balance_K another white balance than the camera's
 */
export function gainFromExposure(exposure, stops = 0, balance_K = null) {
  const table = exposure.balance;
  const at = balance_K === null ? -1 : Math.round((balance_K - table.first_K) / table.step_K);
  const balance = table.rgb[at] ?? exposure.white_balance_rgb;
  return balance.map((weight) => weight * exposure.display_scale * 2 ** stops);
}
