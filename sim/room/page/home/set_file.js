/** The open set as a file: its title, which is typed over in its place; a copy under another name; leaving it. */
import { el } from "../../../web/elements.js";
import { promptFor } from "../dialogs/dialogs.js";
import { refusalText } from "../link.js";

const TAKEN = /there is a file of this name/;

/**
 * The set's title: a heading that can be typed over.
 * @param {Room} room
 */
export function mountTitle({ store, link }) {
  const input = el("input", {
    type: "text",
    class: "title",
    maxlength: 200,
    "aria-label": "Title of the set",
    title: "The set's title: type over it",
    autocomplete: "off",
    spellcheck: "false",
  });
  const heading = el("h1", {}, input);
  let shown = "";

  const fit = () => input.style.setProperty("--letters", String(Math.max(input.value.length, 8)));
  function show(title) {
    if (title === shown && document.activeElement === input) return;
    shown = title;
    input.value = title;
    fit();
  }

  async function take() {
    const value = input.value.trim();
    if (value === shown) return;
    const answer = value
      ? await link.edit([{ op: "set", path: ["title"], value }], null, { quiet: true })
      : { type: "refused", text: "Write a title for the set." };
    if (answer.type !== "refused") return;
    store.say(refusalText(answer.text), "refused");
    input.value = shown;
    fit();
  }

  input.addEventListener("input", fit);
  input.addEventListener("change", take);
  input.addEventListener("keydown", (event) => {
    if (event.key === "Escape") input.value = shown;
    if (event.key === "Enter" || event.key === "Escape") input.blur();
  });
  return { heading, show };
}

/**
 * Save a copy under another name and go on with it; a file that is there already is written over only on a yes.
 * @param {Room} room
 */
export async function saveCopy({ store, link }, label = "Name of the new file, beside the present one") {
  const { view } = store.get();
  let taken = "";
  const refuse = async (path) => {
    if (!path) return "Write a name for the file, such as my-portrait.yaml.";
    const answer = await link.ask("save_as", { path }, { quiet: true });
    if (answer.type !== "refused") return null;
    if (!TAKEN.test(answer.text)) return refusalText(answer.text);
    taken = path;
    return null;
  };
  const own = (view?.file ?? "scene.yaml").split("/").pop();
  await promptFor("Save a copy", label, `my-${own}`, { does: "Save", refuse });
  if (!taken) return;
  const sure = await promptFor(
    "Write over the file?",
    `There is a file ${taken} already. What is in it would be lost.`,
    null,
    { does: "Write over it", danger: true, other: "Choose another name" },
  );
  if (sure === false) await saveCopy({ store, link }, label);
  if (sure !== true) return;
  await link.ask("save_as", { path: taken, force: true });
}

/**
 * Go to the start page; what is not saved is offered to be saved first.
 * @param {Room} room
 */
export async function leaveForSets({ store, link, files }) {
  const { view } = store.get();
  if (view && !view.saved && !view.example) {
    const answer = await promptFor("There are changes that are not saved", `Save ${view.title} first?`, null, {
      does: "Save and go on",
      other: "Go on without",
    });
    if (answer === null) return;
    if (answer === true) {
      await files.save();
      if (!store.get().view.saved) return;
    }
  }
  location.assign(new URL("home", document.baseURI));
}
