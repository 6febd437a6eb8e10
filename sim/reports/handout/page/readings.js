/** Meters and the measuring point at the present mix. */
import { amountText, fNumberFromExposure, lightingRatio, stopsFromGrey, stopsOver } from "../../../web/meter.js";
import { lightingRatio as ratioWords, reading, signedStops } from "../../../web/phrases.js";
import { byId, height, lights, set, width } from "./data.js";
import { desk, heardWeights, mixNow, plannedMix, plannedWeights } from "./desk.js";

const flashes = lights.map(({ flash }) => flash);
const total = (values) => values.reduce((sum, value) => sum + value, 0);

function shareText(share) {
  return share > 0 ? `${Math.max(Math.round(100 * share), share >= 0.005 ? 1 : 0)} %` : "\u2013";
}

/** The lighting ratio at the present mix. */
function showRatio(now) {
  const { key, alone, weights } = set.ratio;
  if (!alone[key]) return;
  const heard = Object.fromEntries(lights.map(({ name }, k) => [name, weights[name].map((weight) => weight * now[k])]));
  const found = lightingRatio(alone, key, heard, set.luminance);
  byId("ratio").textContent = heard[key].some((weight) => weight > 0)
    ? ratioWords(key, found ? found.fill : null, found?.over_stops) : `none, ${key} is off`;
}

/** Fill the table of readings. */
export function showReadings() {
  const { fNumber, iso, scale, shutter_s } = set.camera;
  const now = heardWeights();
  showRatio(now);
  set.points.forEach((point, p) => {
    const parts = point.exposures.map((exposure, k) => exposure * now[k]);
    const sum = total(parts);
    const shown = fNumberFromExposure(sum, iso, point.constant);
    const stops = point.spot ? stopsFromGrey(sum, scale, set.curve.grey) : stopsOver(shown, fNumber);
    const row = byId(`point-${p}`);
    row.querySelector("[data-reads]").textContent = reading(shown);
    row.querySelector("[data-stops]").textContent = signedStops(stops);
    const told = row.querySelector("[data-amount]");
    if (told) told.textContent = amountText(parts, flashes, now.map((weight) => weight > 0), shutter_s, point.spot);
    row.querySelectorAll("[data-share]").forEach((cell, k) => {
      cell.textContent = shareText(sum > 0 ? parts[k] / sum : 0);
    });
  });
}

/** What the picture shows at a pixel: stops from middle grey, and the lights that make it. */
function readAt(x, y, layers) {
  const { compare, wipe } = desk.get();
  // Left of the wipe the plan is read, as it is shown.
  const isPlanned = compare && x < Math.round(wipe * width);
  const now = isPlanned ? plannedWeights : heardWeights();
  const { gain } = isPlanned ? plannedMix : mixNow();
  const at = 3 * (y * width + x);
  const seen = set.luminance.map((weight, c) => weight * gain[c]);
  const parts = layers.map((layer, k) => now[k] * total(seen.map((weight, c) => weight * layer[at + c])));
  const sum = total(parts);
  if (!(sum > 0)) return ["black", ""];
  const most = parts.map((value, k) => [value / sum, k]).filter(([share]) => share >= 0.01)
    .sort((a, b) => b[0] - a[0]).slice(0, 4);
  return [
    `${signedStops(stopsFromGrey(sum, 1, set.curve.grey))} stops from middle grey`,
    most.map(([share, k]) => `${lights[k].name} ${Math.round(100 * share)} %`).join(" · "),
  ];
}

/** Mark the measuring point and say what it reads. */
export function showPoint(layers) {
  const { pinned } = desk.get();
  if (!pinned) return;
  const [x, y] = pinned, [head, rest] = readAt(x, y, layers);
  byId("here-stops").textContent = head;
  byId("here-lights").textContent = rest;
  const mark = byId("mark");
  mark.hidden = false;
  mark.style.left = `${(100 * (x + 0.5)) / width}%`;
  mark.style.top = `${(100 * (y + 0.5)) / height}%`;
}
