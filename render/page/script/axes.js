/** Drawing curves over frequency: axes, lines that tell apart without colour, numbers at their ends. */
import { draw } from "./dom.js";
import { frequency, number } from "./words.js";

/** Dashes of the versions, one after the other; on and off in pixels. */
const DASHES = ["", "7 3", "2 2.5", "10 3 2 3", "4 4", "14 4", "1 4", "10 3 2 3 2 3"];

/** @param {number} index */
export function dashes(index) {
  return DASHES[index % DASHES.length];
}

/**
 * A short piece of a version's line, for lists.
 * @param {number} index
 */
export function lineSample(index) {
  return draw(
    "svg",
    { class: "sample", viewBox: "0 0 36 8", width: 36, height: 8, "aria-hidden": "true" },
    draw("line", { x1: 0, y1: 4, x2: 36, y2: 4, "stroke-dasharray": dashes(index), class: "curve" }),
  );
}

/**
 * @typedef {object} Curve
 * @property {number} index which version
 * @property {(number | null)[]} values
 * @typedef {object} Plot
 * @property {string} name for those who do not see it
 * @property {number[]} hz
 * @property {Curve[]} curves
 * @property {number} chosen which version stands out
 * @property {number} low
 * @property {number} high
 * @property {number} step between lines of the grid
 * @property {string} unit
 * @property {number} width
 * @property {number} height
 * @property {boolean} [dots]
 */

const MARGIN = { left: 38, right: 30, top: 18, bottom: 24 };
const ALL_TICKS = [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000];
const FEW_TICKS = [63, 250, 1000, 4000, 16000];

/**
 * Curves over frequency.
 * @param {Plot} plot
 * @returns {SVGSVGElement}
 */
export function plotCurves(plot) {
  const { name, curves, chosen, width, height } = plot;
  const place = places(plot);
  const ordered = [...curves].sort((a, b) => Number(a.index === chosen) - Number(b.index === chosen));
  const clip = `clip-${(serial += 1)}`;
  return draw(
    "svg",
    { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": name, class: "plot" },
    draw(
      "clipPath",
      { id: clip },
      draw("rect", { x: MARGIN.left, y: MARGIN.top - 2, width: place.across, height: place.down + 4 }),
    ),
    ...grid(plot, place),
    draw("g", { "clip-path": `url(#${clip})` }, ...ordered.map((curve) => line(curve, plot, place))),
    ...endNumbers(plot, place),
  );
}

let serial = 0;

/**
 * @typedef {{ across: number, down: number, x: (hz: number) => number, y: (value: number) => number }} Places
 * @param {Plot} plot
 * @returns {Places}
 */
function places({ hz, low, high, width, height }) {
  const across = width - MARGIN.left - MARGIN.right;
  const down = height - MARGIN.top - MARGIN.bottom;
  const [first, last] = [Math.log(hz[0]), Math.log(hz[hz.length - 1])];
  return {
    across,
    down,
    x: (f) => round(MARGIN.left + (across * (Math.log(f) - first)) / (last - first)),
    y: (value) => round(MARGIN.top + (down * (high - value)) / (high - low)),
  };
}

/** @param {number} value */
function round(value) {
  return Math.round(value * 10) / 10;
}

/**
 * @param {Plot} plot
 * @param {Places} place
 */
function grid({ hz, low, high, step, unit, width, height }, { x, y }) {
  const parts = [];
  for (let value = Math.ceil(low / step) * step; value <= high + 1e-9; value += step) {
    const at = y(value);
    parts.push(
      draw("line", {
        x1: MARGIN.left,
        x2: width - MARGIN.right,
        y1: at,
        y2: at,
        class: Math.abs(value) < 1e-9 ? "axis" : "grid",
      }),
    );
    parts.push(
      draw(
        "text",
        { x: MARGIN.left - 6, y: at + 4, class: "tick", "text-anchor": "end" },
        number(value, step < 1 ? 1 : 0),
      ),
    );
  }
  for (const f of width < 480 ? FEW_TICKS : ALL_TICKS) {
    if (f < hz[0] * 0.97 || f > hz[hz.length - 1] * 1.03) continue;
    const at = x(f);
    parts.push(draw("line", { x1: at, x2: at, y1: MARGIN.top, y2: height - MARGIN.bottom, class: "grid" }));
    parts.push(draw("text", { x: at, y: height - 8, class: "tick", "text-anchor": "middle" }, frequency(f)));
  }
  parts.push(draw("text", { x: MARGIN.left - 6, y: 9, class: "tick", "text-anchor": "end" }, unit));
  parts.push(draw("text", { x: width, y: height - 8, class: "tick", "text-anchor": "end" }, "Hz"));
  return parts;
}

/**
 * @param {Curve} curve
 * @param {Plot} plot
 * @param {Places} place
 */
function line({ index, values }, { hz, chosen, dots, low, high }, { x, y }) {
  const reach = high - low; // far outside is as good as infinitely far
  const limited = (/** @type {number} */ value) => Math.min(Math.max(value, low - reach), high + reach);
  let path = "";
  let pen = "M";
  /** @type {SVGElement[]} */
  const marks = [];
  values.forEach((value, i) => {
    if (value === null) {
      pen = "M";
      return;
    }
    path += `${pen}${x(hz[i])} ${y(limited(value))}`;
    pen = "L";
    if (dots)
      marks.push(
        draw("circle", {
          cx: x(hz[i]),
          cy: y(limited(value)),
          r: index === chosen ? 2.6 : 1.8,
          class: "dot",
        }),
      );
  });
  return draw(
    "g",
    { class: index === chosen ? "chosen" : "other" },
    draw("path", { d: path, class: "curve", "stroke-dasharray": dashes(index) }),
    ...marks,
  );
}

/**
 * Numbers of the versions where their lines end, moved apart where they would meet.
 * @param {Plot} plot
 * @param {Places} place
 */
function endNumbers({ hz, curves, chosen, low, high, height }, { x, y }) {
  const ends = curves.flatMap(({ index, values }) => {
    const last = values.findLastIndex((value) => value !== null);
    if (last < 0) return [];
    const value = Math.min(Math.max(/** @type {number} */ (values[last]), low), high);
    return [{ index, at: y(value), x: Math.max(x(hz[last]), x(hz[hz.length - 1])) }];
  });
  const apart = Math.min(12, (height - 20) / Math.max(ends.length, 1));
  ends.sort((a, b) => a.at - b.at);
  for (let i = 1; i < ends.length; i += 1) ends[i].at = Math.max(ends[i].at, ends[i - 1].at + apart);
  for (let i = ends.length - 1, limit = height - MARGIN.bottom + 4; i >= 0; i -= 1) {
    ends[i].at = Math.min(ends[i].at, limit);
    limit = ends[i].at - apart;
  }
  return ends.map(({ index, at, x: end }) =>
    draw(
      "text",
      { x: end + 8, y: at + 4, class: index === chosen ? "end chosen" : "end" },
      String(index + 1),
    ),
  );
}
