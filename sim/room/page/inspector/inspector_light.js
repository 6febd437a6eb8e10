/** The slip of a light: power, place, what is fitted, the lamp. */
import { el } from "../../../web/elements.js";
import { choiceField, fieldsFromChoices, group, textField, textOf } from "./inspector_fields.js";
import { aimField, headLine, placeFields, wordButton } from "./inspector_places.js";
import { dialStopsText, stopsFromDialText } from "../measures.js";

const GELS = [
  ["warm 60", { mired: 60 }, "warmer, 60 mired"],
  ["warm 130", { mired: 130 }, "much warmer, 130 mired"],
  ["cool 60", { mired: -60 }, "cooler, −60 mired"],
  ["cool 130", { mired: -130 }, "much cooler, −130 mired"],
  ["nd 1", { nd: "1 stop" }, "grey, 1 stop less"],
  ["nd 2", { nd: "2 stops" }, "grey, 2 stops less"],
];

export const signature = (item, view) =>
  JSON.stringify([
    item.data.modifier?.kind,
    item.data.source?.kind,
    item.data.movable,
    item.data.dial === null,
    item.data.block?.gels,
    Object.keys(item.data.source ?? {}),
    item.data.block?.place?.at === undefined,
    Boolean(view.choices),
  ]);

/**
 * @param {Item} first
 * @param {Room} room
 */
export function build(first, room) {
  const { store, link } = room;
  const { name } = first,
    path = ["lights", name];
  /** @type {(keys: string[], value: any, options?: { quiet?: boolean }) => Promise<Answer>} */
  const set = (keys, value, options = { quiet: true }) =>
    link.edit([{ op: "set", path: [...path, ...keys], value }], null, options);
  const unset = (keys) => link.edit([{ op: "unset", path: [...path, ...keys] }], null, { quiet: true });
  const { choices } = store.get().view;
  const parts = [];
  const head = headLine(first);
  const kindWords = el("p", { class: "note" });
  const mute = el(
    "button",
    { class: "small", type: "button", "data-key": "mute", onclick: () => set(["mute"], !store.isMuted(name), {}) },
    "Off",
  );
  const solo = el(
    "button",
    { class: "small", type: "button", "data-key": "solo", onclick: () => store.toggleSolo(name) },
    "Only",
  );
  const more = el(
    "div",
    { class: "row last" },
    wordButton("Copy", () => room.library?.copy(name)),
    wordButton("Rename", () => room.library?.rename(name)),
    wordButton("Remove", () => room.library?.remove(name), "danger"),
  );
  head.node.append(el("span", { class: "switches" }, first.data.block ? mute : null, solo));
  /** @type {HTMLElement[]} */
  const nodes = [head.node, kindWords];

  if (first.data.dial !== null && first.data.power_stops !== undefined && first.data.block) {
    const dial = dialFields(first, room, set);
    parts.push(dial);
    nodes.push(dial.node);
  }
  if (!first.fixed) {
    const place = placeFields(room, [...path, "place"]);
    const aim = aimField(room, first);
    parts.push(place, aim);
    const stand = choiceField({
      label: "Stand",
      options: () => choices.stands.map((each) => [each, each]),
      value: (item) => item.data.block?.stand ?? item.data.stand ?? "floor",
      send: (value) => set(["stand"], value),
    });
    parts.push(stand);
    nodes.push(group("Place", place.node, el("div", { class: "pair" }, aim.node, stand.node), place.note));
  } else if (first.data.hint) nodes.push(el("p", { class: "note" }, first.data.hint));
  if (first.data.block) {
    nodes.push(
      ...modifierNodes(first, room, choices, set, unset, parts),
      ...lampNodes(first, room, choices, set, parts),
      more,
    );
  }
  return {
    nodes,
    refresh(item, view) {
      head.refresh(item);
      kindWords.textContent = item.data.words?.modifier ?? "";
      mute.setAttribute("aria-pressed", String(store.isMuted(name)));
      solo.setAttribute("aria-pressed", String(store.get().solo.includes(name)));
      for (const part of parts) part.refresh(item, view);
    },
  };
}

/**
 * Power as a fader, in stops and as a fraction.
 * @param {Item} first
 * @param {Room} room
 */
function dialFields(first, room, set) {
  const { store, link } = room,
    { name } = first;
  const lowest = first.data.dial?.lowest_stops ?? -7,
    step = first.data.dial?.step_stops ?? 0.1;
  const slider = el("input", {
    type: "range",
    min: lowest,
    max: 0,
    step,
    "aria-label": `Power of ${name} in stops from full`,
    "data-key": "dial",
  });
  const note = el("p", { class: "note", "aria-live": "off" });
  let gesture = null,
    rest = 0;
  /** @type {(stops: number) => [Edit[], Patch]} */
  const edits = (stops) => [[{ op: "dials", stops: { [name]: stops } }], { power_stops: { [name]: stops } }];
  const end = () => {
    clearTimeout(rest);
    gesture?.end();
    gesture = null;
  };
  slider.addEventListener("input", () => {
    gesture ??= link.gesture(`power ${name}`);
    gesture.push(...edits(Math.round(Number(slider.value) * 100) / 100));
    // Keys send no end: a short rest closes the gesture.
    clearTimeout(rest);
    rest = setTimeout(end, 900);
  });
  slider.addEventListener("change", () => {
    clearTimeout(rest);
    rest = setTimeout(end, 400);
  });
  slider.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && gesture) {
      event.stopPropagation();
      gesture.cancel();
      gesture = null;
    }
  });
  const text = textField({
    label: "Power",
    key: "power",
    hint: "such as 1/4 or -2 stops",
    value: () => dialStopsText(store.powerStops(name)),
    send: (typed) => {
      const top = / of (\d+)$/.exec(String(store.light(name)?.block?.power ?? ""))?.[1];
      if (top && /^\d*\.?\d+$/.test(typed)) return set(["power"], `${typed} of ${top}`);
      const number = /^[-+]?\d*\.?\d+$/.test(typed) ? Number(typed) : typed === "full" ? 0 : stopsFromDialText(typed);
      return number === null ? set(["power"], typed) : link.edit(edits(number)[0], null, { quiet: true });
    },
  });
  const node = el(
    "section",
    { class: "fields", "aria-label": "Power" },
    el("div", { class: "dial" }, text.node, slider),
    note,
  );
  return {
    node,
    refresh(item, view) {
      text.refresh(item);
      const stops = store.powerStops(name);
      if (!gesture) slider.value = String(stops);
      slider.setAttribute("aria-valuetext", dialStopsText(stops));
      note.textContent =
        Math.abs(stops - item.data.power_stops) < 0.005
          ? (item.data.words?.power ?? item.data.power_text ?? "")
          : dialStopsText(stops);
    },
  };
}

/**
 * @param {Item} first
 * @param {Room} room
 */
function modifierNodes(first, room, choices, set, unset, parts) {
  const { link } = room,
    path = ["lights", first.name, "modifier"];
  const kinds = choices.modifier_kinds ?? [];
  const kind = choiceField({
    label: "Fitted with",
    wide: true,
    options: () => kinds.map((each) => [each.kind, each.title ?? each.kind]),
    value: (item) => item.data.modifier?.kind,
    send: (value) => set(["modifier"], room.library?.blockOfKind(value) ?? { kind: value }),
  });
  parts.push(kind);
  const nodes = [kind.node];
  const described = kinds.find((each) => each.kind === first.data.modifier?.kind)?.fields ?? [];
  const grids = choices.grids ?? ["5°", "10°", "20°", "30°", "40°"];
  // What a crew picks a modifier by comes first.
  const asked = described
    .filter((each) => each.key !== "grid" && each.key !== "kind")
    .sort(
      (a, b) =>
        Number(a.optional) - Number(b.optional) || Number(a.key === "efficiency") - Number(b.key === "efficiency"),
    );
  const fields = fieldsFromChoices(link, path, asked, (item) => ({
    ...item.data.modifier,
    ...item.data.block?.modifier,
  }));
  parts.push(...fields);
  nodes.push(
    el(
      "div",
      { class: "pair" },
      fields.map((each) => each.node),
    ),
  );
  if (described.some((each) => each.key === "grid")) {
    const grid = choiceField({
      label: "Grid",
      options: () => [["", "none"], ...grids.map((each) => [each, each])],
      value: (item) => textOf(item.data.grid ?? item.data.modifier?.grid),
      send: (value) => (value ? set(["modifier", "grid"], value) : unset(["modifier", "grid"])),
    });
    parts.push(grid);
    nodes.push(el("div", { class: "pair" }, grid.node));
  }
  nodes.push(gelNodes(first, choices, set, unset));
  const look = el(
    "button",
    { class: "small", type: "button", onclick: () => room.library?.open(first.name) },
    "Choose by picture",
  );
  return [group("Modifier", ...nodes, el("div", { class: "row" }, look))];
}

/** @param {Item} first */
function gelNodes(first, choices, set, unset) {
  const gels = first.data.block?.gels ?? [];
  const offered = choices.gels?.length
    ? choices.gels.map((each, index) => [String(index), each.gel ?? each, each.title ?? gelWords(each.gel ?? each)])
    : GELS;
  const keep = (list) => (list.length ? set(["gels"], list, {}) : unset(["gels"]));
  const rows = gels.map((gel, index) =>
    el(
      "li",
      {},
      gelWords(gel),
      el(
        "button",
        {
          class: "quiet small",
          type: "button",
          "aria-label": `Take the gel ${gelWords(gel)} off`,
          onclick: () => keep(gels.filter((_, other) => other !== index)),
        },
        "\u00d7",
      ),
    ),
  );
  const add = el(
    "select",
    { "aria-label": "Add a gel", "data-key": "gel" },
    el("option", { value: "" }, gels.length ? "Add another gel" : "No gel: add one"),
    offered.map(([id, , title]) => el("option", { value: id }, title)),
  );
  add.addEventListener("change", () => {
    const found = offered.find(([id]) => id === add.value);
    if (found) keep([...gels, found[1]]);
    add.value = "";
  });
  return el("div", { class: "gels" }, rows.length ? el("ul", {}, rows) : null, add);
}

export function gelWords(gel) {
  if (gel.mired !== undefined)
    return `${Number(gel.mired) < 0 ? "cooler" : "warmer"}, ${String(gel.mired).replace("-", "\u2212")} mired`;
  if (gel.nd !== undefined) return `grey, ${gel.nd} less`;
  return gel.color !== undefined ? `colour ${gel.color}` : "gel";
}

/**
 * The lamp itself, folded away: it changes seldom.
 * @param {Item} first
 * @param {Room} room
 */
function lampNodes(first, room, choices, set, parts) {
  const source = first.data.source ?? {};
  const kinds = choices.source_kinds ?? [];
  const described =
    kinds.find((each) => each.kind === source.kind)?.fields ??
    Object.keys(source)
      .filter((key) => key !== "kind" && typeof source[key] !== "object")
      .map((key) => ({ key, label: key.replaceAll("_", " "), unit: "" }));
  const fields = fieldsFromChoices(room.link, ["lights", first.name, "source"], described, (item) => ({
    ...item.data.source,
    ...item.data.block?.source,
  }));
  const color = textField({
    label: "Colour",
    key: "color",
    unit: "K",
    hint: "such as 5600 K or #ffddaa",
    value: (item) => textOf(item.data.block?.color) || "5600 K",
    send: (text) => set(["color"], text),
  });
  parts.push(...fields, color);
  return [
    el(
      "details",
      { class: "fields" },
      el("summary", {}, `Lamp: ${first.data.words?.source ?? source.kind}`),
      el(
        "div",
        { class: "pair" },
        fields.map((each) => each.node),
        color.node,
      ),
    ),
  ];
}
