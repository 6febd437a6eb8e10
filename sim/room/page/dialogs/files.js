/** The desk above the papers: title, undo and redo, save, export; and what is asked about files. */
import { el } from "../../../web/elements.js";
import { dialog, promptFor } from "./dialogs.js";
import { leaveForSets, mountTitle, saveCopy } from "../home/set_file.js";
import { refusalText } from "../link.js";

const EXPORTS = [
  ["plan", "Rig plan", "Plan, elevation, light cards and cautions, to print: PDF, HTML and SVG."],
  ["handout", "Handout", "One page to send: the picture with faders for every light."],
  ["finish", "Finished picture", "The picture at full quality with its last steps."],
  ["preview", "Preview sheets", "Contact sheet, light by light, with all readings."],
];
const STEPS = {
  waiting: "waiting",
  trace: "tracing light",
  meters: "reading the meters",
  denoise: "cleaning the picture",
  files: "writing files",
};

/** @param {Room} room */
export function mount(element, room) {
  const { store, link } = room;
  const title = mountTitle(room);
  const file = el("span", { class: "file" });
  const sets = tool("Sets", () => leaveForSets(room));
  const undo = tool("Undo", () => link.ask("undo"), "Control+Z");
  const redo = tool("Redo", () => link.ask("redo"), "Control+Shift+Z");
  const save = tool("Save", () => files.save(), "Control+S");
  const output = tool("Export", () => sheet.open());
  const help = tool("Help", () => room.keys?.open(), "?");
  output.setAttribute("aria-haspopup", "dialog");
  help.setAttribute("aria-haspopup", "dialog");
  const trouble = el("p", { class: "trouble", role: "alert" });
  element.append(
    el("div", { class: "tape" }, title.heading, file),
    trouble,
    el("nav", { class: "tools", "aria-label": "Scene" }, sets, undo, redo, save, output, help),
  );

  // -- saving --------------------------------------------------------------------------------------------------------
  const files = {
    async save(force = false) {
      const { view } = store.get();
      if (view?.example)
        return files.saveAs("This is an example that came with halfstop: it is kept as it is. Save your own copy.");
      const answer = await link.ask("save", { force }, { quiet: true });
      if (answer.type === "refused") {
        if (store.get().disk?.what && store.get().disk.what !== "same") return;
        store.say(refusalText(answer.text), "refused");
      }
    },
    saveAs: (label) => saveCopy(room, label),
  };
  room.files = files;

  store.subscribe(
    ({ view, link: state }) => {
      if (!view) return;
      title.show(view.title);
      trouble.textContent = view.trouble ?? "";
      file.textContent = `${(view.file ?? "").split("/").pop()}${view.saved ? "" : ", not saved yet"}`;
      file.classList.toggle("unsaved", !view.saved);
      undo.disabled = !view.can_undo || state !== "open";
      redo.disabled = !view.can_redo || state !== "open";
      undo.title = view.undo_text ? `Undo: ${view.undo_text} (Ctrl+Z)` : "Undo (Ctrl+Z)";
      redo.title = view.redo_text ? `Redo: ${view.redo_text} (Ctrl+Shift+Z)` : "Redo (Ctrl+Shift+Z)";
      save.disabled = state !== "open" || (view.saved && !view.example);
      document.body.classList.toggle("apart", state !== "open");
    },
    ["view", "link"],
  );
  store.subscribe(
    ({ saved }) => {
      if (saved) store.say(`Saved to ${String(saved.path).split("/").pop()}.`);
    },
    ["saved"],
  );

  // -- export --------------------------------------------------------------------------------------------------------
  const rows = EXPORTS.map(([what, name, text]) => {
    const button = el("button", { type: "button", onclick: () => link.ask("export", { what }) }, "Make");
    const told = el("div", { class: "made", "aria-live": "polite" });
    return {
      what,
      busy: false,
      button,
      told,
      node: el("li", {}, el("div", {}, el("strong", {}, name), el("p", { class: "note" }, text), told), button),
    };
  });
  const sheet = dialog(
    "exports",
    el("h2", {}, "Export"),
    el("p", { class: "note" }, "Made from the scene as it is on the table now. Long ones go on while you work."),
    el(
      "ul",
      { class: "exports-list" },
      rows.map((row) => row.node),
    ),
    el(
      "div",
      { class: "row end" },
      el(
        "button",
        {
          type: "button",
          onclick: () => {
            sheet.close();
            files.saveAs();
          },
        },
        "Save a copy of the scene",
      ),
    ),
  );
  document.getElementById("overlays").append(sheet.node);

  store.subscribe(
    ({ export: message }) => {
      const row = message && rows.find((each) => each.what === message.what);
      if (!row) return;
      const busy = !message.done && !message.error;
      const ended = row.busy && message.done;
      row.busy = busy;
      // One is made at a time.
      for (const each of rows) each.button.disabled = busy;
      const parts = [];
      if (message.error) parts.push(el("p", { class: "error" }, message.error));
      if (busy) {
        parts.push(
          el("progress", { max: 1, value: message.part ?? 0, "aria-label": `Export of the ${row.what}` }),
          el("span", { class: "note" }, STEPS[message.step] ?? ""),
          el(
            "button",
            { class: "small quiet", type: "button", onclick: () => link.ask("cancel_export", { export: message.id }) },
            "Stop",
          ),
        );
      }
      if (message.done && message.files?.length) {
        parts.push(
          el(
            "ul",
            {},
            message.files.map((each) =>
              el("li", {}, el("a", { href: each.url, target: "_blank", rel: "noopener" }, each.name)),
            ),
          ),
        );
        if (message.folder) parts.push(el("p", { class: "note" }, `In the folder ${message.folder}`));
      }
      row.told.replaceChildren(...parts);
      // What was made before this page was opened is no news.
      if (ended && !sheet.node.open)
        store.say(
          message.error ? message.error : `The ${row.what} is made: see Export.`,
          message.error ? "refused" : "said",
        );
    },
    ["export"],
  );

  // -- the file on disk, and what an earlier session left ------------------------------------------------------------
  let asking = "";
  store.subscribe(
    ({ disk }) => {
      if (!disk || disk.what === "same" || disk.what === asking) return;
      asking = disk.what;
      askDisk(disk).finally(() => {
        asking = "";
      });
    },
    ["disk"],
  );

  async function askDisk(disk) {
    if (disk.what === "changed") {
      const answer = await promptFor(
        "The file has changed on disk",
        disk.text || "Someone or something else has written it since it was opened.",
        null,
        { does: "Read it from disk", other: "Keep what is on the table" },
      );
      if (answer === true) await link.ask("reload");
      else store.say("Kept. Saving will write over the file on disk: you will be asked.");
      if (answer === false) room.overwrite = true;
    } else if (disk.what === "gone") {
      const answer = await promptFor(
        "The file is gone from disk",
        disk.text || "What is on the table is all there is.",
        null,
        { does: "Write it again", other: "Leave it" },
      );
      if (answer === true) await files.save(true);
    } else {
      await promptFor("The file on disk cannot be read", disk.text, null, { does: "Go on" });
    }
  }

  // A save over a file that has changed is asked about once more.
  const plainSave = files.save;
  files.save = async (force = false) => {
    const { disk } = store.get();
    if (!force && disk && disk.what !== "same") {
      const sure = await promptFor(
        "Write over the file on disk?",
        disk.text || "It has changed since it was opened.",
        null,
        { does: "Write over it", danger: true, other: "Save a copy instead" },
      );
      if (sure === false) return files.saveAs();
      if (!sure) return undefined;
      return plainSave(true);
    }
    return plainSave(force);
  };

  let offered = false;
  store.subscribe(
    async ({ recovered }) => {
      if (!recovered || offered) return;
      offered = true;
      const answer = await promptFor("Changes of an earlier session were found", recovered.text, null, {
        does: "Bring them back",
        other: "Throw them away",
      });
      if (answer === true) await link.ask("take_recovery");
      else if (answer === false) await link.ask("discard_recovery");
      offered = false;
    },
    ["recovered"],
  );
}

function tool(name, call, shortcut = null) {
  return el(
    "button",
    {
      type: "button",
      class: "tool",
      onclick: call,
      "aria-keyshortcuts": shortcut,
      title: shortcut ? `${name} (${shortcut.replace("Control", "Ctrl")})` : null,
    },
    name,
  );
}
