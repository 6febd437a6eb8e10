/** Ways to look at the table: the whole screen, no notes, large type, and the set-up built up light by light. */
import { el } from "../../../web/elements.js";
import { lightTag, numbersOf, setAttribute, setText } from "../picture/picture_elements.js";

/** @type {[string, string, string][]} */
const WAYS = [
  ["full", "Whole screen", "f"],
  ["papers", "Fold the papers", "p"],
  ["bare", "Hide all notes", "h"],
  ["large", "Large type", "t"],
  ["next", "Light by light", "n"],
];

/**
 * Make the ways ready; gives a button for each.
 * @param {Room} room
 */
export function mountViews(room) {
  const { store } = room;
  const views = () => store.get().views;
  const change = (values) => store.update({ views: { ...views(), ...values } });
  let soloBefore = [];

  // -- light by light ------------------------------------------------------------------------------------------------

  const words = el("p", { role: "status" });
  const onward = el("button", { type: "button", class: "small", onclick: () => next() }, "Next");
  const said = el(
    "div",
    { class: "class-said", hidden: true },
    words,
    onward,
    el("button", { type: "button", class: "small", onclick: () => endTurn() }, "End"),
  );
  document.getElementById("picture").append(said);

  /** Lights that are on, by number: the order in which they are told. */
  function inTurn() {
    const { view } = store.get();
    const numbers = numbersOf(view);
    return view.lights
      .map(({ name }) => name)
      .filter((name) => !store.isMuted(name))
      .sort((a, b) => numbers[a] - numbers[b]);
  }

  /** Show one light more than before; after the last all is as it was. */
  function next() {
    const names = inTurn();
    const shown = views().shown + 1;
    if (views().shown === 0) soloBefore = store.get().solo;
    if (shown > names.length) return endTurn();
    change({ shown });
    store.update({ solo: names.slice(0, shown) });
    const name = names[shown - 1];
    said.hidden = false;
    words.replaceChildren(
      lightTag(store.light(name), numbersOf(store.get().view)[name]),
      el("b", { text: shown > 1 ? `and ${name}` : `${name} alone` }),
      el("span", { text: `${shown} of ${names.length}` }),
    );
  }

  function endTurn() {
    if (!views().shown) return;
    change({ shown: 0 });
    store.update({ solo: soloBefore });
    setText(words, "");
    said.hidden = true;
  }

  // -- the whole screen ----------------------------------------------------------------------------------------------

  async function full(on = !views().full) {
    change({ full: on });
    // A browser may refuse to give the screen; the window is filled all the same.
    try {
      if (on) await document.documentElement.requestFullscreen?.();
      else if (document.fullscreenElement) await document.exitFullscreen();
    } catch {}
  }
  document.addEventListener("fullscreenchange", () => {
    if (!document.fullscreenElement && views().full) change({ full: false });
  });

  const calls = {
    full: () => full(),
    papers: () => room.table?.foldAll(),
    bare: () => change({ bare: !views().bare }),
    large: () => change({ large: !views().large }),
    next,
  };

  /** End what Escape ends, the last that was begun first; tells whether there was anything. */
  function escape() {
    const { shown, full: isFull, bare } = views();
    if (shown) endTurn();
    else if (bare) change({ bare: false });
    else if (isFull) full(false);
    else return false;
    return true;
  }

  // -- the menu ------------------------------------------------------------------------------------------------------

  const buttons = WAYS.map(([name, text, key]) =>
    el(
      "button",
      { type: "button", class: "way", "data-way": name, "aria-keyshortcuts": key, onclick: calls[name] },
      text,
      el("kbd", { text: key }),
    ),
  );
  store.subscribe(
    ({ views: now, table: { folded } }) => {
      for (const name of ["full", "bare", "large"]) document.body.classList.toggle(name, now[name]);
      const on = { ...now, next: now.shown > 0, papers: folded.length === 5 };
      for (const button of buttons) setAttribute(button, "aria-pressed", on[button.dataset.way]);
    },
    ["views", "table"],
  );
  room.views = { calls, escape };
  return buttons;
}
