// The table of all variations and that of the failed ones, a page at a time.
import { el } from "../../web/elements.js";
import { fixed, signedStops } from "../../web/phrases.js";
import {
  axes, byId, checks, failedRows, groupOf, grouped, isAtBase, isFailed, isNumber, many, measures, problemsOf,
  readings, rows, settingText, sorted, stoppedWord, wishes,
} from "./data.js";
import { showSheet } from "./dialogs.js";
import { button, choice, clipped } from "./elements.js";
import { hasBase, sheet, valueText } from "./sheets.js";
import { filter, matchingRows, pick, pickBox, picked, shownRows, tell, watch } from "./state.js";

const PAGE_ROWS = 50;
const sheetTable = { by: "rank", down: false, page: 0, part: "" };
const groups = [...new Set(readings.map(groupOf))];
const failedTable = { page: 0 };

// A column: `key`, `label`, `group`, `of` the value it sorts by, `cell` what it shows.
function columnsOf(part) {
  const wanted = readings
    .map((reading, k) => [reading, k])
    .filter(([reading]) => part === "*" || groupOf(reading) === part);
  return [
    ...(measures[0]?.key === "score"
      ? [
          {
            key: "rank",
            label: "place",
            group: "",
            of: (row) => rows.rank[row],
            cell: (row) =>
              isFailed(row)
                ? rows.waiting[row]
                  ? "waiting"
                  : "failed"
                : rows.rank[row] === null
                  ? "–"
                  : String(rows.rank[row]),
          },
        ]
      : []),
    ...axes.map((axis, k) => ({
      key: `axis-${k}`,
      label: axis.label,
      group: "Settings",
      of: (row) => axis.numbers[rows.at[k][row]] ?? rows.at[k][row],
      cell: (row) => settingText(k, row),
      isBase: (row) => isAtBase(k, row),
    })),
    ...(measures[0]?.key === "score"
      ? [
          {
            key: "score",
            label: "off, stops",
            group: "Wishes",
            of: (row) => rows.score[row],
            cell: (row) => (isNumber(rows.score[row]) ? fixed(rows.score[row], 2) : "–"),
            n: true,
          },
        ]
      : []),
    ...wishes.map((wish, k) => ({
      key: `off-${k}`,
      label: wish.point,
      group: "Wishes",
      of: (row) => rows.off[k][row],
      cell: (row) => (isNumber(rows.off[k][row]) ? signedStops(rows.off[k][row]) : "–"),
      n: true,
    })),
    ...(checks.length
      ? [
          {
            key: "problems",
            label: "ask for a look",
            group: "Checks",
            of: (row) => (isFailed(row) ? null : problemsOf(row)),
            cell: (row) => warningsCell(row),
          },
        ]
      : []),
    ...wanted.map(([reading, k]) => ({
      key: `r${k}`,
      label: reading.point,
      group: reading.kind === "figure" ? "Figures" : `${groupOf(reading)}, ${reading.unit}`,
      of: (row) => rows.values[k][row],
      cell: (row) => (isFailed(row) ? "–" : valueText(k, row)),
      n: true,
    })),
  ];
}

function warningsCell(row) {
  if (isFailed(row)) return "–";
  const names = checks.filter((_, k) => rows.checks[k][row] > 0);
  return names.length
    ? el("span", { title: names.join(", ") }, `${names.length}: ${clipped(names.join(", "), 130)}`)
    : "none";
}

function orderOfTable() {
  const column = columnsOf("*").find((c) => c.key === sheetTable.by);
  if (sheetTable.by === "id") return sheetTable.down ? [...matchingRows()].reverse() : matchingRows();
  return sorted(matchingRows(), column ? column.of : (row) => row, sheetTable.down);
}

function drawTable() {
  const columns = columnsOf(sheetTable.part),
    list = orderOfTable();
  const pages = Math.max(1, Math.ceil(list.length / PAGE_ROWS));
  sheetTable.page = Math.min(sheetTable.page, pages - 1);
  const these = list.slice(sheetTable.page * PAGE_ROWS, (sheetTable.page + 1) * PAGE_ROWS);
  const sort = (key) => () => {
    sheetTable.down = sheetTable.by === key ? !sheetTable.down : false;
    Object.assign(sheetTable, { by: key, page: 0 });
    drawTable();
    byId(`sort-${key}`).focus();
    const by = key === "id" ? "name" : columns.find((c) => c.key === key)?.label;
    tell(`Sorted by ${by}, ${sheetTable.down ? "highest" : "lowest"} first.`);
  };
  const head = (key, label, props = {}) =>
    el(
      "th",
      {
        scope: "col",
        ...props,
        "aria-sort": sheetTable.by === key ? (sheetTable.down ? "descending" : "ascending") : null,
      },
      button("", sort(key), { id: `sort-${key}`, class: "sort" }),
    );
  const withLabel = (th, key, label) => {
    th.firstChild.append(
      label,
      el("span", { "aria-hidden": "true" }, sheetTable.by === key ? (sheetTable.down ? " ▼" : " ▲") : ""),
    );
    return th;
  };
  const groups = [];
  for (const column of columns) {
    if (groups.at(-1)?.[0] === column.group) groups.at(-1)[1] += 1;
    else groups.push([column.group, 1]);
  }
  const edges = new Set(columns.filter((c, i) => i && c.group !== columns[i - 1].group).map((c) => c.key));
  byId("table-box").replaceChildren(
    el(
      "table",
      { class: "data" },
      el(
        "thead",
        {},
        el(
          "tr",
          { class: "groups" },
          el("td", { class: "first" }),
          groups.map(([name, span]) =>
            name ? el("th", { scope: "colgroup", colspan: span }, name) : el("td", { colspan: span }),
          ),
        ),
        el(
          "tr",
          {},
          withLabel(head("id", "variation", { class: "first" }), "id", "variation"),
          columns.map((c) =>
            withLabel(head(c.key, c.label, { class: edges.has(c.key) ? "edge" : null }), c.key, c.label),
          ),
        ),
      ),
      el(
        "tbody",
        {},
        these.map((row) =>
          el(
            "tr",
            { "data-row": row, class: `${picked.has(row) ? "picked" : ""}${isFailed(row) ? " failed" : ""}` },
            el(
              "th",
              { scope: "row", class: "first" },
              el(
                "span",
                { class: "cell-id" },
                isFailed(row) ? el("span", { class: "no-box", title: "failed" }, "✕") : pickBox(row),
                button(rows.id[row], () => showSheet(row, list), { class: "link" }),
              ),
            ),
            columns.map((c) =>
              el(
                "td",
                {
                  class:
                    [c.n ? "n" : "", edges.has(c.key) ? "edge" : "", c.isBase?.(row) ? "soft" : ""].join(" ").trim() ||
                    null,
                },
                c.cell(row),
              ),
            ),
          ),
        ),
      ),
    ),
  );
  byId("table-told").textContent = list.length
    ? `${many(list.length, "variation")}. ${hasBase ? "Settings as in the base are in grey. " : ""}` +
      "Click a heading to sort, a name to open its sheet."
    : "No variation passes the filter.";
  drawPager(byId("table-pager"), sheetTable, pages, drawTable, "table");
}

function drawPager(home, state, pages, redraw, name) {
  const go = (to) => () => {
    state.page = to;
    redraw();
    const kept = document.getElementById(`${name}-${to === pages - 1 ? "before" : "after"}`);
    kept?.focus({ preventScroll: true });
  };
  home.replaceChildren(
    ...(pages < 2
      ? []
      : [
          button("First", go(0), { disabled: state.page === 0 }),
          button("‹ Before", go(state.page - 1), { id: `${name}-before`, disabled: state.page === 0 }),
          el("span", { role: "status" }, `Page ${state.page + 1} of ${pages}`),
          button("Next ›", go(state.page + 1), { id: `${name}-after`, disabled: state.page === pages - 1 }),
          button("Last", go(pages - 1), { disabled: state.page === pages - 1 }),
        ]),
  );
}

function drawTableControls() {
  const options = [...groups.map((part) => [part, part]), ["*", "all of them"]];
  byId("table-controls").replaceChildren(
    ...(groups.length > 1
      ? [
          choice("table-part", "Readings", options, sheetTable.part, (v) => {
            sheetTable.part = v;
            drawTable();
          }),
        ]
      : []),
    button(
      "Pick all that are shown",
      () => {
        pick(shownRows());
        tell(`${many(shownRows().length, "variation")} picked.`);
      },
      { id: "pick-all" },
    ),
  );
}

function drawFailed() {
  const list = matchingRows().filter(isFailed),
    pages = Math.max(1, Math.ceil(list.length / PAGE_ROWS));
  failedTable.page = Math.min(failedTable.page, pages - 1);
  const reasons = new Map();
  for (const row of list) reasons.set(rows.reason[row], (reasons.get(rows.reason[row]) ?? 0) + 1);
  byId("failed-told").textContent = !failedRows.length
    ? "Every variation was traced."
    : !list.length
      ? `${many(failedRows.length, "variation")} ${stoppedWord(failedRows)}; ` +
        `the filter hides ${failedRows.length === 1 ? "it" : "them"}.`
      : `${many(list.length, "variation")} ${stoppedWord(list)}, for ${many(reasons.size, "reason")}. ` +
        "They have no readings and no place in the ranking.";
  const these = list.slice(failedTable.page * PAGE_ROWS, (failedTable.page + 1) * PAGE_ROWS);
  byId("failed-h").textContent = failedRows.some((row) => rows.waiting[row]) ? "Failed or not traced yet" : "Failed";
  const told = sorted([...reasons.keys()], (reason) => reasons.get(reason), true);
  byId("failed-reasons").replaceChildren(
    ...(reasons.size < list.length
      ? told.map((reason) => el("li", {}, el("b", {}, `${grouped(reasons.get(reason))} × `), reason))
      : []),
  );
  byId("failed-box").hidden = !list.length;
  byId("failed-box").replaceChildren(
    ...(list.length
      ? [
          el(
            "table",
            { class: "data" },
            el(
              "thead",
              {},
              el(
                "tr",
                {},
                el("th", { scope: "col", class: "first" }, "variation"),
                el("th", { scope: "col" }, "why"),
                axes.map((axis) => el("th", { scope: "col" }, axis.label)),
              ),
            ),
            el(
              "tbody",
              {},
              these.map((row) =>
                el(
                  "tr",
                  { class: "failed" },
                  el("th", { scope: "row", class: "first" }, rows.id[row]),
                  el("td", { class: "reason" }, rows.reason[row]),
                  axes.map((_, k) => el("td", { class: isAtBase(k, row) ? "soft" : null }, settingText(k, row))),
                ),
              ),
            ),
          ),
        ]
      : []),
  );
  drawPager(byId("failed-pager"), failedTable, pages, drawFailed, "failed");
}

export function startTable() {
  sheetTable.part = groups[0] ?? "*";
  if (measures[0]?.key !== "score") sheetTable.by = "id";
  drawTableControls();
  watch("shown", drawTable);
  watch("shown", drawFailed);
}
