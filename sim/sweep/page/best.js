// The best ten, each with its sheet.
import { all, bestFirst, byId, failedRows, many, measures } from "./data.js";
import { showSheet } from "./dialogs.js";
import { OFF_REACH, sheet } from "./sheets.js";
import { picked, shownRows, watch } from "./state.js";

function drawBest() {
  const best = bestFirst(shownRows()).slice(0, 10);
  const part = shownRows().length === all.length - failedRows.length ? "" : " of those shown by the filter";
  byId("best-h").textContent =
    best.length === 10 ? "The best ten" : best.length ? `The best ${best.length}` : "The best ten";
  byId("best-told").textContent = !best.length
    ? measures.some((m) => m.key === "score")
      ? "No variation that is shown is ranked."
      : "Nothing is ranked: the study wishes for nothing."
    : `The first ${best.length}${part || ` of ${many(shownRows().length, "variation")} that were traced`}. ` +
      "Bars show how far off each wish is: under it to the left in blue, over it to the right in amber; " +
      `a full arm is ${many(OFF_REACH, "stop")}.`;
  byId("sheets").replaceChildren(...best.map((row) => sheet(row, { onOpen: showSheet })));
  for (const node of byId("sheets").children) node.classList.toggle("picked", picked.has(Number(node.dataset.row)));
}

export function startBest() {
  watch("shown", drawBest);
}
