/** Light layers out of compact text, see sim/reports/handout/layers.py. */

async function inflated(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/** Undo the median edge detector: every value is its guess from left, above and above left, plus what was left over. */
function unpacked(bytes, width, height) {
  const size = width * height;
  const codes = new Uint16Array(3 * size);
  const rest = (channel, i) => {
    const at = channel * size + i;
    const folded = bytes[at] | (bytes[3 * size + at] << 8) | (bytes[6 * size + at] << 16);
    return folded & 1 ? -((folded + 1) >> 1) : folded >> 1;
  };
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      const green = rest(1, i);
      for (let c = 0; c < 3; c++) {
        const at = 3 * i + c;
        const above = y ? codes[at - 3 * width] : 0;
        const left = x ? codes[at - 3] : above;
        const corner = x ? (y ? codes[at - 3 * width - 3] : 0) : above;
        const low = Math.min(left, above), high = Math.max(left, above);
        const guess = corner >= high ? low : corner <= low ? high : left + above - corner;
        codes[at] = guess + (c === 1 ? green : rest(c, i) + green);
      }
    }
  }
  return codes;
}

/** Linear RGB of a layer, 1 is white, row by row from the top. */
export async function linearLayer(text, { width, height, k, power }) {
  const codes = unpacked(await inflated(text), width, height);
  return Float32Array.from(codes, (code) => (code / k) ** power);
}
