/** The slip on the sheet: what there is, and the measures of the one that is selected. */
import { el } from "../../../web/elements.js";
import { itemsFromState } from "../set/set_items.js";
import * as light from "./inspector_light.js";
import * as others from "./inspector_others.js";

/** @param {Room} room */
export function mount(element, room) {
  const { store } = room;
  const chips = el("div", { class: "chips", role: "group", "aria-label": "What stands on the set" });
  const body = el("div", {
    class: "ticket",
    tabindex: "0",
    role: "group",
    "aria-label": "The rig, or what is selected",
  });
  element.append(chips, body);
  let built = null;
  let shown = "";

  function refresh() {
    const { view, selection } = store.get();
    if (!view) return;
    const items = itemsFromState(view, store.heldOf("place"));
    const walls = { id: "room", kind: "ground", name: "room", data: {}, words: "Walls, floor, ceiling" };
    drawChips(view.room.block ? [...items, /** @type {any} */ (walls)] : items, view, selection);
    const item =
      items.find((each) => each.id === selection) ?? groundItem(view, selection) ?? meterItem(view, selection);
    const maker = !item ? others.nothing : item.kind === "light" ? light : others[item.kind];
    const signature = `${selection}|${maker.signature?.(item, view) ?? ""}`;
    if (signature !== shown) {
      shown = signature;
      const focused = document.activeElement?.getAttribute("data-key");
      built = maker.build(item, room);
      body.replaceChildren(...built.nodes);
      body.scrollTop = 0;
      if (focused) body.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
    }
    built.refresh(item, view);
  }

  /** @param {Item[]} items */
  function drawChips(items, view, selection) {
    const wanted = [...items].sort((a, b) => order(a) - order(b));
    const signature = JSON.stringify(
      wanted.map((item) => [
        item.id,
        item.name,
        item.data.colour,
        item.data.muted,
        item.id === selection,
        store.isHeard(item.name),
      ]),
    );
    if (chips.dataset.signature === signature) return;
    chips.dataset.signature = signature;
    const focused = document.activeElement?.getAttribute("data-chip");
    const add = el(
      "button",
      {
        class: "chip numbered add",
        type: "button",
        "data-chip": "+",
        onclick: () => room.library?.open(),
        "aria-haspopup": "dialog",
        "aria-label": "Add a light",
        title: "Add a light (a)",
      },
      "+",
    );
    chips.replaceChildren(...wanted.map((item) => chip(item, selection)), add);
    if (focused) chips.querySelector(`[data-chip="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  }

  const order = (item) =>
    item.kind === "light"
      ? item.number
      : { sitter: 100, camera: 101, backdrop: 102, panel: 103, ground: 104 }[item.kind];

  /** @param {Item} item */
  function chip(item, selection) {
    const lit = item.kind === "light";
    const button = el(
      "button",
      {
        class: `chip${lit ? " numbered" : ""}${lit && !store.isHeard(item.name) ? " off" : ""}`,
        type: "button",
        "data-chip": item.id,
        "aria-pressed": String(item.id === selection),
        "aria-label": lit ? `Light ${item.number}, ${item.name}${item.data.muted ? ", off" : ""}` : item.name,
        title: item.words,
        onclick: () => store.select(item.id),
      },
      lit ? String(item.number) : item.name,
    );
    if (lit) button.style.setProperty("--light", item.data.colour);
    return button;
  }

  const groundItem = (view, selection) =>
    selection === "room" && view.room.block ? { id: "room", kind: "ground", name: "room", data: view.room } : null;

  function meterItem(view, selection) {
    if (!selection?.startsWith("meter:")) return null;
    const data = (view.meters ?? []).find((meter) => meter.name === selection.slice(6));
    return data ? { id: selection, kind: "meter", name: data.name, data, position_m: data.at_m } : null;
  }

  store.subscribe(store.calm(refresh), ["view", "held", "selection", "solo", "library"]);
}
