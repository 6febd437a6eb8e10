// Pictures laid out by one or two settings; of the other settings either one value each or the best ranked.
import { el } from "../../web/elements.js";
import { fixed } from "../../web/phrases.js";
import {
  all, axes, bestFirst, byId, classesOf, isFailed, isNumber, listed, measures, rows, stoppedWord,
} from "./data.js";
import { showSheet } from "./dialogs.js";
import { axisOptions, button, choice, picture } from "./elements.js";
import { onWidth } from "./scales.js";
import { sheet } from "./sheets.js";
import { matchingRows, pickBox, picked, watch } from "./state.js";

const grid = { across: "0", down: axes.length > 1 ? "1" : "", size: "fit", fixed: axes.map(() => "best") };

// The variation that stands for a cell: the best ranked of those shown, or the first where none is ranked.
function standsFor(list) {
  return bestFirst(list)[0] ?? list.find((row) => rows.ok[row]) ?? list[0] ?? null;
}

// Rows of every cell as a map from "down,across" of class numbers.
export function cellsOf(list, down, across) {
  const cells = new Map();
  for (const row of list) {
    const i = down ? down.of(row) : 0,
      j = across.of(row);
    if (i === null || j === null) continue;
    const key = `${i},${j}`;
    if (!cells.has(key)) cells.set(key, []);
    cells.get(key).push(row);
  }
  return cells;
}

function drawPictureControls() {
  const others = axes.map((_, k) => k).filter((k) => String(k) !== grid.across && String(k) !== grid.down);
  const redraw = () => {
    drawPictureControls();
    drawPictures();
  };
  byId("pictures-controls").replaceChildren(
    choice("grid-across", "Across", axisOptions(), grid.across, (v) => {
      if (v === grid.down) grid.down = grid.across;
      grid.across = v;
      redraw();
      byId("grid-across").focus();
    }),
    choice("grid-down", "Down", [["", "nothing"], ...axisOptions()], grid.down, (v) => {
      if (v === grid.across) grid.across = grid.down || String((Number(v) + 1) % axes.length);
      grid.down = v === grid.across ? "" : v;
      redraw();
      byId("grid-down").focus();
    }),
    ...others.map((k) =>
      choice(
        `grid-at-${k}`,
        axes[k].label,
        [
          ["best", "the best of all"],
          ...axes[k].texts.slice(0, 200).map((text, i) => [String(i), i === axes[k].base ? `${text} (base)` : text]),
        ],
        grid.fixed[k],
        (v) => {
          grid.fixed[k] = v;
          drawPictures();
        },
      ),
    ),
    choice(
      "grid-size",
      "Size",
      [
        ["fit", "to fit"],
        ["s", "small"],
        ["m", "medium"],
        ["l", "large"],
      ],
      grid.size,
      (v) => {
        grid.size = v;
        drawPictures();
      },
    ),
  );
}

function drawPictures() {
  const across = classesOf(Number(grid.across)),
    down = grid.down === "" ? null : classesOf(Number(grid.down));
  const others = axes.map((_, k) => k).filter((k) => String(k) !== grid.across && String(k) !== grid.down);
  const list = matchingRows().filter((row) =>
    others.every((k) => grid.fixed[k] === "best" || rows.at[k][row] === Number(grid.fixed[k])),
  );
  const cells = cellsOf(list, down, across);
  const free = others.filter((k) => grid.fixed[k] === "best").map((k) => axes[k].label);
  const chosen = measures.some((m) => m.key === "score") ? "the best ranked one" : "the first";
  byId("pictures-told").textContent = free.length
    ? `Each picture is ${chosen} over every ${listed(free)}.`
    : "Each picture is the one variation with these settings.";
  const used = [...new Set([...cells.keys()].map((key) => Number(key.split(",")[1])))].sort((a, b) => a - b);
  const lines = down
    ? [...new Set([...cells.keys()].map((key) => Number(key.split(",")[0])))].sort((a, b) => a - b)
    : [0];
  const baseOf = (k, i, classes) => classes.labels === axes[k].texts && axes[k].base === i;
  const head = (k, i, classes, scope) =>
    el("th", { scope }, classes.labels[i], baseOf(k, i, classes) ? el("span", { class: "soft" }, " base") : null);
  const cell = (i, j) => {
    const row = standsFor(cells.get(`${i},${j}`) ?? []);
    if (row === null) return el("td", { class: "nothing" }, "not here");
    const others = cells.get(`${i},${j}`).length;
    if (isFailed(row))
      return el(
        "td",
        { class: "nothing", title: rows.reason[row] },
        others > 1 ? `all ${others} ${stoppedWord(cells.get(`${i},${j}`))}` : stoppedWord([row]),
      );
    return el(
      "td",
      { "data-row": row, class: picked.has(row) ? "picked" : "" },
      el(
        "div",
        { class: "frame" },
        picture(row),
        button("", () => showSheet(row), { class: "bare", "aria-label": `Open the sheet of ${rows.id[row]}` }),
      ),
      el(
        "div",
        { class: "caption" },
        pickBox(row),
        el("span", {}, rows.id[row]),
        isNumber(rows.score[row]) ? el("span", { class: "off-by" }, fixed(rows.score[row], 2)) : null,
      ),
    );
  };
  if (!cells.size) {
    byId("pictures-grid").replaceChildren(el("p", {}, "No variation passes the filter."));
    return;
  }
  const side = down ? 150 : 10,
    fitted = Math.floor((byId("pictures-grid").clientWidth - side) / used.length) - 9;
  const wide = `${Math.max(100, Math.min(260, fitted))}px`;
  const downName = down ? axes[Number(grid.down)].label : "";
  byId("pictures-grid").replaceChildren(
    el(
      "table",
      { class: `pictures size-${grid.size}`, style: grid.size === "fit" ? { "--wide": wide } : {} },
      el("caption", { class: "unseen" }, "Pictures by settings"),
      el(
        "thead",
        {},
        el(
          "tr",
          {},
          down ? el("td", { class: "corner" }, `${downName} ↓`) : null,
          el(
            "th",
            { scope: "colgroup", colspan: used.length, class: "axis" },
            el("span", {}, `${axes[Number(grid.across)].label} →`),
          ),
        ),
        el(
          "tr",
          {},
          down ? el("td", { class: "corner" }) : null,
          used.map((j) => head(Number(grid.across), j, across, "col")),
        ),
      ),
      el(
        "tbody",
        {},
        lines.map((i) =>
          el(
            "tr",
            {},
            down ? head(Number(grid.down), i, down, "row") : null,
            used.map((j) => cell(i, j)),
          ),
        ),
      ),
    ),
  );
}

export function startPictures() {
  drawPictureControls();
  watch("shown", drawPictures);
  onWidth(byId("pictures-grid"), drawPictures);
}
