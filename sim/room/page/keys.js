/** Shortcuts for the whole page, and the sheet that lists them. */
import { el } from "../../web/elements.js";
import { dialog } from "./dialogs/dialogs.js";

/** @type {[string, string[][]][]} */
const LIST = [
  [
    "On the sheet",
    [
      ["Tab", "go from thing to thing"],
      ["Arrows", "move what is selected: 5 cm, or 5° around the sitter"],
      ["Shift + arrows", "1 cm or 1°"],
      ["Page up, page down", "raise, lower"],
      [", and .", "turn the sitter"],
      ["Alt while dragging", "free hand, no snapping"],
      ["Escape", "take back the drag under way; else select nothing"],
      ["1 to 9", "select a light"],
      ["c, s, b", "select camera, sitter, backdrop"],
    ],
  ],
  [
    "Lights",
    [
      ["x", "switch the selected light off or on"],
      ["o", "see only this light; more can be added"],
      ["a", "add a light"],
      ["Delete", "remove the selected light"],
    ],
  ],
  [
    "Picture",
    [
      ["f", "the whole screen for the picture, lights in a strip"],
      ["h", "hide all notes"],
      ["p", "fold the papers away, or open them all"],
      ["t", "large type, for a projector"],
      ["n", "light by light: the next one; Escape ends it"],
      ["Shift + 1 to 4", "show or hide a kept version"],
      ["Shift + 0", "show the set as it is now"],
    ],
  ],
  [
    "Sheet and scene",
    [
      ["+ and −", "larger, smaller"],
      ["0", "show the whole set"],
      ["Wheel or pinch", "zoom; drag the empty sheet to move it"],
      ["Ctrl + Z", "undo"],
      ["Ctrl + Shift + Z, Ctrl + Y", "redo"],
      ["Ctrl + S", "save"],
      ["?", "this list"],
    ],
  ],
];

/** @param {Room} room */
export function mount(element, room) {
  const { store, link } = room;
  const tour = el(
    "button",
    {
      type: "button",
      onclick: () => {
        sheet.close();
        room.tour?.start();
      },
    },
    "Show the four steps again",
  );
  const sheet = dialog(
    "help",
    el("h2", {}, "Keys and hands"),
    el(
      "div",
      { class: "columns" },
      LIST.map(([title, rows]) =>
        el(
          "section",
          { "aria-label": title },
          el("h3", {}, title),
          el(
            "dl",
            {},
            rows.flatMap(([keys, text]) => [el("dt", {}, keys), el("dd", {}, text)]),
          ),
        ),
      ),
    ),
    el(
      "p",
      { class: "note" },
      "Numbers may carry any unit: 1.7 m, 170 cm, 5 ft 7 in; 1/4 or -2 stops; f/5.6; 1/160 s. A number alone takes " +
        "the field's own unit. On a Mac, Command does what Ctrl does.",
    ),
    el("div", { class: "row end" }, tour),
  );
  element.append(sheet.node);
  room.keys = { open: sheet.open };

  const isTyping = (target) =>
    target.closest?.("input:not([type=range]):not([type=checkbox]), select, textarea, [contenteditable]");

  addEventListener("keydown", (event) => {
    if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
    const command = event.ctrlKey || event.metaKey,
      key = event.key.toLowerCase();
    if (command && key === "s") return take(event, () => room.files?.save());
    if (isTyping(event.target)) return undefined;
    if (command && key === "z") return take(event, () => link.ask(event.shiftKey ? "redo" : "undo"));
    if (command && key === "y") return take(event, () => link.ask("redo"));
    if (command || event.altKey) return undefined;
    return plain(event, key);
  });

  function plain(event, key) {
    const { view, selection } = store.get();
    if (!view) return undefined;
    const light = selection?.startsWith("light:") ? selection.slice(6) : null;
    const choose = (id) =>
      take(event, () => {
        store.select(id);
        room.set?.focus(id);
      });
    if (/^[1-9]$/.test(key)) {
      const found = view.lights.find((each, index) => (each.number ?? index + 1) === Number(key));
      return found && choose(`light:${found.name}`);
    }
    switch (key) {
      case "c":
        return choose("camera");
      case "s":
        return choose("sitter");
      case "b":
        return view.backdrop && choose("backdrop");
      case "x":
        return (
          light &&
          take(event, () => link.edit([{ op: "set", path: ["lights", light, "mute"], value: !store.isMuted(light) }]))
        );
      case "o":
        return light && take(event, () => store.toggleSolo(light));
      case "a":
        return take(event, () => room.library?.open());
      case "delete":
      case "backspace":
        return light && event.target.closest("#set, #slip") && take(event, () => room.library?.remove(light));
      case "+":
      case "=":
        return take(event, () => room.set?.zoomBy(1.25));
      case "-":
        return take(event, () => room.set?.zoomBy(1 / 1.25));
      case "0":
        return take(event, () => room.set?.fit());
      case "?":
        return take(event, sheet.open);
      case "escape":
        if (room.views?.escape()) return event.preventDefault();
        return selection && take(event, () => store.select(null));
      case "f":
        return take(event, () => room.views?.calls.full());
      case "h":
        return take(event, () => room.views?.calls.bare());
      case "p":
        return take(event, () => room.views?.calls.papers());
      case "t":
        return take(event, () => room.views?.calls.large());
      case "n":
        return take(event, () => room.views?.calls.next());
      default:
        return undefined;
    }
  }

  function take(event, call) {
    event.preventDefault();
    call();
  }
}
