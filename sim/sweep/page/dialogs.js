// One sheet, or several variations side by side, over the page; and the tray of the picked ones.
import { el } from "../../web/elements.js";
import { signedStops } from "../../web/phrases.js";
import {
  KINDS, all, axes, bestFirst, byId, checks, grouped, isNumber, many, readings, rows, settingText, sorted, wishes,
  withUnit,
} from "./data.js";
import { button, picture } from "./elements.js";
import { OFF_REACH, lights, offBar, scoreText, sheet, valueText } from "./sheets.js";
import { filter, pick, picked, refilter, shownRows, tell, watch } from "./state.js";

function showDialog(...content) {
  const dialog = byId("dialog");
  dialog.replaceChildren(...content);
  if (!dialog.open) dialog.showModal();
  dialog.scrollTop = 0;
}

let listOfSheet = [];
export function showSheet(row, list = bestFirst(shownRows())) {
  listOfSheet = list.includes(row) ? list : [row];
  const at = listOfSheet.indexOf(row);
  const step = (by) => () => {
    showSheet(listOfSheet[at + by], listOfSheet);
    byId(by < 0 ? "sheet-before" : "sheet-after").focus();
  };
  showDialog(
    el(
      "div",
      { class: "dialog-bar" },
      button("‹ Before", step(-1), { id: "sheet-before", disabled: at <= 0 }),
      button("Next ›", step(1), { id: "sheet-after", disabled: at >= listOfSheet.length - 1 }),
      el("span", { class: "soft" }, `${at + 1} of ${grouped(listOfSheet.length)}`),
      button("Close", () => byId("dialog").close(), { id: "dialog-close", class: "end" }),
    ),
    sheet(row, { open: true, heading: "h2", id: "dialog-h" }),
  );
}

const MOST_COMPARED = 12;
function showCompared(list) {
  const these = sorted(list, (row) => rows.rank[row]).slice(0, MOST_COMPARED);
  const band = (text) => el("tr", { class: "band" }, el("th", { scope: "colgroup", colspan: these.length + 1 }, text));
  const line = (label, of, differs) =>
    el(
      "tr",
      { class: differs ? "differs" : "" },
      el("th", { scope: "row" }, label),
      these.map((row) => el("td", {}, of(row))),
    );
  const unlike = (of) => new Set(these.map(of)).size > 1;
  const settings = axes.map((axis, k) =>
    line(
      axis.label,
      (row) => settingText(k, row),
      unlike((row) => settingText(k, row)),
    ),
  );
  const offs = wishes.map((wish, k) =>
    line(
      `${wish.point}, wanted ${wish.wanted}`,
      (row) =>
        isNumber(rows.off[k][row]) ? [offBar(rows.off[k][row], OFF_REACH), " ", signedStops(rows.off[k][row])] : "–",
      false,
    ),
  );
  const lines = ["incident", "flat", "spot", "figure"].flatMap((kind) => {
    const of = readings.flatMap((reading, k) => (reading.light || reading.kind !== kind ? [] : [k]));
    const name = kind === "figure" ? "Figures" : `${KINDS[kind][0]}, all lights, ${readings[of[0]]?.unit}`;
    return of.length
      ? [
          band(name),
          ...of.map((k) =>
            line(
              kind === "figure" ? withUnit({ label: readings[k].point, unit: readings[k].unit }) : readings[k].point,
              (row) => valueText(k, row),
              false,
            ),
          ),
        ]
      : [];
  });
  const asked = checks.map((name, k) =>
    line(
      name,
      (row) =>
        rows.checks[k][row] > 0 ? el("span", { class: "asks" }, rows.remarks[k][row] || "asks for a look") : "in order",
      false,
    ),
  );
  showDialog(
    el(
      "div",
      { class: "dialog-bar" },
      el("h2", { id: "dialog-h" }, `${many(these.length, "variation")} side by side`),
      list.length > these.length
        ? el("span", { class: "soft" }, `the best ${MOST_COMPARED} of ${list.length} picked`)
        : null,
      button("Close", () => byId("dialog").close(), { id: "dialog-close", class: "end" }),
    ),
    el(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Picked variations side by side" },
      el(
        "table",
        { class: "compared" },
        el(
          "thead",
          {},
          el(
            "tr",
            {},
            el("td"),
            these.map((row) =>
              el(
                "th",
                { scope: "col" },
                picture(row),
                button(rows.id[row], () => showSheet(row, these), { class: "link" }),
                el("span", { class: "soft" }, scoreText(row)),
              ),
            ),
          ),
        ),
        el(
          "tbody",
          {},
          band("Settings; bold where they differ"),
          settings,
          wishes.length ? [band("Off each wish, stops"), offs] : null,
          checks.length ? [band("Checks"), asked] : null,
          lines,
        ),
      ),
    ),
  );
}

function drawTray() {
  const tray = byId("tray");
  tray.hidden = !picked.size;
  document.body.classList.toggle("has-tray", picked.size > 0);
  if (!picked.size) return;
  const list = [...picked],
    most = 24;
  const only = button(
    "Only these",
    () => {
      filter.picked = !filter.picked;
      refilter();
      drawTray();
    },
    { "aria-pressed": filter.picked },
  );
  tray.replaceChildren(
    el("p", {}, el("b", {}, grouped(picked.size)), " picked"),
    el(
      "div",
      { class: "strip" },
      list
        .slice(0, most)
        .map((row) =>
          button("", () => showSheet(row, list), {
            class: "bare",
            title: rows.id[row],
            "aria-label": `Open the sheet of ${rows.id[row]}`,
          }),
        )
        .map((node, i) => {
          node.append(picture(list[i]));
          return node;
        }),
      list.length > most ? el("span", { class: "soft" }, `and ${grouped(list.length - most)} more`) : null,
    ),
    el(
      "div",
      { class: "buttons" },
      button("Side by side", () => showCompared(list), { id: "compare" }),
      only,
      button(
        "Unpick",
        () => {
          pick(list, false);
          tell("Nothing is picked.");
        },
        { id: "unpick" },
      ),
    ),
  );
}

export function startTray() {
  watch("shown", drawTray);
  watch("picked", drawTray);
}
