/** Begin a set from a start: its title, the name of its file, its folder. */
import { ask } from "./asking.js";
import { dialog } from "../dialogs/dialogs.js";
import { el } from "../../../web/elements.js";

/** A file's name from a title: small letters, digits and hyphens. */
export function fileFromTitle(title) {
  const stem = title
    .normalize("NFD")
    .replace(/\p{M}/gu, "")
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, "-")
    .replace(/^-+|-+$/g, "")
    .slice(0, 60);
  return stem ? `${stem}.yaml` : "";
}

/**
 * Ask for title, file and folder, and have the set begun; the paper stays until that has succeeded.
 * @param {StartCardView} start
 * @param {HomeView} home
 * @param {() => void} done
 */
export function beginSet(start, home, done) {
  const error = el("p", { class: "error", id: "begin-error", role: "alert" });
  const field = (id, value) =>
    el("input", { type: "text", id, value, autocomplete: "off", spellcheck: "false", "aria-describedby": error.id });
  const title = field("begin-title", freeTitle(`My ${start.called.toLowerCase()}`, home));
  const file = field("begin-file", fileFromTitle(title.value));
  const folder = el(
    "select",
    { id: "begin-folder" },
    home.folders.map(({ number, path }) => el("option", { value: number, selected: number === home.here }, path)),
  );
  const below = () => (Number(folder.value) === home.here ? home.below : "");
  const button = el("button", { type: "submit", class: "main" }, "Begin");
  const form = el(
    "form",
    { method: "dialog" },
    el("label", { for: title.id }, "Title of the set"),
    title,
    el("label", { for: file.id }, home.below ? `File in ${home.below}` : "File"),
    file,
    home.folders.length > 1 ? [el("label", { for: folder.id }, "Folder"), folder] : null,
    error,
    el("div", { class: "row end" }, button),
  );
  const box = dialog("ask", el("h2", {}, start.called), form);
  document.body.append(box.node);
  box.node.addEventListener("close", () => box.node.remove());

  // The file follows the title until it has a name of its own.
  let followed = true;
  title.addEventListener("input", () => {
    if (followed) file.value = fileFromTitle(title.value);
  });
  file.addEventListener("input", () => {
    followed = false;
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    const { refused } = await ask("home/begin", {
      start: start.name,
      title: title.value.trim(),
      here: Number(folder.value),
      below: below(),
      name: file.value.trim(),
    });
    button.disabled = false;
    if (!refused) return done();
    error.textContent = refused;
    file.setAttribute("aria-invalid", "true");
    file.focus();
    return undefined;
  });
  box.open();
  title.select();
}

/** A title whose file is not among those of the folder. */
function freeTitle(base, { sets }) {
  const names = new Set(sets.map((each) => each.name));
  for (let n = 1; ; n++) {
    const title = n === 1 ? base : `${base} ${n}`;
    if (!names.has(fileFromTitle(title))) return title;
  }
}
