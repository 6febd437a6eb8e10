/** Fields of the slip: each shows a value of the state, sends what is typed, and keeps the server's words beside it. */
import { el } from "../../../web/elements.js";
import { refusalText } from "../link.js";
import { withUnit } from "../measures.js";

let count = 0;

// Forms that people shorten: "8" is f/8, "1/160" is 1/160 s.
const SHORT = {
  aperture: (text) => (/^\d*\.?\d+$/.test(text) ? `f/${text}` : text),
  shutter: (text) => (/^[\d./]+$/.test(text) ? `${text} s` : text),
  sync: (text) => (/^[\d./]+$/.test(text) ? `${text} s` : text),
};

/**
 * A text field with its label.
 * @param {{label: string, unit?: string, hint?: string, wide?: boolean, send: (text: string) => Promise<any>,
 *   value: (item: Item) => string, check?: ((text: string) => string | null) | null, key?: string}} about `unit` is
 *   added to bare numbers; `check` gives a refusal or null
 */
export function textField({ label, unit = "", hint = "", wide = false, send, value, check = null, key = label }) {
  const id = `f${++count}`;
  const input = el("input", {
    type: "text",
    id,
    autocomplete: "off",
    spellcheck: "false",
    "data-key": key,
    "aria-describedby": `${id}e`,
  });
  const error = el("p", { class: "error", id: `${id}e`, role: "alert" });
  const node = el(
    "div",
    { class: `field${wide ? " wide" : ""}` },
    el("label", { for: id, title: hint || null }, label),
    input,
    error,
  );
  let shown = "";

  function fail(text) {
    error.textContent = text;
    input.setAttribute("aria-invalid", "true");
  }

  function clear() {
    error.textContent = "";
    input.removeAttribute("aria-invalid");
  }

  async function commit() {
    if (input.value.trim() === shown.trim()) {
      clear();
      input.value = shown;
      return;
    }
    const text = withUnit(input.value, unit);
    const wrong = check?.(text);
    if (wrong) return fail(wrong);
    const sent = input.value;
    const answer = await send(text);
    if (answer?.type === "refused") {
      if (input.value === sent) fail(refusalText(answer.text));
    } else clear();
  }

  input.addEventListener("change", commit);
  input.addEventListener("focus", () => input.select());
  input.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && input.value !== shown) {
      event.stopPropagation();
      input.value = shown;
      clear();
    }
    if (event.key === "Enter") input.select();
  });

  /** @param {Item} item */
  function refresh(item) {
    const text = value(item) ?? "";
    const typing = input === document.activeElement && input.value !== shown;
    const wrong = input.hasAttribute("aria-invalid");
    if (text !== shown && wrong) clear();
    if (!typing && !(wrong && text === shown)) input.value = text;
    shown = text;
  }
  return { node, refresh };
}

/** A list to choose from; `options(item)` -> [[value, title], ...]. */
export function choiceField({ label, wide = false, options, value, send, key = label }) {
  const id = `f${++count}`;
  const select = el("select", { id, "data-key": key, "aria-describedby": `${id}e` });
  const error = el("p", { class: "error", id: `${id}e`, role: "alert" });
  const node = el("div", { class: `field${wide ? " wide" : ""}` }, el("label", { for: id }, label), select, error);
  let told = "";
  select.addEventListener("change", async () => {
    const answer = await send(select.value);
    error.textContent = answer?.type === "refused" ? refusalText(answer.text) : "";
    if (answer?.type === "refused") select.value = told;
  });
  /** @param {Item} item */
  function refresh(item) {
    const list = options(item),
      now = String(value(item) ?? "");
    const wanted = list.some(([each]) => each === now) ? list : [[now, now || "\u2013"], ...list];
    const signature = JSON.stringify(wanted);
    if (select.dataset.list !== signature) {
      select.dataset.list = signature;
      select.replaceChildren(...wanted.map(([each, title]) => el("option", { value: each }, title)));
    }
    told = now;
    if (select !== document.activeElement || !select.matches(":open")) select.value = now;
  }
  return { node, refresh };
}

/** A yes or no. */
export function switchField({ label, value, send, key = label }) {
  const box = el("input", { type: "checkbox", "data-key": key });
  const node = el("label", { class: "field switch" }, box, label);
  box.addEventListener("change", async () => {
    if ((await send(box.checked))?.type === "refused") box.checked = !box.checked;
  });
  return {
    node,
    refresh: (item) => {
      box.checked = value(item) === true;
    },
  };
}

/** A heading with fields below it. */
export const group = (title, ...nodes) =>
  el("section", { class: "fields", "aria-label": title }, el("h3", {}, title), ...nodes);

/** A value of a block at a dotted key: "head.turn". */
export const at = (block, key) => key.split(".").reduce((inner, part) => inner?.[part], block);

/** Text of a value in the form of the file; lists and blocks have none. */
export function textOf(value) {
  if (value === undefined || value === null) return "";
  return typeof value === "object" ? "" : String(value);
}

/**
 * Fields for a list of descriptions {key, label, unit, example, optional, choices, kind} of a block in the file.
 * @param {Link} link
 */
export function fieldsFromChoices(link, path, descriptions, block) {
  return descriptions.map((about) => {
    const keys = [...path, ...about.key.split(".")];
    const set = (value) => link.edit([{ op: "set", path: keys, value }], null, { quiet: true });
    const unset = () => link.edit([{ op: "unset", path: keys }], null, { quiet: true });
    const value = (item) => at(block(item), about.key);
    const label = about.key === "iso" ? "ISO" : about.label,
      key = keys.join(".");
    if (about.kind === "switch" || typeof about.example === "boolean")
      return switchField({ label, key, value, send: set });
    if (about.choices?.length) {
      const list = about.choices.map((each) => (Array.isArray(each) ? each : [String(each), String(each)]));
      const offered = about.optional ? [["", "as usual"], ...list] : list;
      return choiceField({
        label,
        key,
        options: () => offered,
        value: (item) => textOf(value(item)),
        send: (v) => (v === "" ? unset() : set(v)),
      });
    }
    const isNumber = about.kind === "number" || (about.kind === undefined && !about.unit);
    const short = SHORT[about.key] ?? ((text) => text);
    const example = about.example !== null && about.example !== undefined ? `such as ${about.example}` : "";
    const hint = [about.description, example].filter(Boolean).join(", ");
    return textField({
      label,
      key,
      unit: about.unit ?? "",
      hint,
      value: (item) => textOf(value(item)),
      send: (text) =>
        text === "" ? unset() : set(isNumber && /^-?\d*\.?\d+$/.test(text) ? Number(text) : short(text)),
    });
  });
}
