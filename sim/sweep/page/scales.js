// Axes of the charts: round ticks, lines, numbers, names; and the legend of a colour scale.
import { svg } from "../../web/elements.js";
import { digitsOf, isNumber, niceStep, shownNumber, withUnit } from "./data.js";
import { clipped } from "./elements.js";

export function ticksOf(low, high, most = 8) {
  const step = niceStep((high - low) / most);
  const first = Math.ceil(low / step - 1e-9),
    last = Math.floor(high / step + 1e-9);
  const values = Array.from({ length: last - first + 1 }, (_, i) => Number(((first + i) * step).toFixed(9)));
  return { values, digits: digitsOf(step) };
}

// Room around the data, so that no mark lies on the frame.
export function widened(values, extra = []) {
  const found = [...values, ...extra].filter(isNumber);
  if (!found.length) return [-1, 1];
  const low = found.reduce((a, b) => Math.min(a, b)),
    high = found.reduce((a, b) => Math.max(a, b));
  const room = Math.max((high - low) * 0.05, 0.05);
  return [low - room, high + room];
}
/** @type {(from: number[], to: number[]) => (value: number) => number} */
export const linear =
  ([low, high], [from, to]) =>
  (value) =>
    from + ((value - low) / (high - low)) * (to - from);

export function colorLegend(scale, measure) {
  const width = 300,
    left = 12,
    x = linear([scale.low, scale.high], [left, width - left]);
  const { values, digits } = ticksOf(scale.low, scale.high, 6);
  const steps = 60,
    strips = Array.from({ length: steps }, (_, i) => {
      const value = scale.low + ((i + 0.5) / steps) * (scale.high - scale.low);
      return svg("rect", {
        x: left + ((width - 2 * left) * i) / steps,
        y: 18,
        width: (width - 2 * left) / steps + 0.4,
        height: 14,
        fill: scale.color(value),
      });
    });
  return svg(
    "svg",
    {
      width,
      height: 54,
      viewBox: `0 0 ${width} 54`,
      role: "img",
      class: "ramp",
      "aria-label":
        `Colours of ${withUnit(measure)}: ` +
        `from ${shownNumber(measure, scale.low, 2)} to ${shownNumber(measure, scale.high, 2)}`,
    },
    svg("text", { x: left, y: 12, class: "axis-name" }, clipped(withUnit(measure), width - 2 * left)),
    strips,
    svg("rect", {
      x: left,
      y: 18,
      width: width - 2 * left,
      height: 14,
      fill: "none",
      stroke: "#14181d",
      "stroke-width": 0.7,
    }),
    values.map((v) =>
      svg(
        "g",
        {},
        svg("path", { d: `M${x(v)} 32v4`, stroke: "#14181d" }),
        svg("text", { x: x(v), y: 48, "text-anchor": "middle" }, shownNumber(measure, v, digits)),
      ),
    ),
  );
}

// Draw again when a chart's box changes width.
export function onWidth(node, act) {
  let last = 0;
  new ResizeObserver(() => {
    if (Math.abs(node.clientWidth - last) < 1) return;
    last = node.clientWidth;
    act();
  }).observe(node);
}
