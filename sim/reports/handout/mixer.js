// Mix the light layers of this page live: faders, exposure, white balance, black and white, wipe, build-up, readings.
const set = JSON.parse(document.getElementById("set").textContent);
const $ = (id) => document.getElementById(id);
const { width, height, lights } = set;
const count = lights.length;
const LUMINANCE = set.luminance;
const MOST = 24;

// -- layers ----------------------------------------------------------------------------------------------------------

async function inflated(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// Undo the median edge detector: every value is its guess from left, above and above left, plus what was left over.
function unpacked(bytes) {
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

// -- what is set -----------------------------------------------------------------------------------------------------

const state = {
  fader: new Array(count).fill(0),
  mute: lights.map((l) => l.muted),
  solo: new Array(count).fill(false),
  exposure: 0,
  balance: set.balance.at,
  filter: "",
  compare: false,
  wipe: 0.5,
  step: 0,
  shown: null,
};

// How strongly each light is heard: fader, mute, solo, and where the build-up stands.
function heard() {
  const solo = state.solo.some(Boolean);
  return lights.map((_, k) => {
    if (state.shown) return state.shown[k] * 2 ** state.fader[k];
    return (solo ? state.solo[k] : !state.mute[k]) ? 2 ** state.fader[k] : 0;
  });
}
const planned = lights.map((l) => (l.muted ? 0 : 1));

function gain(balance, exposure) {
  const table = set.balance.rgb, first = set.balance.first, step = set.balance.step;
  const rgb = table[Math.round((balance - first) / step)];
  return rgb.map((v) => v * 2 ** exposure);
}

// -- drawing ---------------------------------------------------------------------------------------------------------

const VERTEX = `#version 300 es
void main(){vec2 p=vec2(gl_VertexID==1?3.:-1.,gl_VertexID==2?3.:-1.);gl_Position=vec4(p,0,1);}`;
const FRAGMENT = `#version 300 es
precision highp float;precision highp int;precision highp usampler2DArray;precision highp sampler2D;
uniform usampler2DArray layers;uniform sampler2D values;uniform float now[24],before[24];uniform int count,bw,split;
uniform vec3 gainNow,gainBefore,grey;uniform ivec2 size;uniform float shoulder,saturation;out vec4 color;
float value(uint v){return texelFetch(values,ivec2(int(v)&255,int(v)>>8),0).r;}
void main(){
 ivec2 p=ivec2(gl_FragCoord.xy);p.y=size.y-1-p.y;bool plan=p.x<split;vec3 sum=vec3(0);
 for(int k=0;k<24;k++){if(k>=count)break;uvec3 v=texelFetch(layers,ivec3(p,k),0).rgb;
  sum+=(plan?before[k]:now[k])*vec3(value(v.r),value(v.g),value(v.b));}
 sum*=plan?gainBefore:gainNow;
 if(!plan&&bw==1)sum=vec3(dot(sum,grey));
 float span=saturation-shoulder,rise=1.-shoulder;
 vec3 t=clamp((sum-shoulder)/span,0.,1.);
 vec3 rolled=shoulder+rise*(1.-pow(1.-t,vec3(span/rise)));
 vec3 shown=mix(max(sum,0.),rolled,greaterThan(sum,vec3(shoulder)));
 vec3 code=mix(shown*12.92,1.055*pow(max(shown,vec3(.0031308)),vec3(1./2.4))-.055,greaterThan(shown,vec3(.0031308)));
 color=vec4(floor(clamp(code,0.,1.)*255.+.5)/255.,1);}`;

function valueTable() {
  const table = new Float32Array(65536);
  for (let v = 0; v < 65536; v++) table[v] = (v / set.k) ** set.power;
  return table;
}
const values = valueTable();

function withGpu(canvas, codes) {
  const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true });
  if (!gl || count > MOST || gl.getParameter(gl.MAX_TEXTURE_SIZE) < Math.max(width, height)) return null;
  const program = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) return null;
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) return null;
  gl.useProgram(program);
  const at = (name) => gl.getUniformLocation(program, name);
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  const plain = (target) => {
    for (const [key, value] of [[gl.TEXTURE_MIN_FILTER, gl.NEAREST], [gl.TEXTURE_MAG_FILTER, gl.NEAREST],
      [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE]]) gl.texParameteri(target, key, value);
  };
  gl.activeTexture(gl.TEXTURE0);
  gl.bindTexture(gl.TEXTURE_2D_ARRAY, gl.createTexture());
  gl.texStorage3D(gl.TEXTURE_2D_ARRAY, 1, gl.RGB16UI, width, height, count);
  codes.forEach((layer, k) =>
    gl.texSubImage3D(gl.TEXTURE_2D_ARRAY, 0, 0, 0, k, width, height, 1, gl.RGB_INTEGER, gl.UNSIGNED_SHORT, layer));
  plain(gl.TEXTURE_2D_ARRAY);
  gl.activeTexture(gl.TEXTURE1);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.R32F, 256, 256, 0, gl.RED, gl.FLOAT, values);
  plain(gl.TEXTURE_2D);
  if (gl.getError() !== gl.NO_ERROR) return null;
  gl.uniform1i(at("layers"), 0);
  gl.uniform1i(at("values"), 1);
  gl.uniform1i(at("count"), count);
  gl.uniform2i(at("size"), width, height);
  gl.uniform1f(at("shoulder"), set.curve.shoulder);
  gl.uniform1f(at("saturation"), set.curve.saturation);
  gl.uniform1fv(at("before"), padded(planned));
  gl.uniform3fv(at("gainBefore"), gain(set.balance.at, 0));
  return (now, gainNow, grey, split) => {
    gl.viewport(0, 0, width, height);
    gl.uniform1fv(at("now"), padded(now));
    gl.uniform3fv(at("gainNow"), gainNow);
    gl.uniform1i(at("bw"), grey ? 1 : 0);
    gl.uniform3fv(at("grey"), grey || [0, 0, 0]);
    gl.uniform1i(at("split"), split);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  };
}
const padded = (list) => Float32Array.from({ length: MOST }, (_, k) => list[k] ?? 0);

function shownCode(x) {
  const { shoulder, saturation } = set.curve;
  if (x > shoulder) {
    const span = saturation - shoulder, rise = 1 - shoulder, t = Math.min((x - shoulder) / span, 1);
    x = shoulder + rise * (1 - (1 - t) ** (span / rise));
  }
  const code = x <= 0.0031308 ? 12.92 * Math.max(x, 0) : 1.055 * x ** (1 / 2.4) - 0.055;
  return Math.floor(Math.min(Math.max(code, 0), 1) * 255 + 0.5);
}

// Without WebGL the same sum runs here, more slowly.
function withoutGpu(canvas, codes) {
  const context = canvas.getContext("2d", { alpha: false });
  const image = context.createImageData(width, height);
  return (now, gainNow, grey, split) => {
    const gains = [gain(set.balance.at, 0), gainNow], mixes = [planned, now];
    for (let i = 0, x = 0; i < width * height; i++, x = x + 1 === width ? 0 : x + 1) {
      const side = x < split ? 0 : 1;
      const rgb = [0, 0, 0];
      for (let k = 0; k < count; k++) {
        const w = mixes[side][k];
        if (w) for (let c = 0; c < 3; c++) rgb[c] += w * values[codes[k][3 * i + c]];
      }
      for (let c = 0; c < 3; c++) rgb[c] *= gains[side][c];
      if (side && grey) rgb.fill(rgb[0] * grey[0] + rgb[1] * grey[1] + rgb[2] * grey[2]);
      for (let c = 0; c < 3; c++) image.data[4 * i + c] = shownCode(rgb[c]);
      image.data[4 * i + 3] = 255;
    }
    context.putImageData(image, 0, 0);
  };
}

// -- readings --------------------------------------------------------------------------------------------------------

const signed = (v, digits = 1) => {
  if (!Number.isFinite(v)) return "dark";
  const text = Math.abs(v).toFixed(digits);
  return Number(text) === 0 ? (0).toFixed(digits) : (v < 0 ? "\u2212" : "+") + text;
};

function fNumberText(n) {
  if (!(n >= 0.7)) return "under f/0.7";
  const tenths = Math.round(20 * Math.log2(n));
  const stop = Math.floor(tenths / 10), rest = tenths - 10 * stop;
  return `f/${set.marks[stop] ?? (2 ** (stop / 2)).toFixed(0)}` + (rest ? ` and ${rest} tenth${rest > 1 ? "s" : ""}` : "");
}

function showReadings(now) {
  set.points.forEach((point, p) => {
    const parts = point.exposures.map((h, k) => h * now[k]);
    const total = parts.reduce((a, b) => a + b, 0);
    const n = Math.sqrt((total * set.camera.iso) / point.constant);
    const row = $(`point-${p}`);
    row.querySelector("[data-reads]").textContent = total > 0 ? fNumberText(n) : "no light";
    const stops = point.spot
      ? Math.log2((total * set.camera.scale) / set.curve.grey)
      : 2 * Math.log2(n / set.camera.fNumber);
    row.querySelector("[data-stops]").textContent = signed(stops);
    row.querySelectorAll("[data-share]").forEach((cell, k) => {
      cell.textContent = total > 0 && parts[k] > 0 ? `${Math.max(Math.round((100 * parts[k]) / total), parts[k] / total >= 0.005 ? 1 : 0)} %` : "\u2013";
    });
  });
}

let pinned = null;
let layers = [];

function readAt(x, y) {
  // Left of the wipe the plan is read, as it is shown.
  const plan = state.compare && x < Math.round(state.wipe * width);
  const i = y * width + x, now = plan ? planned : heard();
  const g = plan ? gain(set.balance.at, 0) : gain(state.balance, state.exposure);
  const parts = layers.map((codes, k) => {
    let sum = 0;
    for (let c = 0; c < 3; c++) sum += LUMINANCE[c] * g[c] * values[codes[3 * i + c]];
    return sum * now[k];
  });
  const total = parts.reduce((a, b) => a + b, 0);
  const stops = Math.log2(total / set.curve.grey);
  const told = parts.map((v, k) => [v / total, k]).filter(([s]) => s >= 0.01).sort((a, b) => b[0] - a[0]).slice(0, 4);
  const lines = told.map(([s, k]) => `${lights[k].name} ${Math.round(100 * s)} %`).join(" · ");
  return total > 0 ? [`${signed(stops)} stops from middle grey`, lines] : ["black", ""];
}

function showPoint() {
  const mark = $("mark");
  if (!pinned) return;
  const [x, y] = pinned, [head, rest] = readAt(x, y);
  $("here-stops").textContent = head;
  $("here-lights").textContent = rest;
  mark.hidden = false;
  mark.style.left = `${(100 * (x + 0.5)) / width}%`;
  mark.style.top = `${(100 * (y + 0.5)) / height}%`;
}

// -- wiring ----------------------------------------------------------------------------------------------------------

let paint = null;
let waiting = 0;
function changed() {
  if (!waiting) waiting = requestAnimationFrame(show);
}

function show() {
  waiting = 0;
  const now = heard();
  const split = state.compare ? Math.round(state.wipe * width) : 0;
  paint(now, gain(state.balance, state.exposure), state.filter ? set.filters[state.filter] : null, split);
  lights.forEach((light, k) => {
    const value = state.fader[k];
    $(`out-${k}`).textContent = signed(value);
    $(`fader-${k}`).setAttribute("aria-valuetext", `${signed(value)} stops`);
    $(`mute-${k}`).setAttribute("aria-pressed", String(state.mute[k]));
    $(`solo-${k}`).setAttribute("aria-pressed", String(state.solo[k]));
    $(`light-${k}`).classList.toggle("silent", now[k] === 0);
    if (light.dial !== null) {
      const dial = light.dial + value;
      const cell = $(`dial-${k}`);
      cell.textContent = Math.abs(dial) < 0.05 ? "full power" : dial > 0 ? `${dial.toFixed(1)} over full power` : `dial ${signed(dial)}`;
      cell.classList.toggle("beyond", dial > 0.05);
    }
  });
  $("exposure-out").textContent = `${signed(state.exposure)} stops`;
  $("balance-out").textContent = `${state.balance} K`;
  $("wipe-line").hidden = !state.compare;
  $("wipe-line").style.left = `${100 * state.wipe}%`;
  $("wipe-row").hidden = !state.compare;
  showReadings(now);
  showPoint();
  document.body.dataset.frame = String(Number(document.body.dataset.frame || 0) + 1);
}

function toggle(list, k) {
  list[k] = !list[k];
  leaveBuildUp();
  changed();
}

let player = 0;
function leaveBuildUp() {
  if (player) cancelAnimationFrame(player);
  player = 0;
  state.shown = null;
  state.step = 0;
  $("build-told").textContent = "";
  $("build-play").textContent = "Play build-up";
}

// Fade the next light of the build-up in, then hold; slow and smooth, nothing flashes.
function buildTo(step, then) {
  const from = state.shown ? [...state.shown] : new Array(count).fill(0);
  const to = new Array(count).fill(0);
  set.order.slice(0, step).forEach((k) => (to[k] = 1));
  state.step = step;
  const name = step ? lights[set.order[step - 1]].name : "";
  $("build-told").textContent = step ? `${step} of ${set.order.length}: ${step > 1 ? "+ " : ""}${name}` : "dark";
  const start = performance.now(), fade = matchMedia("(prefers-reduced-motion: reduce)").matches ? 1 : 900;
  if (player) cancelAnimationFrame(player);
  const tick = (time) => {
    const t = Math.min(Math.max((time - start) / fade, 0), 1), s = t * t * (3 - 2 * t);
    state.shown = to.map((v, k) => from[k] + (v - from[k]) * s);
    changed();
    if (t < 1) player = requestAnimationFrame(tick);
    else if (then && time - start < fade + 1300) player = requestAnimationFrame(tick);
    else { player = 0; if (then) then(); }
  };
  player = requestAnimationFrame(tick);
}

function play() {
  if (player) {
    cancelAnimationFrame(player);
    player = 0;
    $("build-play").textContent = "Play on";
    return;
  }
  $("build-play").textContent = "Pause";
  const next = () => {
    if (state.step < set.order.length) buildTo(state.step + 1, next);
    else $("build-play").textContent = "Play again";
  };
  if (state.step >= set.order.length || !state.shown) { state.step = 0; state.shown = new Array(count).fill(0); }
  next();
}

function wire() {
  lights.forEach((_, k) => {
    $(`fader-${k}`).addEventListener("input", (e) => { state.fader[k] = Number(e.target.value); changed(); });
    $(`mute-${k}`).addEventListener("click", () => toggle(state.mute, k));
    $(`solo-${k}`).addEventListener("click", () => toggle(state.solo, k));
  });
  $("exposure").addEventListener("input", (e) => { state.exposure = Number(e.target.value); changed(); });
  $("balance").addEventListener("input", (e) => { state.balance = Number(e.target.value); changed(); });
  $("filter").addEventListener("change", (e) => { state.filter = e.target.value; changed(); });
  $("compare").addEventListener("click", () => {
    state.compare = !state.compare;
    $("compare").setAttribute("aria-pressed", String(state.compare));
    changed();
  });
  $("wipe").addEventListener("input", (e) => { state.wipe = Number(e.target.value) / 100; changed(); });
  $("build-play").addEventListener("click", play);
  $("build-next").addEventListener("click", () => {
    if (!state.shown) state.shown = new Array(count).fill(0);
    $("build-play").textContent = "Play on";
    buildTo((state.step % set.order.length) + 1);
  });
  $("build-leave").addEventListener("click", () => { leaveBuildUp(); changed(); });
  $("reset").addEventListener("click", () => {
    lights.forEach((light, k) => { state.fader[k] = 0; state.mute[k] = light.muted; state.solo[k] = false; $(`fader-${k}`).value = 0; });
    Object.assign(state, { exposure: 0, balance: set.balance.at, filter: "" });
    $("exposure").value = 0;
    $("balance").value = set.balance.at;
    $("filter").value = "";
    leaveBuildUp();
    changed();
  });
  $("save").addEventListener("click", () => $("picture").toBlob((blob) => {
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: `${set.file}.png` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 5000);
  }));
  const picture = $("picture");
  const pointAt = (e) => {
    const box = picture.getBoundingClientRect();
    const place = (v, from, size, most) => Math.min(Math.max(Math.floor(((v - from) / size) * most), 0), most - 1);
    pinned = [place(e.clientX, box.left, box.width, width), place(e.clientY, box.top, box.height, height)];
    showPoint();
  };
  let dragging = false;
  picture.addEventListener("pointerdown", (e) => {
    const box = picture.getBoundingClientRect();
    dragging = state.compare && Math.abs((e.clientX - box.left) / box.width - state.wipe) < 24 / box.width;
    if (dragging) picture.setPointerCapture(e.pointerId);
    else pointAt(e);
  });
  picture.addEventListener("pointermove", (e) => {
    if (!dragging) { if (e.pointerType !== "touch" || e.buttons) pointAt(e); return; }
    const box = picture.getBoundingClientRect();
    state.wipe = Math.min(Math.max((e.clientX - box.left) / box.width, 0), 1);
    $("wipe").value = Math.round(100 * state.wipe);
    changed();
  });
  picture.addEventListener("pointerup", () => (dragging = false));
  picture.addEventListener("keydown", (e) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!way) return;
    e.preventDefault();
    const far = Math.round((e.shiftKey ? 0.1 : 0.01) * height);
    const [x, y] = pinned || [width >> 1, height >> 1];
    pinned = [Math.min(Math.max(x + far * way[0], 0), width - 1), Math.min(Math.max(y + far * way[1], 0), height - 1)];
    showPoint();
  });
}

async function start() {
  layers = [];
  for (const light of lights) layers.push(unpacked(await inflated(light.layer)));
  const canvas = $("picture");
  paint = location.hash === "#no-webgl" ? null : withGpu(canvas, layers);
  if (!paint) {
    // A canvas that was asked for WebGL gives no other drawing: take a fresh one.
    const fresh = canvas.cloneNode();
    canvas.replaceWith(fresh);
    paint = withoutGpu(fresh, layers);
    document.body.dataset.drawn = "canvas";
  } else document.body.dataset.drawn = "webgl";
  wire();
  show();
  document.body.classList.add("mixing");
}

if ("DecompressionStream" in window) start();
