/** The start page: sets that were open last, set-ups to start from, and the sets of the named folders. */
import { ask, known } from "./asking.js";
import { beginSet } from "./begin.js";
import { el } from "../../../web/elements.js";
import { setToReturnTo } from "./lost.js";
import { setCard, startCard } from "./cards.js";

const place = document.getElementById("home");
const notice = document.getElementById("notice");
const openSet = document.getElementById("open-set");
const shelf = { here: 0, below: "" };

function say(text, level = "refused") {
  notice.textContent = text;
  notice.dataset.level = level;
}

/** Go to the set that the server has opened now: as a page of its own, so that nothing of another set is left. */
const goToSet = () => location.assign(new URL("./", document.baseURI));

async function open(asked) {
  const { refused } = await ask("home/open", asked);
  if (refused) say(refused);
  else goToSet();
}

async function lookInto(here, below) {
  const { answer, refused } = await ask(`home/all?${new URLSearchParams({ here, below })}`);
  place.removeAttribute("aria-busy");
  if (refused) {
    say(refused);
    return;
  }
  Object.assign(shelf, { here, below });
  known.back = answer.back;
  draw(answer);
  if (!answer.open) await comeBack(answer);
}

/** Go back to the set that was open when the connection was lost. */
async function comeBack({ recent }) {
  const path = setToReturnTo();
  const card = path && recent.find((each) => `${each.folder}/${each.name}` === path);
  if (card) await open({ recent: card.recent });
}

/** @param {HomeView} home */
function draw(home) {
  openSet.hidden = !home.open;
  if (home.open) {
    const state = home.open.saved ? "" : ", with changes that are not saved: they are kept";
    openSet.replaceChildren(
      el("span", {}, `Open now: ${home.open.title}${state}.`),
      el("a", { class: "as-button", href: "./" }, "Back to it"),
    );
  }
  place.replaceChildren(
    ...[
      home.recent.length && section("Open last", "recent", home.recent.map((each) => setCard(each, openRecent))),
      section(
        "Begin a set",
        "starts",
        home.starts.map((each) => startCard(each, (start) => beginSet(start, home, goToSet))),
      ),
      folderSection(home),
    ].filter(Boolean),
  );
  document.body.dataset.ready = "";
}

/** @param {SetCardView} card */
const openRecent = (card) => open({ recent: card.recent });

function section(title, kind, cards, ...before) {
  return el(
    "section",
    { class: kind, "aria-label": title },
    el("h2", {}, title),
    before,
    el(
      "ul",
      { class: "cards" },
      cards.map((card) => el("li", {}, card)),
    ),
  );
}

/** @param {HomeView} home */
function folderSection(home) {
  const { here, below, sets, inner, more, folders } = home;
  const root = folders[here]?.path ?? "";
  const name = root.split("/").filter(Boolean).pop() ?? root;
  const steps = below.split("/").filter(Boolean);
  const to = (text, call, attributes = {}) =>
    el("button", { type: "button", class: "folder", onclick: call, ...attributes }, text);
  const path = [
    to(name, () => lookInto(here, ""), { "aria-current": steps.length ? null : "true", title: root }),
    ...steps.map((step, at) =>
      to(step, () => lookInto(here, steps.slice(0, at + 1).join("/")), {
        "aria-current": at === steps.length - 1 ? "true" : null,
      }),
    ),
  ];
  const others = folders
    .filter((folder) => folder.number !== here)
    .map((folder) => to(folder.path, () => lookInto(folder.number, "")));
  const cards = sets.map((each) => setCard(each, () => open({ here, below, name: each.name })));
  const none = cards.length ? null : el("p", { class: "note" }, "No sets in this folder yet.");
  const rest = more > 0 ? el("p", { class: "note" }, `${more} more are not listed.`) : null;
  return section(
    `In the folder ${name}`,
    "folder-sets",
    cards,
    el("nav", { class: "folders", "aria-label": "Folders" }, path),
    inner.length || others.length
      ? el(
          "nav",
          { class: "folders inner", "aria-label": "Other folders" },
          inner.map((each) => to(`${each}/`, () => lookInto(here, [...steps, each].join("/")))),
          others,
        )
      : null,
    none,
    rest,
  );
}

await lookInto(shelf.here, shelf.below);
// A page that the browser kept may show what has changed since.
addEventListener("pageshow", (event) => {
  if (event.persisted) lookInto(shelf.here, shelf.below);
});
