/** The pointer as a spot meter over the print: by mouse, touch and keys. Readings are of raw, undenoised pixels. */
import { deskOf } from "../picture/picture_desk.js";
import { el } from "../../../web/elements.js";
import { lightTag, numbersOf, setText } from "../picture/picture_elements.js";
import { fNumberText, shareText, stopsSpoken, stopsText } from "../picture/picture_words.js";
import { circlePixels, partAt, placeOf, pointAt, spotPixels } from "./meter_spot.js";
import { exposuresAt, spotReading } from "../../../web/meter.js";

const SPOTS_DEG = [0.5, 1, 3];
// A dome is held this far off the surface, as sim/metering/points.py holds it.
const RECEPTOR_GAP_M = 0.04;
const MOST_BARS = 4;
const RESTS_MS = 350;
// A finger hides what it points at: the spot is this far above it.
const ABOVE_FINGER_PX = 44;

/**
 * @param {HTMLElement} slip where the reading is told
 * @param print see picture_print.js
 * @param now what is measured in the picture: {name, measured, weights(names), exposure()}
 * @param {Room} room
 */
export function mount(slip, room, print, now) {
  const { store, link } = room;
  const desk = deskOf(room);
  const { area } = print;
  /** @type {(x: number) => any} */
  let over = () => null;
  let at = null;
  let told = 0;

  const ring = el("div", { class: "spot-ring", hidden: true }, el("span", { class: "spot-tip" }));
  const pins = el("div", { class: "pins", "aria-hidden": "true" });
  area.append(pins, ring);

  const head = el("b", { class: "spot-stops" });
  const words = el("span", { class: "spot-words", text: "Point at the picture to read it like a spot meter." });
  const asks = el("span"),
    hand = el("span", { class: "spot-hand" });
  const bars = el("ul", { class: "spot-bars", "aria-label": "Share of each light" });
  const said = el("p", { id: "spot-said", class: "unseen", "aria-live": "polite" });
  const size = el(
    "select",
    { "aria-label": "Size of the spot" },
    ...SPOTS_DEG.map((deg) => el("option", { value: String(deg), text: `${deg === 0.5 ? "\u00bd" : deg}\u00b0 spot` })),
  );
  size.value = "1";
  const kind = el(
    "select",
    { "aria-label": "What a pinned point is read with" },
    el("option", { value: "dome", text: "dome" }),
    el("option", { value: "spot", text: "spot" }),
  );
  const pin = el("button", {
    type: "button",
    class: "small",
    text: "Pin it",
    title: "Keep this point in the readings",
  });
  slip.append(
    el("div", { class: "spot-text" }, el("p", {}, head, words), el("p", { class: "spot-asks" }, asks, hand)),
    bars,
    el("div", { class: "spot-tools" }, size, el("span", { class: "spot-pin" }, pin, kind)),
    said,
  );

  // -- reading ------------------------------------------------------------------------------------------------------

  /** @param {number} x */
  const sourceAt = (x) => over(x) ?? now;
  const pixelAt = ({ x, y }, { width, height }) => [
    Math.min(width - 1, Math.floor(x * width)),
    Math.min(height - 1, Math.floor(y * height)),
  ];

  /** What a spot of `deg` reads at a pixel of a source: the reading with `part`, `names` and `pixels`. */
  function read(source, px, py, deg) {
    const frame = source.measured;
    const exposure = source.exposure();
    const pixels = circlePixels(
      px,
      py,
      spotPixels(deg, frame.camera.half_width, frame.width),
      frame.width,
      frame.height,
    );
    const exposures = exposuresAt(frame, pixels, source.weights(frame.names), exposure.luminance);
    return {
      ...spotReading(exposures, exposure),
      exposures,
      names: frame.names,
      pixels,
      part: partAt(frame.region, frame.regions, pixels),
    };
  }

  function show() {
    const frame = print.shown;
    if (!at || !frame) return;
    const source = sourceAt(at.x);
    const deg = Number(size.value);
    ring.hidden = false;
    ring.style.left = `${100 * at.x}%`;
    ring.style.top = `${100 * at.y}%`;
    const across = spotPixels(deg, frame.camera.half_width, frame.width) / frame.width;
    ring.style.width = `${100 * across}%`;
    ring.classList.toggle("leftward", at.x > 0.72);
    if (!source.measured) {
      setText(words, "The meter waits for the measured light.");
      return;
    }
    const [px, py] = pixelAt(at, source.measured);
    const reading = read(source, px, py, deg);
    const trial = source === now ? desk.look.stops : 0;
    tell(reading, source, trial);
  }

  function tell(reading, source, trial) {
    const stops = reading.from_grey_stops + trial;
    const part = reading.part.name === "nothing" ? "nothing there" : reading.part.name;
    const where = source === now ? part : `${part}, in \u201c${source.name}\u201d`;
    setText(head, stopsText(stops));
    setText(words, reading.total > 0 ? ` stops from middle grey \u00b7 ${where}` : ` no light \u00b7 ${where}`);
    setText(ring.firstChild, stopsText(stops));
    setText(asks, reading.total > 0 ? `middle grey at ${fNumberText(reading.grey_f_number)}` : "");
    const more = trial ? ` \u00b7 with the trial ${stopsText(trial)}` : "";
    setText(hand, reading.total > 0 ? ` \u00b7 hand-held meter ${fNumberText(reading.meter_f_number)}${more}` : "");
    const { view } = store.get();
    const numbers = numbersOf(view);
    const lit = reading.shares
      .map((share, k) => [share, reading.names[k]])
      .filter(([share]) => share >= 0.005)
      .sort((a, b) => b[0] - a[0]);
    const shownBars = lit.slice(0, lit.length > MOST_BARS ? MOST_BARS - 1 : MOST_BARS);
    const rest = lit.slice(shownBars.length);
    bars.replaceChildren(
      ...shownBars.map(([share, name]) => bar(share, name, store.light(name), numbers[name])),
      ...(rest.length
        ? [
            bar(
              rest.reduce((sum, [share]) => sum + share, 0),
              `${rest.length} more`,
              null,
              "+",
            ),
          ]
        : []),
    );
    slip.dataset.stops = Number.isFinite(stops) ? stops.toFixed(4) : "dark";
    slip.dataset.part = reading.part.name;
  }

  function bar(share, name, light, number) {
    const fill = el("i");
    fill.style.width = `${100 * Math.max(share, 0.01)}%`;
    const line = el(
      "li",
      {},
      lightTag(light, number),
      el("span", { class: "spot-name", text: name }),
      el("span", { class: "spot-bar" }, fill),
      el("span", { class: "spot-share", text: shareText(share) }),
    );
    line.style.setProperty("--tag", light?.colour ?? "#565b62");
    return line;
  }

  /** Tell a screen reader where the keys have brought the meter, once they rest. */
  function say() {
    clearTimeout(told);
    told = setTimeout(() => {
      if (!at || !sourceAt(at.x).measured) return;
      const [px, py] = pixelAt(at, sourceAt(at.x).measured);
      const { from_grey_stops: stops, part } = read(sourceAt(at.x), px, py, Number(size.value));
      said.textContent = `${part.name}: ${stopsSpoken(stops)} stops from middle grey`;
    }, 300);
  }

  // -- pinning ------------------------------------------------------------------------------------------------------

  let pinsLater = false;

  async function pinHere() {
    if (!at) return;
    // A picture is looked at before what is measured in it has come; the wish to pin is kept until then.
    pinsLater = !now.measured;
    if (pinsLater) return;
    const frame = now.measured;
    const [px, py] = pixelAt(at, frame);
    const pixels = circlePixels(
      px,
      py,
      spotPixels(Number(size.value), frame.camera.half_width, frame.width),
      frame.width,
      frame.height,
    );
    const point = pointAt(px, py, frame, frame.distance, pixels, kind.value === "dome" ? RECEPTOR_GAP_M : 0);
    if (!point) {
      store.say("There is nothing at this point to hold a meter at.", "refused");
      return;
    }
    const at_m = /** @type {Point} */ (point.map((value) => Math.round(1000 * value) / 1000));
    const answer = await link.edit([{ op: "pin", name: null, at_m, kind: kind.value }]);
    if (answer.type !== "refused") store.say("Pinned. The readings hold it as a meter point of your own.");
  }

  let pinned = "";

  function showPins() {
    const { view, pointed, selection } = store.get();
    const camera = print.shown?.camera;
    if (!view || !camera) return;
    const key = JSON.stringify([view.meters, pointed, selection, camera]);
    if (key === pinned) return;
    pinned = key;
    pins.replaceChildren(
      ...(view.meters ?? [])
        .map(({ name, at_m }) => {
          const place = Array.isArray(at_m) && placeOf(at_m, camera);
          if (!place || place.some((v) => v < 0 || v > 1)) return null;
          const mark = el("span", { class: "point-mark", "data-name": name }, el("em", { text: name }));
          mark.style.left = `${100 * place[0]}%`;
          mark.style.top = `${100 * place[1]}%`;
          mark.classList.toggle("leftward", place[0] > 0.6);
          mark.classList.toggle("is-named", name === pointed || selection === `meter:${name}`);
          return mark;
        })
        .filter(Boolean),
    );
  }

  // -- hands --------------------------------------------------------------------------------------------------------

  let byTouch = false;
  let rested = null;
  let resting = 0;

  function moveTo(event) {
    const box = area.getBoundingClientRect();
    const lift = event.pointerType === "touch" ? ABOVE_FINGER_PX : 0;
    const held = (v) => Math.min(Math.max(v, 0), 0.999999);
    at = { x: held((event.clientX - box.left) / box.width), y: held((event.clientY - lift - box.top) / box.height) };
    clearTimeout(resting);
    resting = setTimeout(() => {
      rested = at;
    }, RESTS_MS);
    show();
  }

  // A pointer on its way out leaves the meter where it last rested, so that it can be watched while a fader moves.
  area.addEventListener("pointerleave", (event) => {
    clearTimeout(resting);
    if (event.pointerType === "touch" || !rested) return;
    at = rested;
    show();
  });

  area.addEventListener("pointermove", (event) => {
    if (event.pointerType !== "touch" || event.buttons) moveTo(event);
  });
  area.addEventListener("pointerdown", (event) => {
    byTouch = event.pointerType === "touch";
    moveTo(event);
  });
  area.addEventListener("click", () => {
    if (!byTouch) pinHere();
  });
  area.addEventListener("keydown", (event) => {
    if (event.target !== area) return;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const frame = print.shown;
    if (event.key === "Enter") {
      event.preventDefault();
      pinHere();
    } else if (way && frame) {
      event.preventDefault();
      event.stopPropagation();
      const far = event.shiftKey ? 1 : Math.max(1, Math.round(0.015 * frame.height));
      const [px, py] = at ? pixelAt(at, frame) : [frame.width >> 1, frame.height >> 1];
      const held = (v, most) => Math.min(Math.max(v, 0), most - 1);
      at = {
        x: (held(px + far * way[0], frame.width) + 0.5) / frame.width,
        y: (held(py + far * way[1], frame.height) + 0.5) / frame.height,
      };
      rested = at;
      print.centre(at.x, at.y);
      show();
      say();
    }
  });
  /** Where to look closely: at the meter's place, or at the face. */
  print.lookedAt = () => {
    const face = store.get().view?.sitter?.parts?.face;
    const place = at ? [at.x, at.y] : face && print.shown ? placeOf(face, print.shown.camera) : null;
    return place ?? [0.5, 0.5];
  };
  pin.addEventListener("click", pinHere);
  size.addEventListener("change", show);
  const follow = store.calm(() => {
    show();
    showPins();
  });
  desk.follow(follow, ["frame", "compare"]);
  store.subscribe(showPins, ["pointed", "selection"]);

  return {
    refresh() {
      show();
      showPins();
      if (pinsLater) pinHere();
    },
    /** `underPointer(x)` names another source where another picture lies over the print. */
    alsoOver(underPointer) {
      over = underPointer;
    },
    readingAt: (x, y, deg) => (now.measured ? read(now, x, y, deg) : null),
  };
}
