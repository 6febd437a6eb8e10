/** Build the page: one store, one link, and the parts that each mount into their place. */
import { connect } from "./link.js";
import { createRoomStore } from "./state.js";

const PARTS = [
  ["table", "./table/table.js"],
  ["set", "./set/set.js"],
  ["picture", "./picture/picture.js"],
  ["slip", "./inspector/inspector.js"],
  ["readings", "./readings/readings.js"],
  ["desk", "./dialogs/files.js"],
  ["overlays", "./inspector/library.js"],
  ["overlays", "./keys.js"],
  ["overlays", "./dialogs/tour.js"],
  ["overlays", "./home/lost.js"],
];

const store = createRoomStore();
const room = { store, link: null };
room.link = connect(store);

// One part that fails leaves the others at work.
await Promise.all(
  PARTS.map(async ([id, file]) => {
    try {
      const part = await import(file);
      part.mount(document.getElementById(id), room);
    } catch (error) {
      console.warn(`${file} did not start: ${error}`);
      store.say(
        "A part of this page did not start. Reload the page; if it stays so, tell who looks after halfstop.",
        "refused",
      );
    }
  }),
);

const line = document.getElementById("notice");
let fade = 0;
store.subscribe(
  ({ notice }) => {
    line.textContent = notice?.text ?? "";
    line.dataset.level = notice?.level ?? "";
    clearTimeout(fade);
    if (notice?.level === "said") fade = setTimeout(() => store.say(""), 6000);
  },
  ["notice"],
);

// A gesture is held until the server has answered it.
store.subscribe(({ held }) => document.body.classList.toggle("holding", Object.keys(held).length > 0), ["held"]);

// What is worked on is traced first.
let looked = null;
store.subscribe(
  ({ selection, link }) => {
    const light = selection?.startsWith("light:") ? selection.slice(6) : null;
    if (link !== "open" || light === looked) return;
    looked = light;
    room.link.ask("look", { light }, { quiet: true });
  },
  ["selection", "link"],
);

store.subscribe(
  ({ view, link }) => {
    document.body.dataset.link = link;
    document.body.classList.toggle("waiting", !view);
    if (view) document.title = `${view.saved ? "" : "• "}${view.title} · halfstop`;
  },
  ["view", "link"],
);
document.body.dataset.ready = "";
store.update({ ready: true });
