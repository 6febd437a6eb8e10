/** The picture's side of the page: the print on the table, how it is looked at, the spot meter, faders and versions. */
import { mount as mountFaders } from "./faders.js";
import { mount as mountMeter } from "../readings/meter.js";
import { createMixer } from "../../../web/mixer.js";
import { deskOf } from "./picture_desk.js";
import { el } from "../../../web/elements.js";
import { followFrames, liveLayers } from "./picture_frames.js";
import { mountPrint } from "./picture_print.js";
import { followSize } from "./picture_size.js";
import { mountTools } from "./picture_tools.js";
import { mountVersions } from "../dialogs/versions.js";

/**
 * Fill the picture's place. For tests and measurements the element gets `pixel(x, y)`, the colour that is shown, and
 * `spot(x, y, deg)`, the reading there; the canvas counts its pictures in `data-mixes`.
 * @param {HTMLElement} place
 * @param {{store, link}} room
 */
export function mount(place, room) {
  const { store } = room;
  const desk = deskOf(room);
  const webgl = { "#webgl": "always", "#no-webgl": "never" }[location.hash] ?? "auto";
  place.classList.add("picture-side");

  const tools = el("div", { class: "print-tools" });
  const print = mountPrint(room);
  const slip = el("div", { class: "spot-slip" });
  const lights = document.getElementById("lights"),
    readings = document.getElementById("readings");
  place.append(tools, print.easel);
  // Before the card, in the order in which both are seen.
  readings.insertBefore(slip, readings.querySelector(".readings-card"));

  const mixer = createMixer(print.canvas, { webgl, apart: location.hash !== "#together" });
  print.canvas = mixer.canvas;
  mixer.canvas.dataset.drawn = mixer.kind;
  let names = null;
  let taken = 0;
  let waiting = 0;
  let told = 0;
  let drawn = "";

  function draw() {
    waiting = 0;
    if (!names || !store.get().view) return;
    paint();
    if (live && live.message.serial > told) room.link.drawn((told = live.message.serial));
  }

  function paint() {
    // A state that changes nothing of the picture asks for no new one.
    const mix = desk.mixFor(names);
    const key = JSON.stringify([mix, taken]);
    if (key === drawn) return;
    drawn = key;
    mixer.draw(mix);
    mixer.canvas.dataset.mixes = String(Number(mixer.canvas.dataset.mixes ?? 0) + 1);
  }

  desk.follow(() => {
    waiting ||= requestAnimationFrame(draw);
  });
  // A tab that lies behind is not drawn; it catches up when it is looked at.
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) waiting ||= requestAnimationFrame(draw);
  });

  const now = {
    name: "now",
    measured: null,
    weights: (of) => desk.weightsFor(of),
    exposure: () => store.get().view.exposure,
  };
  const meter = mountMeter(slip, room, print, now);
  mountTools(tools, room, print);
  followSize(room, print);
  mountFaders(lights, room);
  const versions = mountVersions(room, print, { webgl });
  meter.alsoOver(versions.underPointer);

  let frame = null;
  /** @type {{layers: Map<string, {layer: Uint16Array, scale: number}>, message: Live} | null} */
  let live = null;

  /** The traced frame with the layers that follow the hand in the place of its own, all of another size at times. */
  function followed() {
    if (!live || live.message.frame < frame.serial) return frame;
    const { width, height } = live.message;
    const all = frame.names.every((name) => live.layers.has(name));
    if (!all && (width !== frame.width || height !== frame.height)) return frame;
    const pick = (of, own) => frame.names.map((name, k) => live.layers.get(name)?.[of] ?? own[k]);
    return { ...frame, width, height, layers: pick("layer", frame.layers), scale: pick("scale", frame.scale) };
  }

  followFrames(store, {
    shown(next, message) {
      frame = next;
      names = frame.names;
      place.classList.toggle("lies", frame.width > frame.height);
      mixer.take(followed(), store.get().view.exposure);
      taken += 1;
      // Draw in the same task, so that the old picture stands until the new one does.
      cancelAnimationFrame(waiting);
      draw();
      print.arrived(frame, message);
      now.measured = null;
    },
    measured(of) {
      now.measured = of;
      meter.refresh();
    },
  });

  store.listen(({ live: message }) => {
    if (!message) return;
    if (!frame || message.frame < frame.serial) return room.link.drawn(message.serial);
    live = { layers: liveLayers(message), message };
    mixer.take(followed(), store.get().view.exposure);
    taken += 1;
    waiting ||= requestAnimationFrame(draw);
    // What was measured was another set.
    now.measured = null;
    print.follows(message);
  }, ["live"]);

  place.pixel = (x, y) => mixer.pixel(x, y);
  place.spot = (x, y, deg) => meter.readingAt(x, y, deg);
}
