// What is shown and what is picked, and who wants to know when that changes.
const filter = {
  at: axes.map(() => ""),
  span: axes.map(() => [null, null]),
  checks: "",
  limits: [],
  text: "",
  picked: false,
};
const picked = new Set();
let shown = all.filter((row) => rows.ok[row]);
let matching = all;
const watchers = { shown: [], picked: [] };
const waiting = new Set();

function changed(what) {
  if (!waiting.size) {
    requestAnimationFrame(() => {
      const due = [...waiting];
      waiting.clear();
      for (const kind of due) for (const act of watchers[kind]) act();
    });
  }
  waiting.add(what);
}
const watch = (what, act) => watchers[what].push(act);
const tell = (text) => {
  $("told").textContent = text;
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

function refilter() {
  const words = filter.text.toLowerCase().split(/\s+/).filter(Boolean);
  matching = all.filter((row) => passes(row, words));
  shown = matching.filter((row) => rows.ok[row]);
  changed("shown");
}

function pick(list, on = true) {
  for (const row of list) {
    if (isFailed(row)) continue;
    if (on) picked.add(row);
    else picked.delete(row);
  }
  if (filter.picked) refilter();
  changed("picked");
}
const toggle = (row) => pick([row], !picked.has(row));

// A box that picks a row; every part of the page uses the same.
function pickBox(row, label = false) {
  const box = el("input", {
    type: "checkbox",
    "data-pick": row,
    "aria-label": label ? null : `Pick ${rows.id[row]}`,
    on: { change: () => pick([row], box.checked) },
  });
  box.checked = picked.has(row);
  return label ? el("label", { class: "pick" }, box, "Pick") : box;
}
watch("picked", () => {
  for (const box of document.querySelectorAll("input[data-pick]")) box.checked = picked.has(Number(box.dataset.pick));
  for (const node of document.querySelectorAll("[data-row]"))
    node.classList.toggle("picked", picked.has(Number(node.dataset.row)));
});
