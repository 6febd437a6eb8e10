/** The library: lights to add, by the picture each makes on a grey sphere; copy, rename, remove. */
import { el } from "../../../web/elements.js";
import { dialog, promptFor } from "../dialogs/dialogs.js";
import { refusalText } from "../link.js";

const CAUTIONS =
  "In a real room: mind what one mains circuit carries, keep cloth and hands off hot lamps, weight stands down and " +
  "tape cables, fire no flash close to anyone's eyes, and ask about photosensitivity first.";
const DEFER = "Follow local electrical codes, the maker's instructions and licensed practice.";

/** @param {Room} room */
export function mount(element, room) {
  const { store, link } = room;
  let target = null;
  const grid = el("div", { class: "balls" });
  const heading = el("h2", {}, "Add a light");
  const intro = el("p", { class: "note" });
  const box = dialog("library", heading, el("div", { class: "library-head" }, intro), grid);
  const safety = el("p", { class: "cautions" });
  box.node.append(safety);
  element.append(box.node);

  const names = () => (store.get().view?.lights ?? []).map((light) => light.name);

  function freeName(base, first = 1) {
    const stem = base.replace(/ \d+$/, "").slice(0, 24);
    for (let n = first; ; n++) {
      const name = n === 1 ? stem : `${stem} ${n}`;
      if (!names().includes(name)) return name;
    }
  }

  function entries() {
    const { library, view } = store.get();
    if (library?.modifiers?.length) return library.modifiers;
    return (view?.choices?.modifier_kinds ?? []).map((each) => ({
      id: each.kind,
      title: each.title ?? each.kind,
      text: "",
      block: { kind: each.kind },
      ready: false,
      group: "",
      url: "",
    }));
  }

  const blockOfKind = (kind) => entries().find((each) => each.block?.kind === kind)?.block ?? null;

  /** Open to add a light, or to change what the light called `name` is fitted with. */
  function open(name = null) {
    target = name;
    heading.textContent = name ? `What is ${name} to be fitted with?` : "Add a light";
    intro.textContent = name
      ? "Each picture is what the modifier makes of a grey sphere, from the same place at the same exposure."
      : "Each picture is what the light makes of a grey sphere. The new light stands at camera right, two metres away.";
    safety.textContent = `${CAUTIONS} ${store.get().view?.safety || DEFER}`;
    link.ask("library", {}, { quiet: true });
    draw();
    box.open();
  }

  async function choose(entry) {
    if (target) {
      const answer = await link.edit([{ op: "set", path: ["lights", target, "modifier"], value: entry.block }]);
      if (answer.type !== "refused") box.close();
      return;
    }
    const name = freeName(entry.block.kind === "bare" ? "bare bulb" : entry.block.kind.replace(/[^a-z0-9 _-]/g, ""));
    const block = {
      source: entry.source ?? { kind: "flash", energy: "400 W·s" },
      power: "1/4",
      modifier: entry.block,
      place: freePlace(),
      aim: "face",
    };
    const answer = await link.edit([{ op: "add_light", name, block }]);
    if (answer.type === "refused") return;
    box.close();
    store.select(`light:${name}`);
    store.say(`${name} added: it is selected, drag it where it belongs.`);
  }

  /** Camera right, at a bearing that no light has yet. */
  function freePlace() {
    const taken = (store.get().view?.lights ?? []).filter((light) => light.bearing_deg !== undefined);
    const bearing =
      [45, 60, 75, 30, 90, -45, -60, 105].find(
        (deg) => !taken.some((light) => Math.abs(light.bearing_deg - deg) < 10 && Math.abs(light.distance_m - 2) < 0.6),
      ) ?? 45;
    return { bearing: `${bearing}°`, distance: "2 m", height: "2 m" };
  }

  function draw() {
    const groups = Map.groupBy ? Map.groupBy(entries(), (each) => each.group ?? "") : new Map([["", entries()]]);
    grid.replaceChildren(
      ...[...groups].map(([title, list]) =>
        el("div", { class: "ball-group" }, title ? el("h3", {}, title) : null, el("ul", {}, list.map(card))),
      ),
    );
  }

  function card(entry) {
    const picture = el("div", { class: "ball" });
    if (entry.ready)
      picture.append(
        el("img", {
          src: entry.url,
          alt: `A grey sphere lit by a ${entry.title.toLowerCase()}`,
          width: 96,
          height: 96,
        }),
      );
    else picture.append(el("span", { class: "note" }, "picture being made"));
    return el(
      "li",
      {},
      el(
        "button",
        { type: "button", class: "card", onclick: () => choose(entry), title: entry.text ?? "" },
        picture,
        el("strong", {}, entry.title),
        el("span", { class: "note" }, entry.text ?? ""),
      ),
    );
  }

  async function rename(name) {
    await promptFor(`Rename ${name}`, "New name: small letters, digits, spaces and hyphens", name, {
      does: "Rename",
      async refuse(typed) {
        const to = typed.toLowerCase().replace(/\s+/g, " ");
        if (!to) return "Write a name, such as side light.";
        if (to === name) return null;
        const answer = await link.edit([{ op: "rename_light", name, to }], null, { quiet: true });
        if (answer.type === "refused") return refusalText(answer.text);
        store.select(`light:${to}`);
        return null;
      },
    });
  }

  async function copy(name) {
    const as = freeName(name, 2);
    const answer = await link.edit([{ op: "copy_light", name, as }]);
    if (answer.type !== "refused") store.select(`light:${as}`);
  }

  async function remove(name) {
    const answer = await link.edit([{ op: "remove_light", name }]);
    if (answer.type !== "refused") store.say(`${name} removed. Undo brings it back.`);
  }

  room.library = { open, rename, copy, remove, blockOfKind };
  store.subscribe(
    ({ thumbnail }) => {
      const { library } = store.get();
      if (thumbnail && library) {
        const modifiers = library.modifiers.map((each) =>
          each.id === thumbnail.modifier ? { ...each, ready: true, url: thumbnail.url ?? each.url } : each,
        );
        store.update({ library: { ...library, modifiers } });
      }
    },
    ["thumbnail"],
  );
  store.subscribe(() => {
    if (box.node.open) draw();
  }, ["library"]);
}
