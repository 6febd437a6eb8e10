/** A fader per light beside the print: live while dragged, one step of undo per gesture; off, only, a tag to hold. */
import { deskOf } from "./picture_desk.js";
import { el } from "../../../web/elements.js";
import { lightTag, numbersOf, setAttribute, setText } from "./picture_elements.js";
import { power, powerFraction } from "../../../web/phrases.js";
import { stopsText } from "./picture_words.js";

const KEYS_REST_MS = 900;

/** @param {Room} room */
export function mount(place, room) {
  const { store, link } = room;
  const desk = deskOf(room);
  const list = el("ul", { class: "faders", "aria-label": "Faders, one per light" });
  place.append(list);
  let rows = new Map();
  let built = "";

  const shape = (view) => JSON.stringify(view.lights.map(({ name, colour, dial }) => [name, colour, dial]));

  function build(view) {
    const numbers = numbersOf(view);
    const before = document.activeElement?.closest?.(".fader-row") && document.activeElement.getAttribute("data-part");
    const beforeName = before && document.activeElement.closest(".fader-row").getAttribute("data-light");
    rows = new Map(view.lights.map((light) => [light.name, row(light, numbers[light.name], room, desk)]));
    list.replaceChildren(...[...rows.values()].map(({ item }) => item));
    if (before) rows.get(beforeName)?.item.querySelector(`[data-part="${before}"]`)?.focus();
  }

  desk.follow(
    ({ view, look }) => {
      if (!view) return;
      if (shape(view) !== built) {
        built = shape(view);
        build(view);
      }
      for (const [name, { show }] of rows) show(store.light(name), look.alone === name);
    },
    ["selection"],
  );
}

function row(light, number, { store, link }, desk) {
  const { name, dial } = light;
  const tag = el(
    "button",
    {
      type: "button",
      class: "tag-hold quiet",
      "data-part": "tag",
      title: `Hold to see ${name} alone`,
      "aria-label": `Hold to see ${name} alone`,
    },
    lightTag(light, number),
  );
  holdToIsolate(tag, name, desk);
  const title = el("button", {
    type: "button",
    class: "fader-name quiet",
    "data-part": "name",
    text: name,
    title: `Select ${name}`,
    onclick: () => store.select(`light:${name}`),
  });
  const slider = dial
    ? el("input", {
        type: "range",
        class: "fader",
        "data-part": "fader",
        min: dial.lowest_stops,
        max: 0,
        step: dial.step_stops,
        "aria-label": `${name}, stops from full power`,
      })
    : el("span", { class: "no-dial", text: light.words?.source ?? "" });
  if (dial) {
    slider.style.setProperty("--stops", String(-dial.lowest_stops));
    wireFader(slider, light, store, link);
  }
  const stops = el("b"),
    fraction = el("small");
  const value = el("output", { class: "fader-value" }, stops, fraction);
  const mute = el(
    "button",
    {
      type: "button",
      class: "small",
      "data-part": "mute",
      "aria-label": `${name} off`,
      title: `Switch ${name} off or on`,
      text: "Off",
      onclick: () => muteLight(name, !store.isMuted(name), link),
    },
  );
  const solo = el(
    "button",
    {
      type: "button",
      class: "small",
      "data-part": "solo",
      "aria-label": `Only ${name}`,
      title: `See ${name} without the others; more can be added`,
      text: "Only",
      onclick: () => store.toggleSolo(name),
    },
  );
  if (!dial) mute.disabled = true;
  const item = el("li", { class: "fader-row", "data-light": name }, tag, title, slider, value, mute, solo);

  function show(now, alone) {
    if (!now) return;
    const at = store.powerStops(name),
      heard = alone || store.isHeard(name);
    const isIdle = slider instanceof HTMLInputElement && !("moving" in slider.dataset);
    if (isIdle && slider.value !== String(at)) slider.value = String(at);
    setText(stops, dial ? stopsText(at) : "");
    setText(fraction, dial ? at === 0 ? "full" : powerFraction(at) : "");
    if (dial) setAttribute(slider, "aria-valuetext", power(at));
    setAttribute(mute, "aria-pressed", store.isMuted(name));
    setAttribute(solo, "aria-pressed", store.get().solo.includes(name));
    setAttribute(tag, "aria-pressed", alone);
    setAttribute(title, "aria-current", store.get().selection === `light:${name}` ? "true" : null);
    item.classList.toggle("unheard", !heard);
  }
  return { item, show };
}

/**
 * Switch a light off or on; the picture follows at once.
 * @param {Link} link
 */
export function muteLight(name, muted, link) {
  /** @type {Edit} */
  const edit = { op: "set", path: ["lights", name, "mute"], value: muted };
  return link.gesture("mute").end([edit], { muted: { [name]: muted } });
}

/** See one light alone for as long as its tag is held, by pointer or key. */
function holdToIsolate(tag, name, desk) {
  const hold = () => desk.change({ alone: name });
  const release = () => {
    if (desk.look.alone === name) desk.change({ alone: null });
  };
  tag.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    tag.setPointerCapture(event.pointerId);
    hold();
  });
  for (const end of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) tag.addEventListener(end, release);
  tag.addEventListener("contextmenu", (event) => event.preventDefault());
  tag.addEventListener("keydown", (event) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) hold();
  });
  tag.addEventListener("keyup", (event) => {
    if (event.key === " " || event.key === "Enter") release();
  });
}

/** A dial's value on its own steps, free of rounding dust. */
export function onStep(value, { lowest_stops, step_stops }) {
  const parts = Math.round(1 / step_stops);
  const held = Math.min(0, Math.max(lowest_stops, value));
  return Number((Math.round(held * parts) / parts).toFixed(6)) + 0;
}

function wireFader(slider, { name, dial }, store, link) {
  let gesture = null;
  let byPointer = false;
  let rest = 0;

  const patch = (stops) => ({ power_stops: { [name]: stops } });
  const edits = (stops) => [{ op: "dials", stops: { [name]: stops } }];

  function move(stops) {
    gesture ??= link.gesture(`fader ${name}`);
    slider.dataset.moving = "";
    gesture.push(edits(stops), patch(stops));
  }

  function end() {
    clearTimeout(rest);
    byPointer = false;
    delete slider.dataset.moving;
    const done = gesture;
    gesture = null;
    done?.end();
  }

  slider.addEventListener("pointerdown", () => {
    if (gesture) end();
    byPointer = true;
  });
  slider.addEventListener("input", () => {
    move(onStep(Number(slider.value), dial));
    // Keys that follow each other are one gesture.
    clearTimeout(rest);
    if (!byPointer) rest = setTimeout(end, KEYS_REST_MS);
  });
  slider.addEventListener("change", () => {
    if (byPointer) end();
  });
  slider.addEventListener("pointercancel", end);
  slider.addEventListener("blur", end);
  slider.addEventListener("keydown", (event) => {
    const whole = { PageUp: 1, PageDown: -1 }[event.key];
    if (whole) {
      event.preventDefault();
      slider.value = String(onStep(store.powerStops(name) + whole, dial));
      slider.dispatchEvent(new Event("input", { bubbles: true }));
    } else if (event.key === "Escape" && gesture) {
      event.preventDefault();
      clearTimeout(rest);
      const left = gesture;
      gesture = null;
      byPointer = false;
      delete slider.dataset.moving;
      left.cancel();
    }
  });
}
