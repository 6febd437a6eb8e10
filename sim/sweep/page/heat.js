// Any reading over any two settings: each cell gathers every variation that has these two, whatever the others are.
import { svg } from "../../web/elements.js";
import { inkOn, scaleOf } from "./colours.js";
import {
  axes, bestFirst, byId, classesOf, isNumber, listed, many, measureOf, measures, rows, shownNumber, withUnit,
} from "./data.js";
import { axisOptions, choice, clipped, measureOptions, widthOf } from "./elements.js";
import { cellsOf } from "./pictures.js";
import { colorLegend, onWidth } from "./scales.js";
import { hasBase } from "./sheets.js";
import { matchingRows, pick, picked, tell, watch } from "./state.js";

const heat = { across: "0", down: axes.length > 1 ? "1" : "0", key: "", by: "mean", at: [0, 0] };
const GATHERED = [
  ["mean", "their mean"],
  ["best", "the best ranked of them"],
  ["low", "the lowest of them"],
  ["high", "the highest of them"],
];

function gathered(list, measure, by) {
  const found = list.filter((row) => isNumber(measure.of(row)));
  if (!found.length) return null;
  const values = found.map(measure.of);
  if (by === "mean") return values.reduce((a, b) => a + b, 0) / values.length;
  if (by === "low") return values.reduce((a, b) => Math.min(a, b));
  if (by === "high") return values.reduce((a, b) => Math.max(a, b));
  const best = bestFirst(found)[0];
  return best === undefined ? null : measure.of(best);
}

function drawHeatControls() {
  const again = (id) => () => {
    drawHeatControls();
    drawHeat();
    byId(id).focus();
  };
  byId("heat-controls").replaceChildren(
    choice("heat-across", "Across", axisOptions(), heat.across, (v) => {
      if (v === heat.down) heat.down = heat.across;
      heat.across = v;
      again("heat-across")();
    }),
    choice("heat-down", "Down", axisOptions(), heat.down, (v) => {
      if (v === heat.across) heat.across = heat.down;
      heat.down = v;
      again("heat-down")();
    }),
    choice("heat-key", "Shows", measureOptions(), heat.key, (v) => {
      heat.key = v;
      drawHeat();
    }),
    choice(
      "heat-by",
      "Of all in a cell",
      GATHERED.filter(([by]) => by !== "best" || measures[0].key === "score"),
      heat.by,
      (v) => {
        heat.by = v;
        drawHeat();
      },
    ),
  );
}

function drawHeat() {
  const home = byId("heat-chart"),
    measure = measureOf(heat.key),
    ka = Number(heat.across),
    kd = Number(heat.down);
  const across = classesOf(ka),
    down = classesOf(kd),
    cells = cellsOf(matchingRows(), down, across);
  const value = (i, j) =>
    gathered(
      (cells.get(`${i},${j}`) ?? []).filter((row) => rows.ok[row]),
      measure,
      heat.by,
    );
  const table = down.labels.map((_, i) => across.labels.map((_, j) => value(i, j)));
  const scale = scaleOf(table.flat(), measure.center);
  const names = across.labels.map((text) => clipped(text, 150)),
    sides = down.labels.map((text) => clipped(text, 190));
  const left = 34 + Math.max(40, ...sides.map((text) => widthOf(text))),
    room = home.clientWidth - left - 6;
  const cellW = Math.max(50, Math.min(170, room / names.length)),
    cellH = 38;
  const slanted = names.some((text) => widthOf(text) > cellW - 8);
  const top = 32 + (slanted ? 10 + 0.64 * Math.max(...names.map((text) => widthOf(text))) : 16);
  const over = slanted ? 0.77 * widthOf(names.at(-1)) : 0;
  const width = Math.max(left + cellW * names.length + Math.max(6, over - cellW / 2), 260),
    height = top + cellH * sides.length + 6;
  let best = null;
  if (measure.best !== null) {
    table.forEach((line, i) =>
      line.forEach((v, j) => {
        if (
          v !== null &&
          (best === null || Math.abs(v - measure.best) < Math.abs(table[best[0]][best[1]] - measure.best) - 1e-12)
        )
          best = [i, j];
      }),
    );
  }
  const cell = (i, j) => {
    const v = table[i][j],
      list = cells.get(`${i},${j}`) ?? [],
      live = list.filter((row) => rows.ok[row]);
    const x = left + j * cellW,
      y = top + i * cellH,
      isBest = best && best[0] === i && best[1] === j;
    const words =
      v !== null
        ? shownNumber(measure, v)
        : list.length && !live.length
          ? list.every((row) => rows.waiting[row])
            ? "waiting"
            : "failed"
          : "–";
    const amount = v === null ? words : `${shownNumber(measure, v, 2)} ${measure.unit === "count" ? "" : measure.unit}`;
    const missing = list.length > live.length ? ` (${list.length - live.length} failed)` : "";
    const place = `${axes[kd].label} ${down.labels[i]}, ${axes[ka].label} ${across.labels[j]}`;
    const told = `${place}: ${amount}, of ${live.length}${missing}${isBest ? ", the best" : ""}`;
    return svg(
      "g",
      {
        role: "gridcell",
        tabindex: i === heat.at[0] && j === heat.at[1] ? 0 : -1,
        class: "cell",
        "aria-label": told,
        "data-i": i,
        "data-j": j,
        "data-value": v,
      },
      svg("title", {}, `${told}. Click to pick them.`),
      svg("rect", {
        x: x + 1,
        y: y + 1,
        width: cellW - 2,
        height: cellH - 2,
        fill: v === null ? "#ffffff" : scale.color(v),
        class: v === null ? "none" : "",
      }),
      isBest ? svg("rect", { x: x + 2.5, y: y + 2.5, width: cellW - 5, height: cellH - 5, class: "best" }) : null,
      svg(
        "text",
        {
          x: x + cellW / 2,
          y: y + cellH / 2 + 5,
          "text-anchor": "middle",
          style: { fill: v === null ? "#4d5661" : inkOn(scale.color(v)) },
        },
        words,
      ),
    );
  };
  const isBase = (k, i, classes) => classes.labels === axes[k].texts && axes[k].base === i;
  const head = (text, j) => {
    const x = left + (j + 0.5) * cellW,
      weight = isBase(ka, j, across) ? 700 : 400;
    return svg(
      "g",
      { role: "columnheader" },
      svg("title", {}, across.labels[j]),
      slanted
        ? svg("text", { transform: `translate(${x - 4} ${top - 8}) rotate(-40)`, "font-weight": weight }, text)
        : svg("text", { x, y: top - 8, "text-anchor": "middle", "font-weight": weight }, text),
    );
  };
  const drawing = svg(
    "svg",
    {
      width,
      height,
      viewBox: `0 0 ${width} ${height}`,
      role: "grid",
      "aria-label": `${withUnit(measure)} by ${axes[kd].label} and ${axes[ka].label}`,
      class: "heat",
    },
    svg(
      "text",
      {
        x: left + Math.min(cellW * names.length, room) / 2,
        y: 14,
        "text-anchor": "middle",
        class: "axis-name",
        "aria-hidden": "true",
      },
      axes[ka].label,
    ),
    svg(
      "g",
      { role: "row" },
      svg(
        "g",
        { role: "columnheader" },
        svg(
          "text",
          {
            transform: `translate(14 ${top + (cellH * sides.length) / 2}) rotate(-90)`,
            "text-anchor": "middle",
            class: "axis-name",
          },
          clipped(axes[kd].label, Math.max(60, cellH * sides.length)),
        ),
      ),
      names.map(head),
    ),
    sides.map((text, i) =>
      svg(
        "g",
        { role: "row" },
        svg(
          "g",
          { role: "rowheader" },
          svg("title", {}, down.labels[i]),
          svg(
            "text",
            {
              x: left - 8,
              y: top + (i + 0.5) * cellH + 5,
              "text-anchor": "end",
              "font-weight": isBase(kd, i, down) ? 700 : 400,
            },
            text,
          ),
        ),
        names.map((_, j) => cell(i, j)),
      ),
    ),
  );
  const hadFocus = home.contains(document.activeElement);
  home.replaceChildren(drawing);
  bindHeat(drawing, cells, hadFocus);
  const others = axes.filter((_, k) => k !== ka && k !== kd).map((axis) => axis.label);
  const over_words = others.length ? ` over every ${listed(others)}` : "";
  const by = {
    mean: `the mean${over_words}`,
    best: `what the best ranked variation reads${over_words}`,
    low: `the lowest${over_words}`,
    high: `the highest${over_words}`,
  }[heat.by];
  const bold = hasBase ? "The base's settings are in bold. " : "";
  const framed = best ? "The black frame marks the cell nearest to what is wanted. " : "";
  byId("heat-told").textContent =
    `Each cell: ${withUnit(measure)}, ${by}. ${bold}${framed}A cell picks its variations.`;
  byId("heat-legend").replaceChildren(colorLegend(scale, measure));
  return table;
}

function bindHeat(drawing, cells, hadFocus) {
  const at = (i, j) => drawing.querySelector(`[data-i="${i}"][data-j="${j}"]`);
  const go = (i, j) => {
    const next = at(i, j);
    if (!next) return;
    at(...heat.at)?.setAttribute("tabindex", -1);
    heat.at = [i, j];
    next.setAttribute("tabindex", 0);
    next.focus();
  };
  if (!at(...heat.at)) {
    heat.at = [0, 0];
    at(0, 0)?.setAttribute("tabindex", 0);
  }
  if (hadFocus) at(...heat.at)?.focus();
  const pickCell = (node) => {
    const list = (cells.get(`${node.dataset.i},${node.dataset.j}`) ?? []).filter((row) => rows.ok[row]);
    const on = !list.every((row) => picked.has(row));
    pick(list, on);
    tell(`${many(list.length, "variation")} ${on ? "picked" : "no longer picked"}.`);
  };
  drawing.addEventListener("click", (event) => {
    const node = event.target.closest(".cell");
    if (!node) return;
    go(Number(node.dataset.i), Number(node.dataset.j));
    pickCell(node);
  });
  drawing.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] }[event.key];
    if (way) go(heat.at[0] + way[0], heat.at[1] + way[1]);
    else if (event.key === " " || event.key === "Enter") pickCell(at(...heat.at));
    else return;
    event.preventDefault();
  });
}

export function startHeat() {
  heat.key = measures[0]?.key ?? "";
  drawHeatControls();
  watch("shown", drawHeat);
  onWidth(byId("heat-chart"), drawHeat);
}
