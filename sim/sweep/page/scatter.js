// Any two readings against each other: one mark per variation, picked by pointer, by dragging a box or by the keyboard.
import { el, svg } from "../../web/elements.js";
import { HUES, PLAIN, SHAPES, scaleOf } from "./colours.js";
import {
  all, axes, bestFirst, byId, checks, grouped, isAtBase, isFailed, isNumber, many, measureOf, measures, problemsOf,
  readings, rows, settingText, shownNumber, stoppedWord, wishes, withUnit,
} from "./data.js";
import { showSheet } from "./dialogs.js";
import { choice, clipped, measureOptions, picture } from "./elements.js";
import { colorLegend, linear, onWidth, ticksOf, widened } from "./scales.js";
import { sheet } from "./sheets.js";
import { matchingRows, pick, picked, shownRows, tell, toggle, watch } from "./state.js";

const cloud = { x: "", y: "", tint: "", spots: [], at: null, plot: null };

function startScatterChoice() {
  const wished = wishes.map((_, k) => `off-${k}`);
  const whole = readings.flatMap((reading, k) => (reading.light ? [] : [`r${k}`]));
  const order = [...new Set([...wished, ...whole, ...measures.map((m) => m.key)])];
  cloud.x = order[0] ?? "";
  cloud.y = order[1] ?? order[0] ?? "";
  cloud.tint = axes.length ? "axis-0" : "";
}

// How marks are tinted: by a setting, by the wishes or by the checks; with what the legend shows.
function tinting(list) {
  if (cloud.tint.startsWith("axis-")) {
    const k = Number(cloud.tint.slice(5)),
      { texts, numbers, label } = axes[k];
    if (texts.length <= HUES.length) {
      return {
        look: (row) => [HUES[rows.at[k][row]] ?? PLAIN, SHAPES[rows.at[k][row]] ?? SHAPES[0]],
        legend: keyed(
          label,
          texts.map((text, i) => [HUES[i], SHAPES[i], text]),
        ),
      };
    }
    const isScaled = numbers.every(isNumber);
    const of = isScaled ? (row) => numbers[rows.at[k][row]] : (row) => rows.at[k][row];
    const scale = scaleOf(all.map(of));
    const measure = {
      label: isScaled ? label : `${label}, in the study's order`,
      unit: isScaled ? axes[k].unit : "",
      signed: false,
      digits: 2,
    };
    return {
      look: (row) => [isNumber(of(row)) ? scale.color(of(row)) : "#ffffff", SHAPES[0]],
      legend: [colorLegend(scale, measure)],
    };
  }
  if (cloud.tint === "score") {
    const measure = measureOf("score"),
      scale = scaleOf(list.map(measure.of));
    return {
      look: (row) => [isNumber(measure.of(row)) ? scale.color(measure.of(row)) : "#ffffff", SHAPES[0]],
      legend: [colorLegend(scale, measure)],
    };
  }
  if (cloud.tint === "checks") {
    return {
      look: (row) => (problemsOf(row) ? [HUES[1], SHAPES[2]] : [HUES[0], SHAPES[0]]),
      legend: keyed("checks", [
        [HUES[0], SHAPES[0], "all in order"],
        [HUES[1], SHAPES[2], "one or more ask for a look"],
      ]),
    };
  }
  return { look: () => [PLAIN, SHAPES[0]], legend: [] };
}
function keyed(title, items) {
  return [
    el(
      "ul",
      { class: "keys", "aria-label": `Colours and shapes: ${title}` },
      el("li", { class: "soft" }, title),
      items.map(([color, shape, text]) =>
        el(
          "li",
          {},
          svg(
            "svg",
            { width: 16, height: 16, viewBox: "-8 -8 16 16", "aria-hidden": "true" },
            svg("path", { d: shape, fill: color, class: "mark" }),
          ),
          text,
        ),
      ),
    ),
  ];
}

function drawScatterControls() {
  const tints = [["", "nothing"], ...axes.map((axis, k) => [`axis-${k}`, axis.label, "Settings"])];
  if (measures.some((m) => m.key === "score")) tints.push(["score", "off the wishes", "Outcome"]);
  if (checks.length) tints.push(["checks", "checks", "Outcome"]);
  byId("scatter-controls").replaceChildren(
    choice("scatter-x", "Across", measureOptions(), cloud.x, (v) => {
      cloud.x = v;
      drawScatter();
    }),
    choice("scatter-y", "Up", measureOptions(), cloud.y, (v) => {
      cloud.y = v;
      drawScatter();
    }),
    choice("scatter-tint", "Coloured by", tints, cloud.tint, (v) => {
      cloud.tint = v;
      drawScatter();
    }),
  );
}

function drawScatter() {
  const home = byId("scatter-chart"),
    mx = measureOf(cloud.x),
    my = measureOf(cloud.y);
  const drawn = shownRows().filter((row) => isNumber(mx.of(row)) && isNumber(my.of(row)));
  const left = 58,
    right = 14,
    top = 12,
    bottom = 50;
  const width = Math.max(300, Math.floor(home.clientWidth)),
    height = Math.round(Math.min(560, Math.max(330, width * 0.56)));
  const spanX = widened(drawn.map(mx.of), [mx.center]),
    spanY = widened(drawn.map(my.of), [my.center]);
  const x = linear(spanX, [left, width - right]),
    y = linear(spanY, [height - bottom, top]);
  const ticksX = ticksOf(...spanX, width < 500 ? 5 : 10),
    ticksY = ticksOf(...spanY, 8);
  const tint = tinting(drawn);
  cloud.spots = drawn.map((row) => ({ row, x: x(mx.of(row)), y: y(my.of(row)) }));
  const wish = (measure, isX) => {
    if (measure.center === null || !measure.unit) return [];
    const at = isX ? x(measure.center) : y(measure.center),
      name = "as wished";
    const line = svg("path", {
      d: isX ? `M${at} ${top}V${height - bottom}` : `M${left} ${at}H${width - right}`,
      class: "wanted",
    });
    const nearEnd = isX && at > width - right - 90;
    return [
      line,
      isX
        ? svg(
            "text",
            { x: at + (nearEnd ? -5 : 5), y: top + 12, class: "wanted-name", "text-anchor": nearEnd ? "end" : "start" },
            name,
          )
        : svg("text", { x: width - right - 4, y: at - 5, class: "wanted-name", "text-anchor": "end" }, name),
    ];
  };
  const best = new Map(
    bestFirst(drawn)
      .slice(0, 10)
      .map((row, i) => [row, i]),
  );
  const mark = ({ row, x: px, y: py }) => {
    const [color, shape] = tint.look(row);
    return svg("path", {
      d: shape,
      transform: `translate(${px} ${py})${width < 500 ? " scale(.75)" : ""}`,
      fill: color,
      class: `mark${picked.has(row) ? " picked" : ""}`,
      "data-row": row,
    });
  };
  // Draw the best last, so that no other mark covers them.
  const order = [...cloud.spots].sort((a, b) => Number(best.has(a.row)) - Number(best.has(b.row)));
  const rings = cloud.spots
    .filter((spot) => best.has(spot.row))
    .map((spot) => svg("circle", { cx: spot.x, cy: spot.y, r: 8.5, class: "ring" }));
  const drawing = svg(
    "svg",
    {
      width,
      height,
      viewBox: `0 0 ${width} ${height}`,
      role: "img",
      "aria-label": `${withUnit(my)} against ${withUnit(mx)}, ${many(drawn.length, "variation")}`,
    },
    ticksX.values.map((v) =>
      svg(
        "g",
        { class: "tick tick-x", "data-value": v },
        svg("path", { d: `M${x(v)} ${top}V${height - bottom}` }),
        svg("text", { x: x(v), y: height - bottom + 18, "text-anchor": "middle" }, shownNumber(mx, v, ticksX.digits)),
      ),
    ),
    ticksY.values.map((v) =>
      svg(
        "g",
        { class: "tick tick-y", "data-value": v },
        svg("path", { d: `M${left} ${y(v)}H${width - right}` }),
        svg("text", { x: left - 8, y: y(v) + 4, "text-anchor": "end" }, shownNumber(my, v, ticksY.digits)),
      ),
    ),
    svg("path", { d: `M${left} ${top}V${height - bottom}H${width - right}`, class: "frame-line" }),
    svg(
      "text",
      { x: (left + width - right) / 2, y: height - 8, "text-anchor": "middle", class: "axis-name" },
      clipped(withUnit(mx), width - left - right),
    ),
    svg(
      "text",
      {
        transform: `translate(15 ${(top + height - bottom) / 2}) rotate(-90)`,
        "text-anchor": "middle",
        class: "axis-name",
      },
      clipped(withUnit(my), height - top - bottom),
    ),
    wish(mx, true),
    wish(my, false),
    svg("g", { class: "marks" }, order.map(mark)),
    rings,
    svg("rect", { class: "lasso", hidden: true }),
    svg("circle", { class: "cursor", r: 11, hidden: true }),
  );
  const tip = el("div", { class: "tip", hidden: true });
  const plot = el(
    "div",
    {
      class: "plot",
      tabindex: 0,
      role: "application",
      "aria-roledescription": "scatter chart",
      "aria-label":
        `${withUnit(my)} against ${withUnit(mx)}. ` +
        "Arrow keys go from mark to mark, space picks, Enter opens the sheet.",
    },
    drawing,
    tip,
  );
  cloud.plot = { drawing, tip, width, height };
  cloud.at = cloud.spots.find((spot) => spot.row === cloud.at?.row) ?? null;
  bindPlot(plot);
  const hadFocus = home.contains(document.activeElement);
  home.replaceChildren(plot);
  if (hadFocus) plot.focus();
  const missing = shownRows().length - drawn.length,
    failed = matchingRows().length - shownRows().length;
  const left_out = [
    missing ? `${grouped(missing)} without such a reading` : "",
    failed ? `${grouped(failed)} ${stoppedWord(matchingRows().filter(isFailed))}` : "",
  ].filter(Boolean);
  byId("scatter-told").textContent =
    `${many(drawn.length, "mark")}${left_out.length ? `; not drawn: ${left_out.join(", ")}` : ""}. ` +
    "Click marks or drag a box around them to pick them: they show in the tray, the pictures and the table. " +
    (best.size ? "Rings: the best ten." : "");
  byId("scatter-legend").replaceChildren(...tint.legend);
}

function spotNear(px, py, reach) {
  let found = null,
    least = reach * reach;
  for (const spot of cloud.spots) {
    const away = (spot.x - px) ** 2 + (spot.y - py) ** 2;
    if (away <= least) [found, least] = [spot, away];
  }
  return found;
}

function showTip(spot) {
  const { tip, drawing, width, height } = cloud.plot,
    cursor = drawing.querySelector(".cursor");
  tip.hidden = !spot;
  cursor.toggleAttribute("hidden", !spot);
  if (!spot) return;
  cursor.setAttribute("cx", spot.x);
  cursor.setAttribute("cy", spot.y);
  const mx = measureOf(cloud.x),
    my = measureOf(cloud.y),
    { row } = spot;
  tip.replaceChildren(
    picture(row),
    el(
      "div",
      {},
      el("b", {}, rows.id[row]),
      el("p", {}, `${mx.label} ${shownNumber(mx, mx.of(row), 2)}`),
      el("p", {}, `${my.label} ${shownNumber(my, my.of(row), 2)}`),
      el(
        "p",
        { class: "soft" },
        axes
          .filter((_, k) => !isAtBase(k, row))
          .map((axis) => `${axis.label} ${settingText(axes.indexOf(axis), row)}`)
          .join(", ") || "as the base",
      ),
    ),
  );
  const isRight = spot.x > width / 2,
    isLow = spot.y > height / 2;
  Object.assign(tip.style, {
    left: isRight ? "auto" : `${spot.x + 16}px`,
    right: isRight ? `${width - spot.x + 16}px` : "auto",
    top: isLow ? "auto" : `${spot.y + 8}px`,
    bottom: isLow ? `${height - spot.y + 8}px` : "auto",
  });
}

// The next mark in a direction: near, and not far off to the side.
function spotToward(from, dx, dy) {
  let found = null,
    least = Infinity;
  for (const spot of cloud.spots) {
    const along = (spot.x - from.x) * dx + (spot.y - from.y) * dy,
      aside = Math.abs((spot.x - from.x) * dy) + Math.abs((spot.y - from.y) * dx);
    if (along < 0 || spot === from || (along === 0 && spot.row <= from.row) || aside > 2 * along + 1) continue;
    if (along + 2 * aside < least) [found, least] = [spot, along + 2 * aside];
  }
  return found;
}

function bindPlot(plot) {
  const { drawing } = cloud.plot,
    lasso = drawing.querySelector(".lasso");
  const placeOf = (event) => {
    const box = drawing.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  let from = null;
  drawing.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    from = placeOf(event);
    if (event.pointerType === "mouse") drawing.setPointerCapture(event.pointerId);
  });
  drawing.addEventListener("pointermove", (event) => {
    const [px, py] = placeOf(event);
    if (!from || event.pointerType !== "mouse") {
      if (event.pointerType === "mouse") showTip(spotNear(px, py, 16));
      return;
    }
    const isDrag = Math.hypot(px - from[0], py - from[1]) > 5;
    lasso.toggleAttribute("hidden", !isDrag);
    for (const [name, value] of Object.entries({
      x: Math.min(px, from[0]),
      y: Math.min(py, from[1]),
      width: Math.abs(px - from[0]),
      height: Math.abs(py - from[1]),
    }))
      lasso.setAttribute(name, value);
    if (isDrag) showTip(null);
  });
  drawing.addEventListener("pointerup", (event) => {
    if (!from) return;
    const [px, py] = placeOf(event),
      [fx, fy] = from;
    from = null;
    if (!lasso.hasAttribute("hidden")) {
      lasso.setAttribute("hidden", "");
      const inside = cloud.spots.filter(
        (s) => s.x >= Math.min(px, fx) && s.x <= Math.max(px, fx) && s.y >= Math.min(py, fy) && s.y <= Math.max(py, fy),
      );
      pick(inside.map((spot) => spot.row));
      tell(`${many(inside.length, "variation")} picked with the box.`);
      return;
    }
    const spot = spotNear(px, py, event.pointerType === "mouse" ? 12 : 24);
    if (!spot) return;
    cloud.at = spot;
    showTip(spot);
    toggle(spot.row);
  });
  drawing.addEventListener("pointercancel", () => {
    from = null;
    lasso.setAttribute("hidden", "");
  });
  drawing.addEventListener("pointerleave", () => {
    if (document.activeElement !== plot) showTip(null);
  });
  plot.addEventListener("blur", () => showTip(null));
  plot.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way && cloud.spots.length) {
      cloud.at = cloud.at
        ? (spotToward(cloud.at, ...way) ?? cloud.at)
        : (cloud.spots.find((spot) => spot.row === bestFirst(shownRows())[0]) ?? cloud.spots[0]);
      showTip(cloud.at);
      const { row } = cloud.at,
        mx = measureOf(cloud.x),
        my = measureOf(cloud.y);
      tell(
        `${rows.id[row]}: ${mx.label} ${shownNumber(mx, mx.of(row))}, ` +
          `${my.label} ${shownNumber(my, my.of(row))}${picked.has(row) ? ", picked" : ""}`,
      );
    } else if (event.key === " " && cloud.at) {
      toggle(cloud.at.row);
      tell(`${rows.id[cloud.at.row]} ${picked.has(cloud.at.row) ? "picked" : "no longer picked"}`);
    } else if (event.key === "Enter" && cloud.at)
      showSheet(
        cloud.at.row,
        cloud.spots.map((spot) => spot.row),
      );
    else if (event.key === "Escape") showTip(null);
    else return;
    event.preventDefault();
  });
}

export function startScatter() {
  startScatterChoice();
  drawScatterControls();
  watch("shown", drawScatter);
  onWidth(byId("scatter-chart"), drawScatter);
}
