/** The table: papers that fold into drawers, bars between them, and how they were left, kept for the next time. */
import { el } from "../../../web/elements.js";

const NAMES = { plan: "Plan", side: "Elevation", lights: "Lights", slip: "Slip", readings: "Readings" };
const SIDES = { left: ["plan", "side"], right: ["lights", "slip", "readings"] };
const LEAST_PX = 240;
const STEP_PX = 16;
const KEEP_AFTER_MS = 500;

/** @param {Room} room */
export function mount(element, room) {
  const { store, link } = room;
  const panes = [.../** @type {NodeListOf<HTMLElement>} */ (element.querySelectorAll("[data-pane]"))];
  const folds = new Map();
  let keeping = 0;

  /** Lay the table otherwise, and keep it so once hands are off it. */
  function lay(change) {
    store.update({ table: { ...store.get().table, ...change } });
    clearTimeout(keeping);
    keeping = setTimeout(() => {
      const { folded, sizes } = store.get().table;
      link.ask("keep_table", { folded, sizes }, { quiet: true });
    }, KEEP_AFTER_MS);
  }

  const isFolded = (name) => store.get().table.folded.includes(name);

  function fold(names, away) {
    const others = store.get().table.folded.filter((name) => !names.includes(name));
    lay({ folded: away ? [...others, ...names] : others });
  }

  for (const pane of panes) {
    const name = pane.dataset.pane;
    const button = el(
      "button",
      {
        type: "button",
        class: "pane-fold quiet",
        "aria-expanded": "true",
        onclick: () => fold([name], !isFolded(name)),
      },
      NAMES[name],
    );
    folds.set(name, button);
    pane.prepend(el("div", { class: "pane-head" }, el("h2", {}, button)));
  }

  // -- bars ----------------------------------------------------------------------------------------------------------

  const picture = document.getElementById("picture"),
    set = document.getElementById("set"),
    readings = document.getElementById("readings");
  const sizes = () => store.get().table.sizes;
  const keep = (name, value) => lay({ sizes: { ...sizes(), [name]: value } });
  const drop = (name) => lay({ sizes: Object.fromEntries(Object.entries(sizes()).filter(([key]) => key !== name)) });
  const widest = () => Math.max(LEAST_PX, (innerWidth - 320) / 2);

  picture.append(
    bar("left", "Width of the set's papers", "left_px", () => picture.getBoundingClientRect().left, (x) => x, widest),
    bar(
      "right",
      "Width of the papers on the right",
      "right_px",
      () => innerWidth - picture.getBoundingClientRect().right,
      (x) => innerWidth - x,
      widest,
    ),
  );
  readings.append(
    bar(
      "level",
      "Height of the readings",
      "readings_px",
      () => readings.getBoundingClientRect().height,
      (_, y) => readings.getBoundingClientRect().bottom - y,
      () => innerHeight - LEAST_PX,
    ),
  );
  const between = bar(
    "level plan-side",
    "Plan and elevation",
    "plan_part",
    () => planPx(),
    (_, y) => y - set.getBoundingClientRect().top,
    () => set.getBoundingClientRect().height - LEAST_PX / 2,
    (px) => px / set.getBoundingClientRect().height,
  );
  set.append(between);
  const planPx = () => panes[0].getBoundingClientRect().height;
  const place = () => between.style.setProperty("top", `${planPx() + 4}px`);
  new ResizeObserver(place).observe(panes[0]);

  /** A bar that hands and arrow keys move; Home gives the usual size back. `stored`: what is kept of so many pixels. */
  function bar(kind, label, name, now, at, most, stored = (px) => px) {
    const level = kind.startsWith("level");
    const node = el("div", {
      class: `bar ${level ? kind : `upright ${kind}`}`,
      role: "separator",
      tabindex: "0",
      "aria-orientation": level ? "horizontal" : "vertical",
      "aria-label": label,
      "aria-valuemin": "0",
      "aria-valuenow": "0",
    });
    const tell = () => node.setAttribute("aria-valuenow", String(Math.round(now())));
    const move = (px) => {
      keep(name, stored(Math.round(Math.min(Math.max(px, LEAST_PX / 2), most()))));
      requestAnimationFrame(tell);
    };
    node.addEventListener("pointerdown", (event) => {
      node.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    node.addEventListener("pointermove", (event) => {
      if (node.hasPointerCapture(event.pointerId)) move(at(event.clientX, event.clientY));
    });
    node.addEventListener("dblclick", () => drop(name));
    node.addEventListener("focus", tell);
    node.addEventListener("keydown", (event) => {
      const more = name === "left_px" || name === "plan_part" ? 1 : -1;
      const way = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (event.key === "Home") drop(name);
      else if (way) move(now() + way * more * STEP_PX);
      else return;
      event.preventDefault();
      event.stopPropagation();
    });
    return node;
  }

  // -- as it lies ----------------------------------------------------------------------------------------------------

  store.subscribe(
    ({ table: { folded, sizes: kept } }) => {
      const { body } = document;
      for (const pane of panes) {
        const away = folded.includes(/** @type {any} */ (pane.dataset.pane));
        pane.classList.toggle("folded", away);
        folds.get(pane.dataset.pane).setAttribute("aria-expanded", String(!away));
      }
      for (const [side, names] of Object.entries(SIDES))
        body.classList.toggle(`${side}-folded`, names.every((name) => folded.includes(/** @type {any} */ (name))));
      const open = (side) => !body.classList.contains(`${side}-folded`);
      put(body, "--left", open("left") && kept.left_px && `${kept.left_px}px`);
      put(body, "--right", open("right") && kept.right_px && `${kept.right_px}px`);
      put(body, "--readings", kept.readings_px && `${kept.readings_px}px`);
      put(set, "--plan-part", kept.plan_part && String(kept.plan_part));
      put(set, "--side-part", kept.plan_part && String(1 - kept.plan_part));
      requestAnimationFrame(place);
    },
    ["table"],
  );

  let shape = 0;
  store.subscribe(
    ({ view }) => {
      const aspect = view?.camera?.aspect;
      if (!aspect || aspect === shape) return;
      shape = aspect;
      document.documentElement.style.setProperty("--shape", String(aspect));
      document.body.classList.toggle("lies", aspect > 1);
    },
    ["view"],
  );

  room.table = {
    /** Fold every paper away, or bring all back where all are. */
    foldAll() {
      const all = Object.keys(NAMES);
      fold(all, !all.every(isFolded));
    },
  };
}

function put(node, name, value) {
  if (value) node.style.setProperty(name, value);
  else node.style.removeProperty(name);
}
