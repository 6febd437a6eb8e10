/** The slips of all that is no light: nothing selected, sitter, camera, backdrop, panels, meter points. */
import { el } from "../../../web/elements.js";
import { choiceField, fieldsFromChoices, group, textField, textOf } from "./inspector_fields.js";
import { aimField, headLine, placeFields, wordButton } from "./inspector_places.js";
import { degreesText, metresText } from "../measures.js";

/** How far the sitter has stepped off the mark. */
function stepWords([x, , z]) {
  const parts = [
    [x, "to camera right", "to camera left"],
    [z, "toward the camera", "away from the camera"],
  ]
    .filter(([m]) => Math.abs(m) >= 0.005)
    .map(([m, over, under]) => `${metresText(Math.abs(m))} ${m > 0 ? over : under}`);
  return parts.length ? `${parts.join(", ")}, from the mark` : "on the mark";
}

const CAMERA = [
  { key: "aperture", label: "Aperture", example: "f/8" },
  { key: "shutter", label: "Shutter", example: "1/160 s", unit: "s" },
  { key: "iso", label: "ISO", example: 100 },
  { key: "white_balance", label: "White balance", unit: "K", example: "5600 K" },
  { key: "focal_length", label: "Focal length", unit: "mm", example: "85 mm" },
  { key: "orientation", label: "Orientation", choices: ["portrait", "landscape"] },
  { key: "focus", label: "Focus", example: "near eye" },
  { key: "sync", label: "Flash sync", unit: "s", example: "1/200 s" },
];
const SITTER = [
  { key: "stature", label: "Stature", unit: "m", example: "1.70 m" },
  { key: "head.nod", label: "Nod", unit: "°", example: "5°" },
  { key: "head.tilt", label: "Tilt", unit: "°", example: "3°" },
];
const BACKDROP = [
  { key: "size.width", label: "Width", unit: "m", example: "3 m" },
  { key: "size.height", label: "Height", unit: "m", example: "3 m" },
  { key: "reflectance", label: "Reflectance", example: 0.12 },
  { key: "contrast", label: "Mottling", example: 0.45 },
  { key: "color", label: "Colour", example: "#6b6560" },
];
const PANEL = [
  { key: "size.width", label: "Width", unit: "cm", example: "60 cm" },
  { key: "size.height", label: "Height", unit: "cm", example: "90 cm" },
];

/**
 * Fields a block really has: those described, and of the described only what the file can hold.
 * @param {Room} room
 */
function blockFields(room, path, described, block, parts) {
  const fields = fieldsFromChoices(room.link, path, described, block);
  parts.push(...fields);
  return el(
    "div",
    { class: "pair" },
    fields.map((each) => each.node),
  );
}

const simple = (parts, nodes, first) => {
  const head = headLine(first);
  return {
    nodes: [head.node, ...nodes],
    refresh(item, view) {
      head.refresh(item);
      for (const part of parts) part.refresh(item, view);
    },
  };
};

export const nothing = {
  build(_, room) {
    const title = el("h3", { class: "ticket-head" }),
      list = el("ul", { class: "rig" }),
      note = el("p", { class: "note" });
    return {
      nodes: [title, list, note],
      refresh() {
        const { view } = room.store.get();
        title.textContent = "The rig";
        list.replaceChildren(
          ...view.lights.map((light, index) => {
            const badge = el("span", { class: "badge", "aria-hidden": "true" }, String(light.number ?? index + 1));
            badge.style.setProperty("--light", light.colour);
            return el(
              "li",
              {},
              badge,
              el(
                "span",
                {},
                el("strong", {}, light.name),
                el("br"),
                el(
                  "span",
                  { class: "note" },
                  [light.words?.modifier, light.muted ? "off" : (light.words?.power ?? light.power_text)]
                    .filter(Boolean)
                    .join(", "),
                ),
              ),
            );
          }),
        );
        note.textContent =
          "Select something on the sheet to measure, move or change it. Arrow keys move what is selected.";
      },
    };
  },
};

export const sitter = {
  signature: (_, view) => JSON.stringify([Boolean(view.choices?.sitter)]),
  build(first, room) {
    const { link, store } = room,
      parts = [];
    const turn = (what, label, value) =>
      textField({
        label,
        unit: "°",
        hint: "positive toward camera right",
        value: (item) => degreesText(value(item)),
        send: (text) => {
          const deg = Number.parseFloat(text);
          return Number.isFinite(deg)
            ? link.edit([{ op: "turn", what: [what], deg }], null, { quiet: true })
            : Promise.resolve({ type: "refused", text: "Write an angle such as -35°." });
        },
      });
    const body = turn("sitter", "Body turned", (item) => item.turn_deg),
      head = turn("head", "Head on body", (item) => item.head_turn_deg);
    parts.push(body, head);
    const step = el("p", { class: "note" });
    const described = store.get().view.choices?.sitter ?? SITTER;
    const rest = described.filter((each) => !["turn", "head.turn", "step"].includes(each.key));
    const fields = blockFields(room, ["sitter"], rest, (item) => item.data.block ?? item.data.texts, parts);
    parts.push({
      refresh: (item) => {
        step.textContent = stepWords(item.position_m);
      },
    });
    return simple(
      parts,
      [group("Pose", el("div", { class: "pair" }, body.node, head.node), step), group("Person", fields)],
      first,
    );
  },
};

export const camera = {
  signature: (_, view) => JSON.stringify([Boolean(view.choices?.camera)]),
  build(first, room) {
    const { store } = room,
      parts = [];
    const described = store.get().view.choices?.camera ?? CAMERA;
    const exposure = ["aperture", "shutter", "iso", "white_balance"];
    const block = (item) => item.data.block ?? { ...store.get().view.exposure, ...item.data.texts };
    const place = placeFields(room, ["camera", "place"]),
      aim = aimField(room, first);
    parts.push(place, aim);
    const lens = ["focal_length", "orientation", "focus"];
    const pick = (keys) => keys.map((key) => described.find((each) => each.key === key)).filter(Boolean);
    const seldom = described.filter((each) => ![...exposure, ...lens, "place", "aim"].includes(each.key));
    return simple(
      parts,
      [
        group("Exposure", blockFields(room, ["camera"], pick(exposure), block, parts)),
        group("Place", place.node, el("div", { class: "pair" }, aim.node), place.note),
        group("Lens", blockFields(room, ["camera"], pick(lens), block, parts)),
        el(
          "details",
          { class: "fields" },
          el("summary", {}, "Sensor and sync"),
          blockFields(room, ["camera"], seldom, block, parts),
        ),
      ],
      first,
    );
  },
};

export const backdrop = {
  signature: (item, view) => JSON.stringify([item.data.kind, Boolean(view.choices?.backdrop)]),
  build(first, room) {
    const { link, store } = room,
      parts = [];
    const away = textField({
      label: "Behind the mark",
      unit: "m",
      value: (item) => metresText(-item.position_m[2]),
      send: (text) => link.edit([{ op: "set", path: ["backdrop", "distance"], value: text }], null, { quiet: true }),
    });
    parts.push(away);
    const kinds = store.get().view.choices?.backdrop_kinds ?? [];
    const described = kinds.find((each) => each.kind === first.data.kind)?.fields ?? BACKDROP;
    const block = (item) =>
      item.data.block ?? {
        ...item.data.texts,
        size: { width: metresText(item.data.width_m), height: metresText(item.data.height_m) },
      };
    const fields = blockFields(
      room,
      ["backdrop"],
      described.filter((each) => !["distance", "kind"].includes(each.key)),
      block,
      parts,
    );
    return simple(
      parts,
      [
        el("p", { class: "note" }, first.data.text ?? first.data.kind),
        group("Place", el("div", { class: "pair" }, away.node)),
        group("Cloth", fields),
      ],
      first,
    );
  },
};

export const panel = {
  signature: (item) => JSON.stringify([item.data.kind]),
  build(first, room) {
    const { link } = room,
      parts = [],
      path = ["panels", first.name];
    const place = placeFields(room, [...path, "place"]),
      aim = aimField(room, first);
    parts.push(place, aim);
    const kinds = room.store.get().view.choices?.panel_kinds ?? [];
    const described = kinds
      .find((each) => each.kind === first.data.kind)
      ?.fields.filter((each) => !/^(place|aim|at)\b/.test(each.key));
    const fields = blockFields(room, path, described ?? PANEL, (item) => item.data.block, parts);
    /** @type {HTMLElement[]} */
    const nodes = [
      el("p", { class: "note" }, `${first.data.kind}${first.data.surface ? `, ${first.data.surface}` : ""}`),
    ];
    if (!described && ["reflector", "v-flat"].includes(first.data.kind)) {
      const surface = choiceField({
        label: "Surface",
        options: () =>
          (first.data.kind === "v-flat" ? ["black", "white"] : ["white", "silver", "gold"]).map((each) => [each, each]),
        value: (item) => textOf(item.data.block?.surface ?? item.data.surface),
        send: (value) => link.edit([{ op: "set", path: [...path, "surface"], value }], null, { quiet: true }),
      });
      parts.push(surface);
      fields.append(surface.node);
    }
    nodes.push(group("Place", place.node, el("div", { class: "pair" }, aim.node), place.note), group("Size", fields));
    return simple(parts, nodes, first);
  },
};

export const ground = {
  build(first, room) {
    const parts = [],
      { store } = room;
    const fields = blockFields(room, ["room"], store.get().view.choices?.room ?? [], (item) => item.data.block, parts);
    return simple(
      parts,
      [
        el("p", { class: "note" }, "Pale walls close by lift every shadow. Numbers without a unit are reflectances."),
        group("Room", fields),
      ],
      first,
    );
  },
};

/** What a meter looks at, as one of the words offered: a bearing, a point and a direction are blocks of their own. */
function facedBy(item) {
  const { facing } = item.data.block;
  if (typeof facing === "string") return facing;
  return Array.isArray(facing) ? "a direction" : "bearing" in facing ? "a bearing" : "a point";
}

export const meter = {
  signature: (item) => JSON.stringify([facedBy(item) === "a bearing"]),
  build(first, room) {
    const { link, store } = room,
      path = ["meters", first.name, "facing"];
    const set = (keys, value) => link.edit([{ op: "set", path: keys, value }], null, { quiet: true });
    const offered = () => {
      const { view } = store.get();
      const placed = view.lights.filter((light) => light.position_m);
      const names = [...placed, ...view.panels].map((each) => each.name);
      return [...(view.choices?.facing_words ?? ["camera"]), ...names, "a bearing"];
    };
    const parts = [
      choiceField({
        label: "Facing",
        options: () => offered().map((each) => [each, each]),
        value: facedBy,
        send: (name) => set(path, name === "a bearing" ? { bearing: "0°" } : name),
      }),
    ];
    if (facedBy(first) === "a bearing")
      for (const [key, label, hint] of [
        ["bearing", "Bearing", "0° toward the camera side, positive toward camera right"],
        ["tilt", "Tilt", "above the level, negative below"],
      ])
        parts.push(
          textField({
            label,
            unit: "°",
            hint,
            value: (item) => textOf(item.data.block.facing[key]),
            send: (text) => set([...path, key], text),
          }),
        );
    const remove = wordButton(
      "Take this pin out",
      async () => {
        if ((await link.edit([{ op: "unpin", name: first.name }])).type !== "refused") store.select(null);
      },
      "danger",
    );
    const fields = el("div", { class: "pair" }, ...parts.map((part) => part.node));
    return simple(
      parts,
      [el("p", { class: "note" }, `${first.data.kind} meter, ${metresText(first.position_m[1])} high`), fields, remove],
      first,
    );
  },
};
