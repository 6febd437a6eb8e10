/** The print: a picture with a white border on an easel; zoom, and a quiet word when it is older than the set. */
import { el } from "../../../web/elements.js";
import { setText } from "./picture_elements.js";

// Not before this long is a picture called old: quick changes leave no mark.
const OLD_AFTER_MS = 280;

/** Build the print. `canvas` is replaced where a mixer brings its own. */
export function mountPrint({ store, link }) {
  const canvas = el("canvas", { class: "print-canvas", width: 2, height: 3 });
  const area = el(
    "div",
    {
      class: "print-area",
      tabindex: "0",
      role: "application",
      "aria-label": "Spot meter over the picture. Arrow keys move it, with Shift in small steps; Enter pins a point.",
      "aria-describedby": "spot-said",
    },
    canvas,
  );
  const pane = el("div", { class: "print-window" }, area);
  const old = el("p", { class: "print-old", "aria-hidden": "true" });
  const caption = el("span", { class: "print-caption" });
  const state = el("span", { class: "print-state", role: "status" });
  const part = el("span", { class: "print-part", "aria-hidden": "true" });
  const finer = el("button", {
    type: "button",
    class: "print-finer quiet",
    text: "finer",
    title: "Trace this picture finer",
    hidden: true,
    onclick: () => link.ask("settle"),
  });
  const barFill = el("span");
  const bar = el("span", { class: "print-bar", "aria-hidden": "true" }, barFill);
  const empty = el("p", { class: "print-empty", text: "The first picture is being made." });
  const figure = el(
    "figure",
    { class: "print" },
    el("div", { class: "print-sheet" }, pane, old, empty),
    el("figcaption", {}, caption, el("span", {}, state, part, finer)),
    bar,
  );
  const easel = el("div", { class: "easel" }, figure);

  let shown = null;
  /** @type {Live | null} */
  let live = null;
  let since = 0;
  let timer = 0;

  // Old is a picture that a hand's moves have left behind: live layers count as it.
  const isOld = ({ view, frame }) => {
    const newest = live ?? shown ?? frame;
    return !!view && !!newest && newest.geometry !== view.geometry;
  };

  function tell() {
    const snapshot = store.get();
    const { view, painting } = snapshot;
    if (!view) return;
    const stale = isOld(snapshot);
    since = stale ? since || performance.now() : 0;
    clearTimeout(timer);
    const late = stale && performance.now() - since >= OLD_AFTER_MS;
    if (stale && !late) timer = setTimeout(tell, OLD_AFTER_MS);
    const at = painting?.part ?? 1;
    const ours = ["first", "settled"].includes(painting?.pass_name) && at < 1;
    // An order that traces nothing, such as for a new meter point, is no work on the picture.
    const isNewer = painting?.serial > shown?.serial && at > 0;
    const busy = ours && (!shown || late || shown.pass_name !== "settled" || isNewer);
    const trouble = snapshot.failed && snapshot.failed.serial >= (painting?.serial ?? 0) ? snapshot.failed.text : "";
    figure.classList.toggle("is-busy", busy);
    setText(old, trouble && (stale || !shown) ? `No new picture: ${trouble}` : late ? "older than the set" : "");
    figure.classList.toggle("is-old", late || (!!trouble && !shown));
    finer.hidden = busy || stale || shown?.pass_name !== "settled";
    setText(state, stateText(late, busy));
    setText(part, busy && shown ? ` ${Math.round(100 * at)} %` : "");
    barFill.style.transform = `scaleX(${busy && painting ? at : 0})`;
    setText(caption, captionOf(view));
  }

  function stateText(late, busy) {
    if (!shown) return "";
    if (live && !late) return `rough: ${roughOf(live)}`;
    if (late) return busy ? "being made anew" : "older than the set";
    const behind = shown.stale?.length ?? 0;
    if (behind) return `${listed(shown.fresh)} new, rest follows`;
    if (shown.pass_name === "first") return busy ? "first look, refining" : "first look";
    // A part that is told beside it is of the picture to come, not of this one.
    return busy ? "next picture" : "settled";
  }

  /** @param {Live} message */
  const roughOf = ({ names, is_rough }) =>
    is_rough ? `bounce of ${listed(names)} and its shadow in other light follow` : "other light follows";

  store.subscribe(tell, ["view", "painting", "frame", "failed"]);

  /** A new picture is on the canvas. */
  function arrived(frame, message) {
    shown = message;
    if (live && live.frame < message.serial) live = null;
    empty.hidden = true;
    figure.classList.add("has-picture");
    easel.style.setProperty("--shape", String(frame.width / frame.height));
    area.style.setProperty("--width", `${frame.width}px`);
    area.dataset.serial = String(frame.serial);
    tell();
  }

  /**
   * Layers that follow a hand are on their way to the canvas.
   * @param {Live} message
   */
  function follows(message) {
    live = message;
    area.dataset.live = String(message.serial);
    tell();
  }

  /** Show the whole picture, or a pixel of it as `times` pixels of the page, `place` ([x, y], 0..1) in the middle. */
  function zoom(times, place = [0.5, 0.5]) {
    figure.classList.toggle("zoomed", times !== null);
    area.style.setProperty("--times", String(times ?? 1));
    centre(...place);
  }

  /** Bring a point of the picture (0..1) into the middle of the window where it is larger than that. */
  function centre(x, y) {
    pane.scrollTo(x * pane.scrollWidth - pane.clientWidth / 2, y * pane.scrollHeight - pane.clientHeight / 2);
  }

  return {
    easel,
    figure,
    area,
    pane,
    canvas,
    arrived,
    follows,
    zoom,
    centre,
    get shown() {
      return shown;
    },
  };
}

const listed = (names) => (names.length > 2 ? `${names.length} lights` : names.join(" and "));

function captionOf({ exposure }) {
  const f = String(exposure.aperture).startsWith("f/") ? exposure.aperture : `f/${exposure.aperture}`;
  const iso = `ISO ${exposure.iso_value ?? exposure.iso}`;
  return [f, exposure.shutter, iso].filter(Boolean).join(" · ");
}
