/** What the key draws on the face: its name beside a small drawing, and a slip that explains every pattern. */
import { el } from "../../../web/elements.js";
import { setText } from "../picture/picture_elements.js";

// Drawings and words are those of sim/reports/faces and sim/advice/checks/shadow_words.py; sim/room/app.py serves them.
const WORDS = "face/words.json";

const drawingOf = (name, lit_side) => `face/${encodeURIComponent(name)}-${lit_side}.svg`;

/**
 * @param {HTMLElement} place
 * @returns {(meters: Heard["meters"], geometry: number) => void} shows what the meters say; `geometry` of the set now
 */
export function mount(place) {
  const drawing = el("img", { class: "face-drawing", alt: "", width: 40, height: 44 });
  const name = el("b"),
    rest = el("span", { class: "face-rest" });
  const legend = el("ul", { class: "face-legend" });
  const slip = el(
    "details",
    { class: "face-slip" },
    el("summary", { title: "What the key draws; open for all patterns" }, drawing, el("span", {}, name, rest)),
    legend,
  );
  place.append(slip);
  place.hidden = true;
  let shown = null;
  let asked = false;

  slip.addEventListener("toggle", async () => {
    if (!slip.open || asked) return;
    asked = true;
    try {
      const words = await (await fetch(WORDS)).json();
      legend.replaceChildren(...words.map(line));
      mark();
    } catch {
      asked = false;
    }
  });

  const line = ({ drawing: of, name, sentence }) =>
    el(
      "li",
      { "data-of": of },
      el("img", { src: drawingOf(of, "left"), alt: "", width: 60, height: 66, loading: "lazy" }),
      el("p", {}, el("b", { text: name }), el("br"), sentence),
    );

  /** Mark what is drawn now among all that there is. */
  function mark() {
    for (const each of legend.querySelectorAll("li")) {
      const now = !!shown && [shown.pattern, shown.side].includes(each.dataset.of);
      each.toggleAttribute("aria-current", now);
    }
  }

  return (meters, geometry) => {
    // While a hand drags the meters say nothing of it: what was drawn before stands, marked as older.
    if (meters && !meters.is_rough) shown = meters.nose_shadow && { ...meters.nose_shadow, of: meters.geometry };
    place.hidden = !shown;
    if (!shown) return;
    const old = shown.of !== geometry;
    place.classList.toggle("older", old);
    const source = drawingOf(shown.pattern, shown.lit_side);
    if (drawing.getAttribute("src") !== source) drawing.setAttribute("src", source);
    setText(name, shown.name);
    setText(rest, old ? "older" : `nose shadow of ${shown.light}`);
    mark();
  };
}
