/** How the print is looked at: colour, black and white, false tones with their legend, trial settings, zoom. */
import { deskOf } from "./picture_desk.js";
import { el } from "../../../web/elements.js";
import { setAttribute, setText } from "./picture_elements.js";
import { mountViews } from "../table/views.js";
import { mountGuides } from "./picture_guides.js";
import { savePicture } from "./picture_save.js";
import { stopsSpoken, stopsText } from "./picture_words.js";
import { MINUS, reading } from "../../../web/phrases.js";

const TRIAL_STOPS = 3;
const ZOOMS = [
  ["Fit", null],
  ["100 %", 1],
  ["200 %", 2],
];

/** @param {Room} room */
export function mountTools(place, room, print) {
  const { store, link } = room;
  const desk = deskOf(room);
  const rendering = el("select", { class: "rendering", "aria-label": "Rendering of the picture" });
  rendering.addEventListener("change", () => desk.change({ rendering: rendering.value }));
  const trial = el("button", {
    type: "button",
    class: "trial-opens",
    title: "Exposure and white balance on trial",
    "aria-expanded": "false",
    "aria-controls": "trial",
  });
  const zooms = el(
    "div",
    { class: "zooms", role: "group", "aria-label": "Size of the picture" },
    ...ZOOMS.map(([text, times]) =>
      el("button", {
        type: "button",
        class: "small",
        "aria-pressed": String(times === null),
        text,
        onclick: (event) => {
          for (const each of zooms.children) setAttribute(each, "aria-pressed", each === event.target);
          print.zoom(times, print.lookedAt());
        },
      }),
    ),
  );
  const panel = trialPanel(desk, store, link);
  trial.addEventListener("click", () => {
    panel.hidden = !panel.hidden;
    setAttribute(trial, "aria-expanded", !panel.hidden);
  });
  const legend = el("div", { class: "legend", hidden: true });
  const menu = viewMenu([...mountViews(room), ...mountGuides(print, room)]);
  const save = el("button", {
    type: "button",
    class: "save-picture small",
    text: "Download",
    title: "Download the picture as it is shown, without notes",
    onclick: () => savePicture(print, room),
  });
  place.append(el("div", { class: "tools-row" }, rendering, trial, zooms, menu, save), panel, legend);

  let filled = "";
  desk.follow(({ view, look }) => {
    if (!view) return;
    const { filters, bands } = view.exposure;
    const key = JSON.stringify([filters, bands]);
    if (key !== filled) {
      filled = key;
      rendering.replaceChildren(
        el("option", { value: "colour", text: "In colour" }),
        ...filters.map(({ name, title }) => el("option", { value: name, text: capital(title) })),
        el("option", { value: "tones", text: "False tones in stops" }),
      );
      fillLegend(legend, bands);
    }
    rendering.value = look.rendering;
    legend.hidden = look.rendering !== "tones";
    const moved = look.stops !== 0 || look.balance_K !== null;
    setText(trial, moved ? trialText(look) : "Exposure trial");
    trial.classList.toggle("is-moved", moved);
  });
}

/** What opens below a word, and closes by Escape or when hands go elsewhere. */
function viewMenu(parts) {
  const menu = el(
    "details",
    { class: "view-menu" },
    el("summary", { class: "small", text: "View" }),
    el("div", { class: "menu-slip" }, ...parts),
  );
  menu.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !menu.open) return;
    event.stopPropagation();
    menu.open = false;
    menu.querySelector("summary").focus();
  });
  menu.addEventListener("click", (event) => {
    if (event.target.closest(".way")) menu.open = false;
  });
  document.addEventListener("pointerdown", (event) => {
    if (!menu.contains(/** @type {Node} */ (/** @type {unknown} */ (event.target)))) menu.open = false;
  });
  return menu;
}

const capital = (text) => text[0].toUpperCase() + text.slice(1);
const trialText = ({ stops, balance_K }) =>
  ["Trial", stops ? stopsText(stops) : "", balance_K === null ? "" : `${balance_K} K`].filter(Boolean).join(" ");

function fillLegend(legend, bands) {
  const short = (label) =>
    label
      .replace("middle grey", "grey")
      .replace("and less", "\u2193")
      .replace(" and more", "")
      .replace("clipped", "clips")
      .replace(/^-/, MINUS);
  legend.replaceChildren(
    el("p", { text: "stops from middle grey" }),
    el(
      "ol",
      {},
      ...bands.map((band) => {
        const swatch = el("i", { "aria-hidden": "true" });
        swatch.style.background = band.colour;
        return el("li", { title: band.label }, swatch, el("span", { text: short(band.label) }));
      }),
    ),
  );
}

/**
 * Exposure and white balance on trial; what pleases can be set on the camera as one step of undo.
 * @param {Store} store
 * @param {Link} link
 */
function trialPanel(desk, store, link) {
  const stops = el("input", {
    type: "range",
    id: "trial-stops",
    min: -TRIAL_STOPS,
    max: TRIAL_STOPS,
    step: 0.1,
    value: "0",
  });
  const kelvin = el("input", { type: "range", id: "trial-kelvin", min: 2500, max: 10000, step: 100, value: "5600" });
  const stopsOut = el("output", { for: "trial-stops" }),
    kelvinOut = el("output", { for: "trial-kelvin" });
  const back = el("button", { type: "button", class: "small", text: "As the camera is set" });
  const take = el("button", { type: "button", class: "small", text: "Set the camera so" });
  stops.addEventListener("input", () => desk.change({ stops: Number(stops.value) }));
  kelvin.addEventListener("input", () => desk.change({ balance_K: Number(kelvin.value) }));
  back.addEventListener("click", () => desk.change({ stops: 0, balance_K: null }));
  take.addEventListener("click", async () => {
    const { look } = desk,
      { exposure } = store.get().view;
    const edits = [];
    if (look.stops) {
      const tenths = Math.round(10 * (2 * Math.log2(exposure.f_number) - look.stops));
      edits.push({ op: "set", path: ["camera", "aperture"], value: apertureText(tenths) });
    }
    if (look.balance_K !== null)
      edits.push({ op: "set", path: ["camera", "white_balance"], value: `${look.balance_K} K` });
    const answer = await link.edit(edits);
    if (answer.type !== "refused") desk.change({ stops: 0, balance_K: null });
  });
  const panel = el(
    "div",
    { id: "trial", class: "trial", role: "group", "aria-label": "Exposure trial", hidden: true },
    el("label", { for: "trial-stops", text: "Exposure" }),
    stops,
    stopsOut,
    el("label", { for: "trial-kelvin", text: "White balance" }),
    kelvin,
    kelvinOut,
    el("div", { class: "trial-ends" }, take, back),
  );

  desk.follow(({ view, look }) => {
    if (!view) return;
    const { balance, white_balance_K } = view.exposure;
    setAttribute(kelvin, "min", balance.first_K);
    setAttribute(kelvin, "max", balance.first_K + (balance.rgb.length - 1) * balance.step_K);
    const at = look.balance_K ?? white_balance_K;
    stops.value = String(look.stops);
    kelvin.value = String(at);
    setText(stopsOut, stopsText(look.stops));
    setText(kelvinOut, `${Math.round(at)} K`);
    setAttribute(stops, "aria-valuetext", `${stopsSpoken(look.stops)} stops`);
    setAttribute(kelvin, "aria-valuetext", `${Math.round(at)} kelvin`);
    take.disabled = back.disabled = look.stops === 0 && look.balance_K === null;
  });
  return panel;
}

/** An aperture of so many tenths of a stop, as the scene file has it: "f/5.6 and 7 tenths". */
export const apertureText = (tenths) => reading(2 ** (Math.min(Math.max(tenths, 0), 120) / 20));
