/**
 * The mixer: light layers, each times its weight, developed into a picture. WebGL 2, or a plain canvas.
 *
 * A layer is a Uint16Array of half precision or a Float32Array: RGB, row by row from the top.
 * A mix is {weights: [[r, g, b], ..] by layer, gain: [r, g, b], grey: [r, g, b] | null, tones: false tones | null}.
 */
import { CODES_GLSL, bandIndex, codeTable } from "./develop.js";
import { halfTable } from "./half_floats.js";

export const MOST_LAYERS = 24;
const MOST_BANDS = 16;

const VERTEX = `#version 300 es
void main(){vec2 p=vec2(gl_VertexID==1?3.:-1.,gl_VertexID==2?3.:-1.);gl_Position=vec4(p,0,1);}`;
const FRAGMENT = `#version 300 es
precision highp float;precision highp int;precision highp sampler2DArray;
uniform sampler2DArray layers;uniform vec3 weights[${MOST_LAYERS}];uniform int count,look,bands;uniform ivec2 size;
uniform vec3 gain,mixture,luminance,bandColor[${MOST_BANDS}];uniform float edge[${MOST_BANDS}];
uniform float shoulder,saturation,middle;out vec4 color;${CODES_GLSL}
void main(){
 ivec2 p=ivec2(gl_FragCoord.xy);p.y=size.y-1-p.y;vec3 sum=vec3(0);
 for(int k=0;k<${MOST_LAYERS};k++){if(k>=count)break;
  if(weights[k]!=vec3(0))sum+=weights[k]*texelFetch(layers,ivec3(p,k),0).rgb;}
 sum*=gain;
 if(look==2){
  float stops=log2(max(dot(sum,luminance),middle*exp2(-30.))/middle);int band=0;
  for(int b=0;b<${MOST_BANDS};b++){if(b>=bands-2||stops<edge[b])break;band=b+1;}
  if(max(sum.r,max(sum.g,sum.b))>=saturation)band=bands-1;
  color=vec4(bandColor[band],1);return;}
 if(look==1)sum=vec3(dot(sum,mixture));
 color=vec4(codes(sum,shoulder,saturation),1);}`;

/**
 * A mixer on a canvas. Where it does not use WebGL the canvas is replaced by a fresh one: use `mixer.canvas`.
 *
 * "auto" takes WebGL only from graphics hardware: emulated by the processor it is slower than the plain canvas.
 * @param {HTMLCanvasElement} canvas
 * @param {{webgl?: string, apart?: boolean}} [options] `webgl` "auto", "always" or "never"; `apart` hands a plain
 *   canvas's pictures to the screen past the page's own drawing, which is left alone then, and the canvas to no one
 */
export function createMixer(canvas, { webgl = "auto", apart = false } = {}) {
  const gpu = webgl === "never" ? null : gpuMixer(canvas, webgl === "auto");
  if (gpu) return gpu;
  // A canvas that was asked for WebGL gives no other drawing.
  const fresh = /** @type {HTMLCanvasElement} */ (canvas.cloneNode());
  canvas.replaceWith(fresh);
  const isApart = apart && typeof OffscreenCanvas !== "undefined";
  return plainMixer(fresh, isApart ? fresh.transferControlToOffscreen() : fresh);
}

/** What both mixers share: the layers that were put in and the last mix, so that a lost picture can be drawn again. */
function deskFor(kind, canvas) {
  return { kind, canvas, width: 0, height: 0, layers: [], scale: [], develop: null, last: null, lost: false };
}

function scaled(desk, weights) {
  return weights.map((rgb, k) => rgb.map((value) => value * desk.scale[k]));
}

/** Whether the processor stands in for graphics hardware; not every browser says so when it is asked for a context. */
function isEmulated(gl) {
  const names = gl.getExtension("WEBGL_debug_renderer_info");
  const told = String(gl.getParameter(names ? names.UNMASKED_RENDERER_WEBGL : gl.RENDERER));
  return /swiftshader|llvmpipe|softpipe|software|basic render/i.test(told);
}

function gpuMixer(canvas, onlyHardware) {
  const gl = canvas.getContext("webgl2", {
    alpha: false, antialias: false, depth: false, preserveDrawingBuffer: true,
    failIfMajorPerformanceCaveat: onlyHardware,
  });
  if (!gl || (onlyHardware && isEmulated(gl))) return null;
  const desk = deskFor("webgl", canvas);
  let place = {}, texture = null;

  function build() {
    const program = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) return false;
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) return false;
    gl.useProgram(program);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    const names = ["weights", "count", "look", "bands", "size", "gain", "mixture", "luminance", "bandColor", "edge",
      "shoulder", "saturation", "middle"];
    place = Object.fromEntries(names.map((name) => [name, gl.getUniformLocation(program, name)]));
    gl.uniform1i(gl.getUniformLocation(program, "layers"), 0);
    texture = null;
    return true;
  }

  function upload() {
    const { width, height, layers } = desk;
    const isWide = layers[0] instanceof Float32Array;
    const form = [width, height, layers.length, isWide].join();
    if (texture?.form !== form) {
      if (texture) gl.deleteTexture(texture.name);
      texture = { name: gl.createTexture(), form, held: [] };
      gl.bindTexture(gl.TEXTURE_2D_ARRAY, texture.name);
      gl.texStorage3D(gl.TEXTURE_2D_ARRAY, 1, isWide ? gl.RGB32F : gl.RGB16F, width, height, layers.length);
      for (const [key, value] of [[gl.TEXTURE_MIN_FILTER, gl.NEAREST], [gl.TEXTURE_MAG_FILTER, gl.NEAREST],
        [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE]]) {
        gl.texParameteri(gl.TEXTURE_2D_ARRAY, key, value);
      }
    }
    layers.forEach((layer, k) => {
      if (texture.held[k] === layer) return;
      const kind = isWide ? gl.FLOAT : gl.HALF_FLOAT;
      gl.texSubImage3D(gl.TEXTURE_2D_ARRAY, 0, 0, 0, k, width, height, 1, gl.RGB, kind, layer);
      texture.held[k] = layer;
    });
  }

  function draw(mix, beside = null) {
    desk.last = [mix, beside];
    if (desk.lost || !desk.layers.length) return;
    const { width, height } = desk;
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    upload();
    gl.viewport(0, 0, width, height);
    paint(mix);
    if (!beside) return;
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(0, 0, beside.columns, height);
    paint(beside.mix);
    gl.disable(gl.SCISSOR_TEST);
  }

  function paint(mix) {
    const { width, height, develop } = desk;
    gl.uniform3fv(place.weights, padded(scaled(desk, mix.weights).flat(), 3 * MOST_LAYERS));
    gl.uniform1i(place.count, desk.layers.length);
    gl.uniform2i(place.size, width, height);
    gl.uniform3fv(place.gain, mix.gain);
    gl.uniform3fv(place.mixture, mix.grey ?? [0, 0, 0]);
    gl.uniform3fv(place.luminance, develop.luminance);
    gl.uniform1f(place.shoulder, develop.curve.shoulder);
    gl.uniform1f(place.saturation, develop.curve.saturation);
    gl.uniform1f(place.middle, develop.curve.grey);
    gl.uniform1i(place.look, mix.tones ? 2 : mix.grey ? 1 : 0);
    gl.uniform1i(place.bands, mix.tones?.rgb.length ?? 0);
    if (mix.tones) {
      gl.uniform1fv(place.edge, padded(mix.tones.edges, MOST_BANDS));
      gl.uniform3fv(place.bandColor, padded(mix.tones.rgb.flat().map((code) => code / 255), 3 * MOST_BANDS));
    }
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  }

  function pixel(x, y) {
    const found = new Uint8Array(4);
    gl.readPixels(x, desk.height - 1 - y, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, found);
    return [...found.subarray(0, 3)];
  }

  if (gl.getParameter(gl.MAX_ARRAY_TEXTURE_LAYERS) < MOST_LAYERS || !build()) return null;
  canvas.addEventListener("webglcontextlost", (event) => { event.preventDefault(); desk.lost = true; });
  canvas.addEventListener("webglcontextrestored", () => {
    desk.lost = !build();
    if (desk.last) draw(...desk.last);
  });
  return finished(desk, draw, pixel);
}

function plainMixer(canvas, surface) {
  const desk = deskFor("canvas", canvas);
  const context = surface.getContext("2d", { alpha: false, willReadFrequently: true });
  const halves = halfTable();
  let table = null, curve = null, sum = null, image = null;
  // What all layers give but the one that changed last: a layer that follows a hand or a fader is added to it alone.
  let rest = null, hot = -1, known = [];

  function draw(mix, beside = null) {
    desk.last = [mix, beside];
    const { width, height, develop, layers } = desk;
    if (!layers.length) return;
    if (surface.width !== width || surface.height !== height || !image) {
      Object.assign(surface, { width, height });
      image = context.createImageData(width, height);
      sum = new Float32Array(3 * width * height);
      rest = new Float32Array(3 * width * height);
      known = [];
    }
    if (curve !== develop.curve) { curve = develop.curve; table = codeTable(curve); }
    gather(terms(mix));
    paint(mix);
    context.putImageData(image, 0, 0);
    if (!beside) return;
    sum.fill(0);
    for (const term of terms(beside.mix)) addTo(sum, sum, term);
    paint(beside.mix);
    context.putImageData(image, 0, 0, 0, 0, beside.columns, height);
  }

  /** Each layer with what it is multiplied by. */
  const terms = (mix) => scaled(desk, mix.weights).map((rgb, k) => (
    { layer: desk.layers[k], factors: rgb.map((value, axis) => value * mix.gain[axis]) }));

  const isSame = (one, other) => one.layer === other.layer && one.factors.every((v, i) => v === other.factors[i]);

  /** Sum all terms; only what changed since the last time is added anew where that is one term again and again. */
  function gather(now) {
    const changed = now.map((_, k) => k).filter((k) => known.length !== now.length || !isSame(now[k], known[k]));
    if (known.length !== now.length || changed.some((k) => k !== hot)) {
      hot = changed.length === 1 ? changed[0] : -1;
      rest.fill(0);
      now.forEach((term, k) => { if (k !== hot) addTo(rest, rest, term); });
    }
    known = now;
    if (hot < 0) sum.set(rest);
    else addTo(sum, rest, now[hot]);
  }

  /** Put `from` plus a term into `into`. */
  function addTo(into, from, { layer, factors: [red, green, blue] }) {
    if (!red && !green && !blue) {
      if (into !== from) into.set(from);
    } else if (layer instanceof Float32Array) {
      for (let i = 0; i < into.length; i += 3) {
        into[i] = from[i] + red * layer[i];
        into[i + 1] = from[i + 1] + green * layer[i + 1];
        into[i + 2] = from[i + 2] + blue * layer[i + 2];
      }
    } else {
      for (let i = 0; i < into.length; i += 3) {
        into[i] = from[i] + red * halves[layer[i]];
        into[i + 1] = from[i + 1] + green * halves[layer[i + 1]];
        into[i + 2] = from[i + 2] + blue * halves[layer[i + 2]];
      }
    }
  }

  function paint(mix) {
    if (mix.tones) paintTones(mix.tones, desk.develop);
    else paintCodes(mix.grey);
  }

  function paintCodes(grey) {
    const out = image.data;
    if (grey) {
      const [r, g, b] = grey;
      for (let i = 0; i < sum.length; i += 3) sum[i] = r * sum[i] + g * sum[i + 1] + b * sum[i + 2];
    }
    const bits = new Int32Array(sum.buffer);
    const code = (i) => (bits[i] < 0 ? 0 : table[bits[i] >>> 13]);
    for (let i = 0, o = 0; i < sum.length; i += 3, o += 4) {
      out[o] = code(i);
      out[o + 1] = grey ? out[o] : code(i + 1);
      out[o + 2] = grey ? out[o] : code(i + 2);
      out[o + 3] = 255;
    }
  }

  function paintTones(tones, develop) {
    const out = image.data;
    for (let i = 0, o = 0; i < sum.length; i += 3, o += 4) {
      const rgb = tones.rgb[bandIndex([sum[i], sum[i + 1], sum[i + 2]], tones, develop)];
      out[o] = rgb[0];
      out[o + 1] = rgb[1];
      out[o + 2] = rgb[2];
      out[o + 3] = 255;
    }
  }

  const pixel = (x, y) => [...context.getImageData(x, y, 1, 1).data.subarray(0, 3)];
  return finished(desk, draw, pixel);
}

const padded = (list, length) => Float32Array.from({ length }, (_, k) => list[k] ?? 0);

function finished(desk, draw, pixel) {
  /**
   * Take a frame in; the canvas keeps its old picture until the next `draw`.
   * @param {{width: number, height: number, layers: (Uint16Array|Float32Array)[], scale: number[]}} frame `scale`
   *   brings each layer back to its unit, cd s/m2 or cd/m2
   * @param {{curve: object, luminance: number[]}} develop constants of the server's state
   */
  function take({ width, height, layers, scale }, develop) {
    if (layers.length > MOST_LAYERS) throw new RangeError(`at most ${MOST_LAYERS} layers, got ${layers.length}`);
    Object.assign(desk, { width, height, layers, scale, develop });
  }
  return {
    get kind() { return desk.kind; },
    get canvas() { return desk.canvas; },
    get size() { return [desk.width, desk.height]; },
    /** Whether there is anything to draw. */
    get ready() { return desk.layers.length > 0; },
    take,
    /** Draw a mix; `beside` {mix, columns} lets another one stand in the leftmost columns of pixels. */
    draw,
    /** The colour on the canvas [r, g, b] 0..255 at a pixel from the upper left. */
    pixel,
  };
}
