// A variation's sheet: picture, what differs from the base, how far off each wish it is, readings, warnings.
import { el, svg } from "../../web/elements.js";
import { fixed, signedStops } from "../../web/phrases.js";
import { OVER, UNDER } from "./colours.js";
import {
  KINDS, all, axes, baseText, bestFirst, checks, isAtBase, isFailed, isNumber, readings, rows, settingText,
  shownNumber, wishes, withUnit,
} from "./data.js";
import { button, picture } from "./elements.js";
import { pickBox } from "./state.js";

export const hasBase = axes.some((_, k) => baseText(k) !== null);
function differences(row) {
  const items = axes.flatMap((axis, k) => {
    if (rows.at[k][row] === null || isAtBase(k, row)) return [];
    const base = baseText(k);
    return [
      el(
        "div",
        {},
        el("dt", {}, axis.label),
        el(
          "dd",
          {},
          el("b", {}, settingText(k, row)),
          base === null ? null : el("span", { class: "soft" }, ` instead of ${base}`),
        ),
      ),
    ];
  });
  return items.length
    ? el("dl", { class: "differences" }, items)
    : el("p", { class: "soft" }, "Just as the base scene has it.");
}

// A bar from the middle: under the wish to the left, over it to the right; a full arm is `reach` stops.
export function offBar(off, reach) {
  const arm = 32,
    shareOf = Math.min(Math.abs(off) / reach, 1) * arm;
  return svg(
    "svg",
    { class: "off-bar", width: 72, height: 14, viewBox: "0 0 72 14", "aria-hidden": "true" },
    svg("rect", { x: 4, y: 1, width: 64, height: 12, fill: "#eeede9" }),
    svg("rect", {
      x: off < 0 ? 36 - shareOf : 36,
      y: 2,
      width: Math.max(shareOf, 0.6),
      height: 10,
      fill: off < 0 ? UNDER[2] : OVER[2],
    }),
    svg("path", { d: "M36 0v14", stroke: "#14181d", "stroke-width": 1.4 }),
  );
}

export const OFF_REACH = Math.max(
  1,
  Math.ceil(
    wishes.reduce(
      (most, _, k) =>
        bestFirst(all)
          .slice(0, 10)
          .reduce((inner, row) => Math.max(inner, Math.abs(rows.off[k][row] ?? 0)), most),
      0,
    ),
  ),
);

// What a wish gets: the wanted stops or f-number, moved by how far off it is; an f-number grows by root 2 a stop.
function gotText(wish, off) {
  if (!isNumber(off)) return "–";
  return isNumber(wish.stops) ? signedStops(wish.stops + off) : `f/${(wish.f_number * 2 ** (off / 2)).toFixed(1)}`;
}

function wishTable(row) {
  if (!wishes.length) return null;
  const lines = wishes.map((wish, k) => {
    const off = rows.off[k][row];
    const words = !isNumber(off)
      ? "not read"
      : Math.abs(off) < 0.05
        ? "met"
        : `${fixed(Math.abs(off), 1)} ${off < 0 ? "under" : "over"}`;
    return el(
      "tr",
      {},
      el("th", { scope: "row" }, wish.point),
      el("td", {}, wish.wanted),
      el("td", { class: "n" }, gotText(wish, off)),
      el("td", { class: "off" }, isNumber(off) ? offBar(off, OFF_REACH) : null, el("span", {}, words)),
    );
  });
  return el(
    "table",
    { class: "small wishes" },
    el(
      "thead",
      {},
      el(
        "tr",
        {},
        el("th", { scope: "col" }, "wish for"),
        el("th", { scope: "col" }, "wanted"),
        el("th", { scope: "col", class: "n" }, "gets"),
        el("th", { scope: "col" }, "off, stops"),
      ),
    ),
    el("tbody", {}, lines),
  );
}

export const lights = [...new Set(readings.map((reading) => reading.light).filter(Boolean))];
const readingAt = new Map(readings.map(({ kind, point, light }, k) => [JSON.stringify([kind, point, light]), k]));
const pointsOf = (kind) => [...new Set(readings.filter((r) => r.kind === kind).map((r) => r.point))];
const kinds = ["incident", "flat", "spot"]
  .map((kind) => /** @type {[string, string[]]} */ ([kind, pointsOf(kind)]))
  .filter(([, points]) => points.length);
const figures = readings.flatMap((reading, k) => (reading.kind === "figure" ? [k] : []));
export const valueText = (k, row) =>
  isNumber(rows.values[k][row])
    ? shownNumber(readings[k], rows.values[k][row])
    : readings[k].kind === "figure"
      ? "–"
      : "dark";

function readingTable(row) {
  const cell = (kind, point, light) => {
    const k = readingAt.get(JSON.stringify([kind, point, light]));
    return el("td", { class: light ? "n" : "n strong" }, k === undefined ? "" : valueText(k, row));
  };
  const band = (kind, points) => {
    const k = readingAt.get(JSON.stringify([kind, points[0], ""])) ?? readings.findIndex((r) => r.kind === kind);
    return el(
      "tr",
      { class: "band" },
      el("th", { scope: "colgroup", colspan: lights.length + 2 }, `${KINDS[kind][0]}, ${readings[k].unit}`),
    );
  };
  return el(
    "div",
    { class: "scroll", tabindex: 0, role: "region", "aria-label": `Readings of ${rows.id[row]}` },
    el(
      "table",
      { class: "small" },
      el(
        "thead",
        {},
        el(
          "tr",
          {},
          el("td"),
          el("th", { scope: "col", class: "n" }, "all lights"),
          lights.map((light) => el("th", { scope: "col", class: "n" }, light)),
        ),
      ),
      kinds.map(([kind, points]) =>
        el(
          "tbody",
          {},
          band(kind, points),
          points.map((point) =>
            el(
              "tr",
              {},
              el("th", { scope: "row" }, point),
              cell(kind, point, ""),
              lights.map((light) => cell(kind, point, light)),
            ),
          ),
        ),
      ),
      figures.length
        ? el(
            "tbody",
            {},
            el("tr", { class: "band" }, el("th", { scope: "colgroup", colspan: lights.length + 2 }, "Figures")),
            figures.map((k) =>
              el(
                "tr",
                {},
                el("th", { scope: "row" }, withUnit({ label: readings[k].point, unit: readings[k].unit })),
                el("td", { class: "n strong" }, valueText(k, row)),
              ),
            ),
          )
        : null,
    ),
  );
}

// What checks ask to look at; all that they found only where the sheet is open.
function warningList(row, open) {
  const words = checks.flatMap((name, k) =>
    rows.checks[k][row] > 0 ? [[name, (rows.remarks[k][row] ?? "").split("; ").filter(Boolean)]] : [],
  );
  if (!words.length) return checks.length ? el("p", { class: "clear" }, "Every check is in order.") : null;
  return el(
    "ul",
    { class: "warnings", "aria-label": "Checks that ask for a look" },
    words.map(([name, [first, ...more]]) =>
      el(
        "li",
        {},
        el("b", {}, name),
        first ? `: ${first}` : "",
        more.length && !open ? "; …" : "",
        more.length && open
          ? el(
              "ul",
              {},
              more.map((text) => el("li", {}, text)),
            )
          : null,
      ),
    ),
  );
}

export function scoreText(row) {
  if (!isNumber(rows.score[row])) return "";
  return `${fixed(rows.score[row], 2)} stops off the wishes`;
}

/**
 * A variation's sheet; `onOpen` is called with the row where its picture is pressed.
 * @param {number} row
 * @typedef {"h2" | "h3" | "h4"} Heading
 * @param {{open?: boolean, heading?: Heading, id?: string | null, onOpen?: ((row: number) => void) | null}} [as]
 */
export function sheet(row, { open = false, heading = "h3", id = null, onOpen = null } = {}) {
  const place = rows.rank[row];
  const name = el(heading, { id }, rows.id[row]);
  const details = el("details", { class: "more" }, el("summary", {}, "Readings, light by light"), readingTable(row));
  details.open = open;
  return el(
    "article",
    { class: "sheet", "data-row": row, "aria-label": `Sheet of ${rows.id[row]}` },
    el(
      "div",
      { class: "mat" },
      rows.picture[row] && onOpen
        ? button("", () => onOpen(row), { class: "bare", "aria-label": `Open the sheet of ${rows.id[row]}` })
        : null,
      picture(row, { eager: true }),
    ),
    el(
      "div",
      { class: "words" },
      el(
        "div",
        { class: "head" },
        place === null
          ? null
          : el("span", { class: "place" }, el("span", { class: "unseen" }, "Place "), String(place)),
        el("div", {}, name, el("p", { class: "soft" }, scoreText(row))),
        isFailed(row) ? null : pickBox(row, true),
      ),
      isFailed(row) ? el("p", { class: "warnings" }, rows.reason[row]) : null,
      el(heading === "h2" ? "h3" : "h4", { class: "part" }, hasBase ? "Differs from the base" : "Settings"),
      differences(row),
      isFailed(row) ? null : [wishTable(row), warningList(row, open), details],
    ),
  );
}
