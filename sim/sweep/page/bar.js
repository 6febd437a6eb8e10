// The filter: what it offers, and what it says of itself.
import { el } from "../../web/elements.js";
import { axes, byId, checks, count, grouped, isFailed, isNumber, measureOf, measures, stoppedWord } from "./data.js";
import { button, choice, measureOptions } from "./elements.js";
import { filter, matchingRows, refilter, shownRows, watch } from "./state.js";

const FEW = 60;

function numberBox(id, label, value, act) {
  const box = el("input", {
    id,
    type: "number",
    step: "any",
    inputmode: "decimal",
    oninput: () => act(box.value === "" ? null : Number(box.value)),
  });
  if (value !== null) box.value = value;
  return el("div", { class: "choice narrow" }, el("label", { for: id }, label), box);
}

function drawFilter() {
  const form = byId("filter");
  const parts = [];
  axes.forEach((axis, k) => {
    if (axis.texts.length > FEW && axis.numbers.every(isNumber)) {
      const unit = axis.unit ? `, ${axis.unit}` : "";
      parts.push(
        numberBox(`least-${k}`, `${axis.label} from${unit}`, filter.span[k][0], (v) => {
          filter.span[k][0] = v;
          refilter();
        }),
      );
      parts.push(
        numberBox(`most-${k}`, `${axis.label} to${unit}`, filter.span[k][1], (v) => {
          filter.span[k][1] = v;
          refilter();
        }),
      );
      return;
    }
    const options = [
      ["", "any"],
      ...axis.texts.map((text, i) => [String(i), i === axis.base ? `${text} (base)` : text]),
    ];
    parts.push(
      choice(`filter-${k}`, axis.label, options, filter.at[k], (v) => {
        filter.at[k] = v;
        refilter();
      }),
    );
  });
  if (checks.length) {
    const options = [
      ["", "any verdict"],
      ["clear", "all in order"],
      ...checks.map((name, k) => [`c${k}`, `${name} is in order`]),
    ];
    parts.push(
      choice("filter-checks", "Checks", options, filter.checks, (v) => {
        filter.checks = v;
        refilter();
      }),
    );
  }
  const search = el("input", {
    id: "filter-text",
    type: "search",
    oninput: () => {
      filter.text = search.value;
      refilter();
    },
  });
  search.value = filter.text;
  parts.push(el("div", { class: "choice" }, el("label", { for: "filter-text" }, "Words in name or settings"), search));
  const limits = filter.limits.map((limit, i) =>
    el(
      "fieldset",
      { class: "limit" },
      el("legend", {}, `Limit ${i + 1}`),
      choice(`limit-${i}`, "Reading", measureOptions(), limit.key, (v) => {
        limit.key = v;
        refilter();
      }),
      numberBox(`limit-least-${i}`, "from", limit.least, (v) => {
        limit.least = v;
        refilter();
      }),
      numberBox(`limit-most-${i}`, "to", limit.most, (v) => {
        limit.most = v;
        refilter();
      }),
      button(
        "Remove",
        () => {
          filter.limits.splice(i, 1);
          drawFilter();
          refilter();
        },
        { "aria-label": `Remove limit ${i + 1}` },
      ),
    ),
  );
  form.replaceChildren(
    el("div", { class: "controls" }, parts),
    ...limits,
    el(
      "div",
      { class: "buttons" },
      button(
        "Add a limit on a reading",
        () => {
          filter.limits.push({ key: measures[0].key, least: null, most: null });
          drawFilter();
          byId(`limit-${filter.limits.length - 1}`).focus();
        },
        { id: "limit-add" },
      ),
      button("Show all again", clearFilter, { id: "filter-clear" }),
    ),
  );
}

function clearFilter() {
  Object.assign(filter, {
    at: axes.map(() => ""),
    span: axes.map(() => [null, null]),
    checks: "",
    limits: [],
    text: "",
    picked: false,
  });
  drawFilter();
  refilter();
}

// Each thing that is filtered by, in words, with what takes it away.
function reasonsOfFilter() {
  const found = [];
  axes.forEach((axis, k) => {
    if (filter.at[k] !== "")
      found.push([
        `${axis.label} ${axis.texts[filter.at[k]]}`,
        () => {
          filter.at[k] = "";
        },
      ]);
    const [least, most] = filter.span[k];
    if (least !== null || most !== null) {
      found.push([
        `${axis.label} ${least ?? "…"} to ${most ?? "…"}`,
        () => {
          filter.span[k] = [null, null];
        },
      ]);
    }
  });
  if (filter.checks) {
    const words =
      filter.checks === "clear" ? "all checks in order" : `${checks[Number(filter.checks.slice(1))]} in order`;
    found.push([
      words,
      () => {
        filter.checks = "";
      },
    ]);
  }
  if (filter.text.trim())
    found.push([
      `“${filter.text.trim()}”`,
      () => {
        filter.text = "";
      },
    ]);
  filter.limits.forEach((limit) => {
    if (limit.least === null && limit.most === null) return;
    found.push([
      `${measureOf(limit.key).label} ${limit.least ?? "…"} to ${limit.most ?? "…"}`,
      () => {
        filter.limits.splice(filter.limits.indexOf(limit), 1);
      },
    ]);
  });
  if (filter.picked)
    found.push([
      "picked ones only",
      () => {
        filter.picked = false;
      },
    ]);
  return found;
}

function drawBar() {
  const matching = matchingRows();
  const failed = matching.length - shownRows().length;
  const of = matching.length === count ? `All ${grouped(count)}` : `${grouped(matching.length)} of ${grouped(count)}`;
  byId("shown").textContent =
    `${of} variations${failed ? `, ${grouped(failed)} ${stoppedWord(matching.filter(isFailed))}` : ""}`;
  byId("chips").replaceChildren(
    ...reasonsOfFilter().map(([words, act]) =>
      button(
        `${words} ×`,
        () => {
          act();
          drawFilter();
          refilter();
        },
        { class: "chip", "aria-label": `Take away the filter ${words}` },
      ),
    ),
  );
}

export function startBar() {
  const open = byId("filter-open");
  open.addEventListener("click", () => {
    const is = open.getAttribute("aria-expanded") !== "true";
    open.setAttribute("aria-expanded", String(is));
    byId("filter").hidden = !is;
  });
  byId("filter").addEventListener("submit", (event) => event.preventDefault());
  drawFilter();
  watch("shown", drawBar);
}
