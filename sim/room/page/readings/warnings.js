/** What the set-up and its analysis warn of: quiet lines, the worst first, each linked to its light. */
import { el } from "../../../web/elements.js";
import { lightTag, numbersOf, setText } from "../picture/picture_elements.js";

const LEVELS = ["danger", "caution", "note"];
const WORDS = { danger: "Danger", caution: "Look at", note: "Note" };
const FIRST_SHOWN = 3;

/** Whether the warnings of the layout, and what the checks of the picture said, are of a set-up before this one. */
const age = (view, message) => ({
  old: !view.looked_over,
  oldChecks: !!message && message.checked_by !== view.checked_by,
});

export function mount(place, { store }) {
  const head = el("h3", { text: "Warnings" });
  const list = el("ul", { class: "warning-list" });
  const more = el("button", { type: "button", class: "quiet small", "aria-expanded": "false" });
  const summary = el("summary");
  const checks = el("details", { class: "checks" }, summary, el("div", {}));
  const wait = el("p", { class: "note checks-wait", role: "status" });
  place.append(head, list, wait, more, checks);
  let open = false;
  let built = "";
  more.addEventListener("click", () => {
    open = !open;
    show();
  });

  function found() {
    const { view, checks: message } = store.get();
    const { old, oldChecks } = age(view, message);
    const all = [
      ...view.warnings.map((each) => ({ ...each, old })),
      ...(message?.warnings ?? []).filter(holds).map((each) => ({ ...each, old: oldChecks })),
    ];
    const once = all.filter((each, index) => all.findIndex(({ text }) => text === each.text) === index);
    return once.sort((a, b) => LEVELS.indexOf(a.level) - LEVELS.indexOf(b.level));
  }

  /** Whether what was said of lights can still be so: they are there. */
  const holds = ({ lights }) => lights.every((name) => store.light(name));

  function item({ level, text, warned, old }, numbers) {
    const lights = warned.map((name) => store.light(name)).filter(Boolean);
    const row = (child) => el("li", { "data-level": level, class: old ? "older" : "" }, child);
    const words = [el("b", { text: `${WORDS[level] ?? WORDS.note}: ` }), text];
    const select = ({ name }) => ({
      type: "button",
      title: `Select ${name}`,
      onclick: () => store.select(`light:${name}`),
    });
    const [light] = lights;
    const tag = (each) => lightTag(each, numbers[each.name]);
    if (lights.length === 1) {
      const whole = { ...select(light), class: "quiet warning-light" };
      return row(el("button", whole, tag(light), el("span", {}, ...words)));
    }
    // Give each light of several a way of its own.
    const tags = lights.map((each) =>
      el("button", { ...select(each), class: "quiet warning-tag", "aria-label": `Select ${each.name}` }, tag(each)),
    );
    return row(el("p", {}, ...tags, ...words));
  }

  function show() {
    const { view, checks: message } = store.get();
    if (!view) return;
    const { old, oldChecks } = age(view, message);
    const all = found();
    const shown = open ? all : all.slice(0, FIRST_SHOWN);
    const key = JSON.stringify([shown, view.lights.map(({ name, colour }) => [name, colour])]);
    if (key !== built) {
      built = key;
      list.replaceChildren(...shown.map((each) => item(each, numbersOf(view))));
    }
    // Nothing is known of the light before the first checks are made.
    head.textContent = all.length || !message || old || oldChecks ? "Warnings" : "No warnings";
    const older = old || oldChecks ? "Older than the last change; the set is being checked again." : "";
    setText(wait, message ? older : "The checks are being made.");
    wait.hidden = !wait.textContent;
    more.hidden = all.length <= FIRST_SHOWN;
    more.textContent = open ? "Fewer" : `${all.length - FIRST_SHOWN} more`;
    more.setAttribute("aria-expanded", String(open));
    const subjects = (message?.lines ?? []).map(([heading, body]) => [heading, body.filter(holds)]);
    checks.hidden = !subjects.length;
    checks.classList.toggle("older", oldChecks);
    setText(summary, oldChecks ? "What was checked before the last change" : "What was checked");
    const lines = JSON.stringify(subjects);
    if (checks.dataset.lines !== lines) {
      checks.dataset.lines = lines;
      checks.lastElementChild.replaceChildren(
        ...subjects.flatMap(([heading, body]) => [
          el("h4", { text: heading }),
          ...body.map(({ text }) => el("p", { text })),
        ]),
      );
    }
  }

  store.subscribe(show, ["view", "checks"]);
}
