/** Four steps for who opens the room for the first time. */
import { el } from "../../../web/elements.js";

const STEPS = [
  [
    ".drawing.plan",
    "The set, to scale",
    "Take hold of a light and drag it. Distance and angle show while you do; arrow keys move what is selected. " +
      "The same set is drawn from the side below: heights are changed there.",
  ],
  [
    "#slip",
    "Everything has its slip",
    "What is selected tells its measures here: power, place, what is fitted. Type numbers with any unit.",
  ],
  [
    "#picture",
    "The picture follows",
    "Power, off and only show at once. A moved light is traced anew: first roughly, then finer while you rest. " +
      "Point at the picture to read it like a spot meter.",
  ],
  [
    "#readings",
    "Readings and wishes",
    "Meter points keep their readings live. Say what they should read, and the dials that come closest are " +
      "worked out. Save writes your scene file, comments and all.",
  ],
];

/** @param {Room} room */
export function mount(element, room) {
  const { store, link } = room;
  const told = el("p", { class: "tour-count note" }),
    heading = el("h2", { id: "tour-title" }),
    text = el("p", {});
  const back = el("button", { type: "button", onclick: () => show(step - 1) }, "Back");
  const next = el("button", {
    type: "button",
    class: "main",
    onclick: () => (step + 1 < STEPS.length ? show(step + 1) : end()),
  });
  const skip = el("button", { type: "button", class: "quiet", onclick: end }, "Skip");
  const card = el(
    "div",
    { class: "tour", role: "dialog", "aria-modal": "false", "aria-labelledby": "tour-title", hidden: true },
    told,
    heading,
    text,
    el("div", { class: "row end" }, skip, back, next),
  );
  const ring = el("div", { class: "tour-ring", hidden: true, "aria-hidden": "true" });
  element.append(ring, card);
  let step = -1;
  let before = null;

  function show(index) {
    step = Math.min(Math.max(index, 0), STEPS.length - 1);
    const [where, title, line] = STEPS[step];
    told.textContent = `Step ${step + 1} of ${STEPS.length}`;
    heading.textContent = title;
    text.textContent = line;
    back.disabled = step === 0;
    next.textContent = step + 1 < STEPS.length ? "Next" : "To work";
    card.hidden = ring.hidden = false;
    document.querySelector(where)?.scrollIntoView({ block: "nearest" });
    place();
    next.focus();
  }

  function place() {
    if (step < 0) return;
    const box = document.querySelector(STEPS[step][0])?.getBoundingClientRect();
    if (!box) return;
    Object.assign(ring.style, {
      left: `${box.left - 3}px`,
      top: `${box.top - 3}px`,
      width: `${box.width + 6}px`,
      height: `${box.height + 6}px`,
    });
    const { width, height } = card.getBoundingClientRect();
    const right = box.right + 14 + width < innerWidth,
      left = box.left - 14 - width > 0;
    const x = right ? box.right + 14 : left ? box.left - 14 - width : Math.max((innerWidth - width) / 2, 8);
    const y =
      right || left
        ? box.top + Math.min(60, box.height / 4)
        : box.top > height + 20
          ? box.top - height - 12
          : box.bottom - height - 16;
    Object.assign(card.style, { left: `${x}px`, top: `${Math.min(Math.max(y, 8), innerHeight - height - 8)}px` });
  }

  function start() {
    before = document.activeElement;
    show(0);
  }

  function end() {
    if (step < 0) return;
    step = -1;
    card.hidden = ring.hidden = true;
    before?.focus?.();
    if (store.get().view?.tour) link.ask("tour_done", {}, { quiet: true });
  }

  card.addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      event.stopPropagation();
      event.preventDefault();
      end();
    }
    if (event.key === "ArrowRight") {
      event.preventDefault();
      next.click();
    }
    if (event.key === "ArrowLeft" && step > 0) {
      event.preventDefault();
      show(step - 1);
    }
  });
  addEventListener("resize", place);
  room.tour = { start };

  let offered = false;
  store.subscribe(
    ({ view, ready }) => {
      if (!view?.tour || !ready || offered) return;
      offered = true;
      requestAnimationFrame(() => {
        if (!document.querySelector("dialog[open]")) start();
      });
    },
    ["view", "ready"],
  );
}
