/** What the set-up and its analysis warn of: quiet lines, the worst first, each linked to its light. */
import { el } from "../../../web/elements.js";
import { lightTag, numbersOf } from "../picture/picture_elements.js";

const LEVELS = ["danger", "caution", "note"];
const WORDS = { danger: "Danger", caution: "Look at", note: "Note" };
const FIRST_SHOWN = 3;

export function mount(place, { store }) {
  const head = el("h3", { text: "Warnings" });
  const list = el("ul", { class: "warning-list" });
  const more = el("button", { type: "button", class: "quiet small", "aria-expanded": "false" });
  const checks = el("details", { class: "checks" }, el("summary", { text: "What was checked" }), el("div", {}));
  const wait = el("p", { class: "note", text: "The checks are being made." });
  place.append(head, list, wait, more, checks);
  let open = false;
  let built = "";
  more.addEventListener("click", () => {
    open = !open;
    show();
  });

  function found() {
    const { view, checks: message } = store.get();
    const all = [...(view?.warnings ?? []), ...(message?.warnings ?? [])].map((each) =>
      typeof each === "string" ? { level: "caution", text: each, light: null } : each,
    );
    const once = all.filter((each, index) => all.findIndex(({ text }) => text === each.text) === index);
    return once.sort((a, b) => LEVELS.indexOf(a.level) - LEVELS.indexOf(b.level));
  }

  function item({ level, text, light: name }, numbers) {
    const light = name && store.light(name);
    const words = [el("b", { text: `${WORDS[level] ?? WORDS.note}: ` }), text];
    const line = light
      ? el(
          "button",
          {
            type: "button",
            class: "quiet warning-light",
            title: `Select ${name}`,
            onclick: () => store.select(`light:${name}`),
          },
          lightTag(light, numbers[name]),
          el("span", {}, ...words),
        )
      : el("p", {}, ...words);
    return el("li", { "data-level": level }, line);
  }

  function show() {
    const { view, checks: message } = store.get();
    if (!view) return;
    const all = found();
    const shown = open ? all : all.slice(0, FIRST_SHOWN);
    const key = JSON.stringify([shown, view.lights.map(({ name, colour }) => [name, colour])]);
    if (key !== built) {
      built = key;
      list.replaceChildren(...shown.map((each) => item(each, numbersOf(view))));
    }
    // Nothing is known of the light before the first checks are made.
    head.textContent = all.length || !message ? "Warnings" : "No warnings";
    wait.hidden = Boolean(message);
    more.hidden = all.length <= FIRST_SHOWN;
    more.textContent = open ? "Fewer" : `${all.length - FIRST_SHOWN} more`;
    more.setAttribute("aria-expanded", String(open));
    checks.hidden = !message?.lines?.length;
    const lines = JSON.stringify(message?.lines ?? []);
    if (checks.dataset.lines !== lines) {
      checks.dataset.lines = lines;
      checks.lastElementChild.replaceChildren(
        ...(message?.lines ?? []).flatMap(([heading, body]) => [
          el("h4", { text: heading }),
          ...body.map((text) => el("p", { text })),
        ]),
      );
    }
  }

  store.subscribe(show, ["view", "checks"]);
}
