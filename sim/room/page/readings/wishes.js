/** Wishes for readings, and the dials that come nearest to them: asked, looked at, taken as one step of undo. */
import { el } from "../../../web/elements.js";
import { lightTag, numbersOf, setText } from "../picture/picture_elements.js";
import { fNumberFromText, fNumberText, stopsFromText, stopsText } from "../picture/picture_words.js";
import { MINUS, powerShort } from "../../../web/phrases.js";

const USUAL = [
  ["shadow-side cheek", `${MINUS}2`],
  ["backdrop centre", `${MINUS}3`],
  ["face", null],
];
const REFERENCE = "key-side cheek";
// Names that people use for the points.
const SHORT = { "key-side cheek": "key side", "shadow-side cheek": "shadow side", "backdrop centre": "backdrop" };

/** What a person wrote for a point: {f_number}, {stops}, or null where it is neither. */
export function wishFromText(text) {
  const plain = text.trim();
  if (/^f/i.test(plain)) {
    const f_number = fNumberFromText(plain);
    return f_number === null ? null : { f_number };
  }
  const stops = stopsFromText(plain.replace(/\b(under|below)\b/i, "").trim());
  if (stops === null) return null;
  return { stops: /\b(under|below)\b/i.test(plain) ? -Math.abs(stops) : stops };
}

/** @param {Room} room */
export function mount(place, room) {
  const { store, link } = room;
  let rows = [];
  let last = 0;
  let result = null;
  let locked = new Set();

  const list = el("ul", { class: "wish-list" });
  const add = el("button", { type: "button", class: "small", text: "Add a wish" });
  const usual = el("span", { class: "wish-usual" });
  const reference = el("select", { "aria-label": "Stops are counted from" });
  const locks = el("details", { class: "wish-locks" }, el("summary", { text: "Lights to leave alone" }), el("div", {}));
  const ask = el("button", { type: "button", class: "main", text: "Find the dials" });
  const take = el("button", { type: "button", text: "Take these dials" });
  const said = el("p", { class: "wish-said", role: "status" });
  const moves = el("ul", { class: "wish-moves", "aria-label": "Moves of the dials" });
  const from = el("label", { class: "wish-from" }, "counted from ", reference);
  place.append(
    el("h3", { text: "Wishes" }),
    list,
    el("div", { class: "wish-adds" }, add, usual),
    from,
    locks,
    el("div", { class: "wish-ends" }, ask, take),
    said,
    moves,
  );

  const points = () => store.get().meters?.points ?? [];
  // A point of the scene's own may bear the short name already.
  const short = (name) => (SHORT[name] && !points().some((each) => each.name === SHORT[name]) ? SHORT[name] : name);
  const options = (chosen, more = []) =>
    [...more, ...points().map(({ name }) => [name, short(name)])].map(([value, text]) =>
      el("option", { value, text, selected: value === chosen }),
    );

  function addRow(point, text = "") {
    const known = rows.find((row) => row.point.value === point);
    if (known) {
      known.value.focus();
      return known;
    }
    const id = `wish-${++last}`;
    const row = {
      point: el("select", { "aria-label": "Point" }, ...options(point)),
      value: el("input", {
        type: "text",
        id,
        value: text,
        placeholder: `${MINUS}2 or f/5.6`,
        autocomplete: "off",
        spellcheck: "false",
        "aria-label": "What it should read, stops or an f-number",
        "aria-describedby": `${id}-said`,
      }),
      said: el("p", { class: "wish-outcome", id: `${id}-said` }),
    };
    row.item = el(
      "li",
      {},
      row.point,
      row.value,
      el("button", {
        type: "button",
        class: "quiet",
        "aria-label": "Remove this wish",
        title: "Remove this wish",
        text: "\u00d7",
        onclick: () => removeRow(row),
      }),
      row.said,
    );
    row.point.addEventListener("change", changed);
    row.value.addEventListener("input", changed);
    row.value.addEventListener("keydown", (event) => {
      if (event.key === "Enter") askNow();
    });
    rows.push(row);
    list.append(row.item);
    changed();
    return row;
  }

  function removeRow(row) {
    rows = rows.filter((each) => each !== row);
    row.item.remove();
    add.focus();
    changed();
  }

  function changed() {
    result = null;
    show();
  }

  /** The wishes as they are written, or null where one of them cannot be read. */
  function written() {
    let whole = true;
    const found = rows.map((row) => {
      const wish = wishFromText(row.value.value);
      const bad = row.value.value.trim() !== "" && !wish;
      row.value.setAttribute("aria-invalid", String(bad));
      if (!wish) whole = false;
      return { row, point: row.point.value, wish, bad };
    });
    return { found, whole: whole && found.length > 0 };
  }

  function wishWords({ point, wish, bad }) {
    if (bad) return "Write stops such as \u22122, or f/5.6.";
    if (!wish) return "";
    if (wish.f_number) return `the ${short(point)} reads ${fNumberText(wish.f_number)}`;
    const side = wish.stops < 0 ? "under" : "over";
    const against = reference.value === "camera" ? "the set f-number" : `the ${short(reference.value)}`;
    return wish.stops === 0
      ? `the ${short(point)} like ${against}`
      : `the ${short(point)} ${Math.abs(wish.stops).toFixed(1)} stops ${side} ${against}`;
  }

  function show() {
    const { view } = store.get();
    if (!view) return;
    const { found, whole } = written();
    for (const each of found) {
      const outcome = result?.outcomes.find((one) => one.point === each.point);
      setText(each.row.said, outcome ? outcomeWords(outcome) : wishWords(each));
      each.row.item.dataset.met = outcome ? String(outcome.met) : "";
      each.row.said.classList.toggle("error", each.bad);
    }
    from.hidden = locks.hidden = ask.hidden = !rows.length;
    ask.disabled = !whole;
    const turned = (result?.moves ?? []).filter((move) => Math.abs(move.change_stops) > 1e-6);
    const old = result && result.revision !== undefined && result.revision !== view.revision;
    take.hidden = !turned.length;
    take.disabled = !!old;
    setText(
      said,
      !result
        ? ""
        : old
          ? "The set-up has changed since: find the dials again."
          : result.feasible
            ? turned.length
              ? "Every wish is met with these dials:"
              : "Every wish is met as it stands."
            : turned.length
              ? "As near as the dials can bring it:"
              : "No dial brings it nearer.",
    );
    showMoves(turned, view);
    const free = USUAL.filter(
      ([point]) => points().some(({ name }) => name === point) && !rows.some((row) => row.point.value === point),
    );
    usual.replaceChildren(
      ...free.map(([point, text]) => {
        const value = text ?? view.exposure.aperture;
        const words = text
          ? `${short(point)} ${Math.abs(Number(text.replace(MINUS, "-")))} under`
          : `${short(point)} ${value}`;
        return el("button", {
          type: "button",
          class: "small quiet usual",
          text: words,
          onclick: () => addRow(point, value),
        });
      }),
    );
    add.disabled = !points().length;
  }

  function showMoves(turned, view) {
    const numbers = numbersOf(view);
    moves.replaceChildren(
      ...turned.map((move) => {
        const light = store.light(move.light);
        return el(
          "li",
          {},
          lightTag(light, numbers[move.light]),
          el("span", { text: move.light }),
          el("span", {
            class: "move-dials",
            text: [move.before_stops, move.after_stops].map(powerShort).join(" \u2192 "),
          }),
          el("b", { text: stopsText(move.change_stops) }),
        );
      }),
    );
  }

  async function askNow() {
    const { found, whole } = written();
    if (!whole) return;
    setText(said, "Looking for the dials\u2026");
    ask.disabled = true;
    const answer = await link.ask(
      "wish",
      {
        wishes: found.map(({ point, wish }) => ({ point, ...wish })),
        reference: reference.value,
        locked: [...locked],
      },
      { quiet: true },
    );
    ask.disabled = false;
    if (answer.type === "refused") setText(said, answer.text);
    else if (answer.type === "late") setText(said, "Waiting for the meters; the dials come as soon as they are read.");
  }

  add.addEventListener("click", () => {
    const next = points().find(({ name }) => !rows.some((row) => row.point.value === name));
    if (next) addRow(next.name).value.focus();
  });
  ask.addEventListener("click", askNow);
  take.addEventListener("click", async () => {
    const answer = await link.ask("take_wishes");
    if (answer.type === "refused") return;
    result = null;
    show();
    store.say("The dials are set; undo takes them all back.");
  });
  reference.addEventListener("change", changed);

  store.subscribe(
    ({ wishes }) => {
      result = wishes;
      show();
    },
    ["wishes"],
  );
  let known = "";
  store.subscribe(
    ({ view, meters }) => {
      const key = JSON.stringify([points().map(({ name }) => name), view?.lights.map(({ name }) => name)]);
      if (view && key !== known) {
        known = key;
        const chosen = reference.value || (points().some(({ name }) => name === REFERENCE) ? REFERENCE : "camera");
        reference.replaceChildren(...options(chosen, [["camera", "the set f-number"]]));
        rows.forEach((row) => row.point.replaceChildren(...options(row.point.value)));
        locked = new Set([...locked].filter((name) => store.light(name)));
        locks.lastElementChild.replaceChildren(
          ...view.lights
            .filter(({ dial: found }) => found !== null)
            .map(({ name }) =>
              el(
                "label",
                {},
                el("input", {
                  type: "checkbox",
                  checked: locked.has(name),
                  onchange: (event) => {
                    if (event.target.checked) locked.add(name);
                    else locked.delete(name);
                    changed();
                  },
                }),
                name,
              ),
            ),
        );
      }
      if (view && meters !== undefined) show();
    },
    ["view", "meters"],
  );

  return {
    /** Put an entry for a point among the wishes and go there. */
    wishFor(point) {
      addRow(point).value.focus();
    },
  };
}

function outcomeWords(outcome) {
  if (outcome.met) return `Met: reads ${outcome.reads}.`;
  const off =
    outcome.off_stops === null
      ? ""
      : `${Math.abs(outcome.off_stops).toFixed(1)} stops ${outcome.off_stops < 0 ? "under" : "over"} it: `;
  return `Not met, ${off}${outcome.reasons.join("; ")}.`;
}
