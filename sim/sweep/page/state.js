// What is shown and what is picked, and who wants to know when that changes.
import { el } from "../../web/elements.js";
import { createStore } from "../../web/store.js";
import { all, axes, byId, isFailed, isNumber, measureOf, problemsOf, rows, settingsLine } from "./data.js";

export const filter = {
  at: axes.map(() => ""),
  span: axes.map(() => [null, null]),
  checks: "",
  limits: [],
  text: "",
  picked: false,
};
export const picked = new Set();
const store = createStore({ matching: all, shown: all.filter((row) => rows.ok[row]), picked }, requestAnimationFrame);

// Rows that pass the filter, and those of them that were traced.
export const matchingRows = () => store.get().matching;
export const shownRows = () => store.get().shown;
// Be told once what is "shown" or "picked" has changed.
export const watch = (what, act) => store.listen(act, [what]);
export const tell = (text) => {
  byId("told").textContent = text;
};

function searched(row) {
  return `${rows.id[row]} ${settingsLine(row)} ${rows.reason[row] ?? ""}`.toLowerCase();
}

// Whether a row passes; a failed one has no readings, so a limit on a reading leaves it out.
function passes(row, words) {
  for (let k = 0; k < axes.length; k++) {
    if (filter.at[k] !== "" && rows.at[k][row] !== Number(filter.at[k])) return false;
    const [least, most] = filter.span[k],
      number = axes[k].numbers[rows.at[k][row]];
    if (least !== null && !(number >= least)) return false;
    if (most !== null && !(number <= most)) return false;
  }
  if (filter.picked && !picked.has(row)) return false;
  if (filter.checks === "clear" && (isFailed(row) || problemsOf(row) > 0)) return false;
  if (filter.checks.startsWith("c") && filter.checks !== "clear") {
    if (!(rows.checks[Number(filter.checks.slice(1))][row] === 0)) return false;
  }
  for (const { key, least, most } of filter.limits) {
    if (least === null && most === null) continue;
    const value = measureOf(key).of(row);
    if (!isNumber(value) || (least !== null && value < least) || (most !== null && value > most)) return false;
  }
  return words.every((word) => searched(row).includes(word));
}

export function refilter() {
  const words = filter.text.toLowerCase().split(/\s+/).filter(Boolean);
  const matching = all.filter((row) => passes(row, words));
  store.update({ matching, shown: matching.filter((row) => rows.ok[row]) });
}

export function pick(list, on = true) {
  for (const row of list) {
    if (isFailed(row)) continue;
    if (on) picked.add(row);
    else picked.delete(row);
  }
  if (filter.picked) refilter();
  store.update({ picked });
}
export const toggle = (row) => pick([row], !picked.has(row));

// A box that picks a row; every part of the page uses the same.
export function pickBox(row, label = false) {
  const box = el("input", {
    type: "checkbox",
    "data-pick": row,
    "aria-label": label ? null : `Pick ${rows.id[row]}`,
    onchange: () => pick([row], box.checked),
  });
  box.checked = picked.has(row);
  return label ? el("label", { class: "pick" }, box, "Pick") : box;
}
watch("picked", () => {
  for (const box of document.querySelectorAll("input")) {
    if (box.dataset.pick !== undefined) box.checked = picked.has(Number(box.dataset.pick));
  }
  for (const node of document.querySelectorAll("[data-row]"))
    node.classList.toggle("picked", picked.has(Number(node.getAttribute("data-row"))));
});
