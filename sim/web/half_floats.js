/** Numbers of half precision (IEEE 754 binary16). */

let halves = null;

/** Value of each of the 65536 numbers of half precision, a Float32Array. */
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
