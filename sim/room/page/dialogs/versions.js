/** Compare versions: up to four kept versions of the set-up; flip with a key, compare along a line, go back to one. */
import { createMixer } from "../../../web/mixer.js";
import { gainFromExposure } from "../../../web/develop.js";
import { deskOf } from "../picture/picture_desk.js";
import { el } from "../../../web/elements.js";
import { setAttribute, setText } from "../picture/picture_elements.js";
import { measuredLayers, viewLayers } from "../picture/picture_frames.js";

const LETTERS = ["A", "B", "C", "D"];
const NONE = { id: null, wipe: null };

/**
 * @param print see picture_print.js: the other picture lies over it, the tabs stick out at its edge
 */
export function mountVersions(room, print, { webgl = "auto" } = {}) {
  const { store, link } = room;
  const desk = deskOf(room);
  const kept = new Map();
  let loading = 0;
  store.update({ compare: NONE });

  // -- the other picture over the print -----------------------------------------------------------------------------

  const canvas = el("canvas", { width: 2, height: 3 });
  const veil = el("div", { class: "veil", hidden: true }, canvas);
  const mixer = createMixer(canvas, { webgl });
  const names = el("p", { class: "veil-names", "aria-hidden": "true", hidden: true }, el("span"), el("span"));
  const handle = el("button", {
    type: "button",
    class: "wipe",
    role: "slider",
    "aria-label": "Line between the kept version and now",
    "aria-valuemin": "0",
    "aria-valuemax": "100",
    hidden: true,
  });
  print.area.append(veil, names, handle);

  const versions = () => store.get().versions?.versions ?? [];
  const letter = (id) => LETTERS[versions().findIndex((version) => version.id === id)] ?? "";
  const compare = () => store.get().compare;
  const change = (values) => store.update({ compare: { ...compare(), ...values } });

  /** Weights of a version's own dials; a light that is held alone is alone here too. */
  function weightsOf(version, layers) {
    const { alone } = desk.look;
    const heard = (name) => (alone ? name === alone : !version.muted?.includes(name));
    return layers.map((name) => (heard(name) && version.weights[name]) || [0, 0, 0]);
  }

  async function load(version) {
    const held = kept.get(version.id);
    if (held?.message === version.frame) return held;
    const mine = ++loading;
    const frame = await viewLayers(version.frame);
    const entry = { message: version.frame, frame, measured: null };
    kept.set(version.id, entry);
    measuredLayers(version.frame)
      .then((found) => {
        entry.measured = found;
      })
      .catch(() => {});
    return mine === loading ? entry : null;
  }

  async function draw() {
    const { id, wipe } = compare();
    const version = versions().find((each) => each.id === id);
    if (version && !version.frame) {
      store.say(`Version ${letter(id)} was kept without a picture; it can still be brought back.`, "said");
      store.update({ compare: NONE });
      return;
    }
    if (!version || !store.get().view) {
      veil.hidden = names.hidden = handle.hidden = true;
      return;
    }
    let entry = null;
    try {
      entry = await load(version);
    } catch {
      store.say(`The picture of version ${letter(id)} is gone; it can still be brought back.`);
      store.update({ compare: NONE });
    }
    if (!entry || compare().id !== id) return;
    const { exposure } = store.get().view;
    const { stops, balance_K } = desk.look;
    mixer.take(entry.frame, exposure);
    mixer.draw({
      ...desk.rendering(),
      weights: weightsOf(version, entry.frame.names),
      gain: gainFromExposure({ ...exposure, ...version.exposure }, stops, balance_K),
    });
    const part = wipe ?? 1;
    veil.hidden = false;
    veil.style.clipPath = wipe === null ? "none" : `inset(0 ${100 * (1 - part)}% 0 0)`;
    handle.hidden = wipe === null;
    handle.style.left = `${100 * part}%`;
    setAttribute(handle, "aria-valuenow", Math.round(100 * part));
    names.hidden = false;
    setText(names.firstChild, `${letter(id)} \u00b7 ${version.title}`);
    setText(names.lastChild, wipe === null ? "" : "now");
  }

  // -- tabs at the print's edge ---------------------------------------------------------------------------------------

  const tabs = el("div", { class: "tab-list" });
  const keep = el("button", {
    type: "button",
    class: "tab",
    text: "Keep",
    title: "Keep this version to compare",
    "aria-label": "Keep this version",
  });
  const wipe = el("button", {
    type: "button",
    class: "tab",
    text: "Compare",
    title: "Compare a kept version with now, side by side along a line",
    "aria-pressed": "false",
  });
  const rows = el("div", { class: "menu-slip" });
  const more = el(
    "details",
    { class: "tab-more" },
    el("summary", {
      class: "tab",
      title: "Name, bring back or drop kept versions",
      "aria-label": "Kept versions",
      text: "\u22ef",
    }),
    rows,
  );
  print.easel.append(
    el("div", { class: "rack", role: "group", "aria-label": "Versions to compare" }, keep, tabs, wipe, more),
  );
  keep.addEventListener("click", () => link.ask("keep_version", { title: "" }));
  wipe.addEventListener("click", () => {
    const { id, wipe: at } = compare();
    store.update({ compare: at === null ? { id: id ?? versions().at(-1)?.id ?? null, wipe: 0.5 } : NONE });
  });
  more.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !more.open) return;
    event.stopPropagation();
    more.open = false;
    more.querySelector("summary").focus();
  });
  more.addEventListener("focusout", (event) => {
    if (event.relatedTarget instanceof Node && !more.contains(event.relatedTarget)) more.open = false;
  });

  function flip(id) {
    const { id: now, wipe: at } = compare();
    store.update({ compare: now === id && at === null ? NONE : { id, wipe: at } });
  }

  const tab = (version, index) =>
    el("button", {
      type: "button",
      class: "tab",
      "aria-pressed": "false",
      "data-version": version.id,
      text: LETTERS[index],
      title: `${version.title}: show or hide (Shift + ${index + 1})`,
      "aria-label": `Version ${LETTERS[index]}, ${version.title}`,
      onclick: () => flip(version.id),
    });

  function row(version, index) {
    const named = (event) =>
      link.ask("name_version", { version: version.id, title: event.target.value.trim() || `Version ${version.id}` });
    const back = () => {
      more.open = false;
      store.update({ compare: NONE });
      link.ask("restore_version", { version: version.id });
    };
    return el(
      "div",
      { class: "version-row" },
      el("b", { text: LETTERS[index] }),
      el("input", {
        type: "text",
        maxlength: 60,
        value: version.title,
        "aria-label": `Name of version ${LETTERS[index]}`,
        onchange: named,
      }),
      el("button", {
        type: "button",
        class: "small",
        text: "Back to it",
        "aria-label": `Back to version ${LETTERS[index]}`,
        onclick: back,
      }),
      el("button", {
        type: "button",
        class: "small danger",
        text: "Drop",
        "aria-label": `Drop version ${LETTERS[index]}`,
        onclick: () => link.ask("drop_version", { version: version.id }),
      }),
    );
  }

  let built = "";
  store.subscribe(
    ({ versions: message, compare: { id, wipe: at } }) => {
      const found = message?.versions ?? [];
      for (const known of kept.keys()) if (!found.some((version) => version.id === known)) kept.delete(known);
      if (id !== null && !found.some((version) => version.id === id)) {
        store.update({ compare: NONE });
        return;
      }
      const key = JSON.stringify(found.map((version) => [version.id, version.title]));
      if (key !== built) {
        built = key;
        tabs.replaceChildren(...found.map(tab));
        rows.replaceChildren(...found.map(row));
      }
      for (const button of tabs.children) {
        setAttribute(button, "aria-pressed", button.getAttribute("data-version") === String(id));
      }
      keep.disabled = found.length >= (message?.most ?? LETTERS.length);
      wipe.hidden = more.hidden = !found.length;
      setAttribute(wipe, "aria-pressed", at !== null);
      draw();
    },
    ["versions", "compare"],
  );
  desk.follow(() => {
    if (compare().id !== null) draw();
  });

  // -- the handle and the keys ----------------------------------------------------------------------------------------

  const moveTo = (at) => change({ wipe: Math.min(Math.max(at, 0), 1) });
  handle.addEventListener("pointerdown", (event) => {
    event.stopPropagation();
    handle.setPointerCapture(event.pointerId);
  });
  handle.addEventListener("pointermove", (event) => {
    event.stopPropagation();
    if (!handle.hasPointerCapture(event.pointerId)) return;
    const box = print.area.getBoundingClientRect();
    moveTo((event.clientX - box.left) / box.width);
  });
  handle.addEventListener("click", (event) => event.stopPropagation());
  handle.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: -0.02, ArrowRight: 0.02, PageUp: 0.2, PageDown: -0.2, Home: -1, End: 1 }[event.key];
    if (!way) return;
    event.preventDefault();
    event.stopPropagation();
    moveTo((compare().wipe ?? 0.5) + way);
  });
  addEventListener(
    "keydown",
    (event) => {
      // A digit alone selects a light; the key's place counts, because Shift changes what it writes.
      if (!event.shiftKey || event.altKey || event.ctrlKey || event.metaKey || event.repeat) return;
      if (event.target.closest?.("input:not([type=range]), select, textarea, dialog, [contenteditable]")) return;
      const digit = /^Digit([0-4])$/.exec(event.code)?.[1];
      const version = versions()[Number(digit) - 1];
      if (version) flip(version.id);
      else if (digit === "0" && compare().id !== null) store.update({ compare: NONE });
      else return;
      event.preventDefault();
    },
    true,
  );

  return {
    /** What the spot meter reads at x (0..1): the kept version where it lies over the print, else nothing. */
    underPointer(x) {
      const { id, wipe: at } = compare();
      const version = versions().find((each) => each.id === id);
      if (!version?.frame || veil.hidden || (at !== null && x >= at)) return null;
      return {
        name: version.title,
        measured: kept.get(id)?.measured ?? null,
        weights: (layers) => weightsOf(version, layers),
        exposure: () => ({ ...store.get().view.exposure, ...version.exposure }),
      };
    },
  };
}
