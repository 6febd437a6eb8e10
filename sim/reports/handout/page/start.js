/** Mix the light layers of this page live: faders, exposure, white balance, filter, wipe, build-up, readings. */
import { el } from "../../../web/elements.js";
import { createMixer } from "../../../web/mixer.js";
import { power, signedStops } from "../../../web/phrases.js";
import { leaveBuildUp, wireBuildUp } from "./build_up.js";
import { byId, height, lights, set, width } from "./data.js";
import { MIXED, desk, heardWeights, mixNow, plannedMix, reset, setOf } from "./desk.js";
import { linearLayer } from "./layers.js";
import { wirePicture } from "./picture.js";
import { showPoint, showReadings } from "./readings.js";

function showLight(light, k, weight) {
  const { fader, mute, solo } = desk.get();
  byId(`out-${k}`).textContent = signedStops(fader[k]);
  byId(`fader-${k}`).setAttribute("aria-valuetext", `${signedStops(fader[k])} stops`);
  byId(`mute-${k}`).setAttribute("aria-pressed", String(mute[k]));
  byId(`solo-${k}`).setAttribute("aria-pressed", String(solo[k]));
  byId(`light-${k}`).classList.toggle("silent", weight === 0);
  if (light.dial === null) return;
  const dial = light.dial + fader[k];
  const cell = byId(`dial-${k}`);
  cell.textContent = power(Math.round(10 * dial) / 10);
  cell.classList.toggle("beyond", dial > 0.05);
}

function showDesk() {
  const { exposure, balance, compare, wipe } = desk.get();
  const now = heardWeights();
  lights.forEach((light, k) => showLight(light, k, now[k]));
  byId("exposure-out").textContent = `${signedStops(exposure)} stops`;
  byId("balance-out").textContent = `${balance} K`;
  byId("wipe-line").hidden = !compare;
  byId("wipe-line").style.left = `${100 * wipe}%`;
  byId("wipe-row").hidden = !compare;
}

function wireDesk() {
  const isOn = (what, k) => () => { setOf(what, k, !desk.get()[what][k]); leaveBuildUp(); };
  lights.forEach((_, k) => {
    byId(`fader-${k}`).addEventListener("input", (event) => setOf("fader", k, Number(event.target.value)));
    byId(`mute-${k}`).addEventListener("click", isOn("mute", k));
    byId(`solo-${k}`).addEventListener("click", isOn("solo", k));
  });
  byId("exposure").addEventListener("input", (event) => desk.update({ exposure: Number(event.target.value) }));
  byId("balance").addEventListener("input", (event) => desk.update({ balance: Number(event.target.value) }));
  byId("filter").addEventListener("change", (event) => desk.update({ filter: event.target.value }));
  byId("compare").addEventListener("click", () => {
    const compare = !desk.get().compare;
    byId("compare").setAttribute("aria-pressed", String(compare));
    desk.update({ compare });
  });
  byId("wipe").addEventListener("input", (event) => desk.update({ wipe: Number(event.target.value) / 100 }));
  byId("reset").addEventListener("click", () => {
    reset();
    lights.forEach((_, k) => { byId(`fader-${k}`).value = 0; });
    for (const id of ["exposure", "balance", "filter"]) byId(id).value = desk.get()[id];
    leaveBuildUp();
  });
  byId("save").addEventListener("click", () => byId("picture").toBlob((blob) => {
    const link = el("a", { href: URL.createObjectURL(blob), download: `${set.file}.png` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 5000);
  }));
}

async function start() {
  const layers = [];
  for (const light of lights) layers.push(await linearLayer(light.layer, set));
  const mixer = createMixer(byId("picture"), { webgl: location.hash === "#no-webgl" ? "never" : "always" });
  mixer.take({ width, height, layers, scale: layers.map(() => 1) }, set);
  document.body.dataset.drawn = mixer.kind;
  wireDesk();
  wirePicture(() => showPoint(layers));
  wireBuildUp();
  desk.subscribe(({ compare, wipe }) => {
    mixer.draw(mixNow(), compare ? { mix: plannedMix, columns: Math.round(wipe * width) } : null);
    showDesk();
    showReadings();
    showPoint(layers);
    document.body.dataset.frame = String(Number(document.body.dataset.frame || 0) + 1);
  }, MIXED);
  document.body.classList.add("mixing");
}

if ("DecompressionStream" in window) start();
