// The sweep's data as the page holds it: settings, readings, rows; and how they are put into words.
import { fixed, signedStops } from "../../web/phrases.js";

export const set = JSON.parse(document.getElementById("set").textContent);
/** @type {(id: string) => any} */
export const byId = (id) => document.getElementById(id);
export const axes = set.axes;
export const readings = set.readings;
export const wishes = set.wishes;
export const checks = set.checks;
export const rows = set.rows;
export const count = rows.id.length;
export const all = Array.from({ length: count }, (_, row) => row);
export const isFailed = (row) => !rows.ok[row];
export const failedRows = all.filter(isFailed);
export const stoppedWord = (list) =>
  list.every((row) => rows.waiting[row])
    ? "not traced yet"
    : list.some((row) => rows.waiting[row])
      ? "failed or not traced yet"
      : "failed";

// -- words -----------------------------------------------------------------------------------------------------------

export const isNumber = (value) => typeof value === "number";
export const grouped = (value) => String(value).replace(/\B(?=(\d{3})+$)/g, "\u202f");
export const many = (value, one, more = `${one}s`) => `${grouped(value)} ${value === 1 ? one : more}`;
export const listed = (words) =>
  words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;

// -- settings --------------------------------------------------------------------------------------------------------

export const settingText = (axis, row) => axes[axis].texts[rows.at[axis][row]] ?? "–";
export const baseText = (axis) =>
  axes[axis].base_text || (axes[axis].base === null ? null : axes[axis].texts[axes[axis].base]);
export const isAtBase = (axis, row) => axes[axis].base !== null && rows.at[axis][row] === axes[axis].base;
export const settingsLine = (row) => axes.map((axis, k) => `${axis.label} ${settingText(k, row)}`).join(" · ");
const MOST_CLASSES = 24;

// Sort a setting's values into the classes of a picture grid or heat map: one each, or ranges where there are many.
export function classesOf(k) {
  const { texts, numbers, unit } = axes[k];
  if (texts.length <= MOST_CLASSES || !numbers.every(isNumber)) {
    return { labels: texts, of: (row) => rows.at[k][row] };
  }
  const low = Math.min(...numbers),
    high = Math.max(...numbers);
  const step = niceStep((high - low) / 8),
    first = Math.floor(low / step + 1e-9);
  const inside = (number) => Math.floor(number / step + 1e-9) - first;
  const size = inside(high) + 1,
    digits = digitsOf(step);
  const edge = (index) => fixed((first + index) * step, digits);
  const labels = Array.from({ length: size }, (_, i) => `${edge(i)} to ${edge(i + 1)}${unit ? ` ${unit}` : ""}`);
  return { labels, of: (row) => (isNumber(numbers[rows.at[k][row]]) ? inside(numbers[rows.at[k][row]]) : null) };
}

// -- what can be drawn: readings, wishes, the ranking ----------------------------------------------------------------

export const KINDS = {
  incident: ["Incident", ""],
  flat: ["Flat receptor", ", flat"],
  spot: ["Spot", ", spot"],
  figure: ["Figures", ""],
};
const lightWord = (light) => (light ? `${light} alone` : "all lights");
export const groupOf = ({ kind, light }) =>
  kind === "figure" ? KINDS.figure[0] : `${KINDS[kind][0]}, ${lightWord(light)}`;
const readingName = ({ kind, point, light }) =>
  kind === "figure" ? point : `${point}${KINDS[kind][1]}, ${lightWord(light)}`;
export const problemsOf = (row) => checks.reduce((sum, _, k) => sum + (rows.checks[k][row] > 0 ? 1 : 0), 0);
export const measures = [
  ...(rows.score.some(isNumber)
    ? [
        {
          key: "score",
          group: "Wishes",
          label: "off the wishes",
          unit: "stops",
          digits: 2,
          signed: false,
          center: null,
          best: 0,
          of: (row) => rows.score[row],
        },
      ]
    : []),
  ...wishes.map((wish, k) => ({
    key: `off-${k}`,
    group: "Wishes",
    label: `${wish.point}, off its wish`,
    unit: "stops",
    digits: 1,
    signed: true,
    center: 0,
    best: 0,
    of: (row) => rows.off[k][row],
  })),
  ...(checks.length
    ? [
        {
          key: "problems",
          group: "Checks",
          label: "checks that ask for a look",
          unit: "count",
          digits: 0,
          signed: false,
          center: null,
          best: 0,
          of: (row) => (isFailed(row) ? null : problemsOf(row)),
        },
      ]
    : []),
  ...readings.map((reading, k) => ({
    key: `r${k}`,
    group: groupOf(reading),
    label: readingName(reading),
    unit: reading.unit,
    digits: reading.digits,
    signed: reading.signed,
    center: null,
    best: null,
    of: (row) => rows.values[k][row],
  })),
];
export const measureOf = (key) => measures.find((measure) => measure.key === key) ?? measures[0];
export const shownNumber = (measure, value, digits = measure.digits) =>
  isNumber(value) ? (measure.signed ? signedStops(value, digits) : fixed(value, digits)) : "–";
export const withUnit = (measure) =>
  measure.unit && measure.unit !== "count" ? `${measure.label} (${measure.unit})` : measure.label;

// -- arithmetic ------------------------------------------------------------------------------------------------------

export function niceStep(rough) {
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].map((m) => m * power).find((step) => step >= rough * (1 - 1e-9));
}
export const digitsOf = (step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));

// Put rows in order of a value, those without one last either way; equal ones stay in the study's order.
export function sorted(list, value, down = false) {
  // A browser's sort keeps equal ones as they are (ECMAScript 2019).
  const keyed = list.map((row) => [value(row), row]);
  keyed.sort(([a], [b]) => {
    const lacksA = a === null || a === undefined,
      lacksB = b === null || b === undefined;
    if (lacksA || lacksB) return Number(lacksA) - Number(lacksB);
    return (a < b ? -1 : a > b ? 1 : 0) * (down ? -1 : 1);
  });
  return keyed.map(([, row]) => row);
}
export const bestFirst = (list) =>
  sorted(
    list.filter((row) => rows.rank[row] !== null),
    (row) => rows.rank[row],
  );
