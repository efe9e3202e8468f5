/** Drawing curves over frequency: axes, lines that tell apart without colour, numbers at their ends. */
import { draw } from "./dom.js";
import { frequency, number } from "./words.js";

/** Dashes of the versions, one after the other; on and off in pixels. */
const DASHES = [
  "",
  "7 3",
  "2 2.5",
  "10 3 2 3",
  "4 4",
  "14 4",
  "1 4",
  "10 3 2 3 2 3",
  "18 3 4 3",
  "5 2 1 2",
  "3 6",
  "12 3 1 3 1 3",
];

/** From so many on, those that are not heard are drawn fainter. */
const MANY = 6;

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

const MARGIN = { left: 38, top: 18, bottom: 24 };
const DIGIT_PX = 7;
const LABEL_PX = 12;

/** So many numbers stand one below the other where lines end together; more are joined into one. */
const MOST_BELOW = 3;
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
    {
      viewBox: `0 0 ${width} ${height}`,
      role: "img",
      "aria-label": name,
      class: curves.length >= MANY ? "plot many" : "plot",
    },
    draw(
      "clipPath",
      { id: clip },
      draw("rect", { x: MARGIN.left, y: MARGIN.top - 2, width: place.across, height: place.down + 4 }),
    ),
    ...grid(plot, place),
    draw("g", { "clip-path": `url(#${clip})` }, ...ordered.map((curve) => line(curve, plot, place))),
    ...place.ends.map((end) => endLabel(end, plot, place)),
  );
}

let serial = 0;

/**
 * Versions whose lines end together, and whether the one heard is among them.
 * @typedef {{ at: number, heard: boolean, text: string }} End
 * @typedef {object} Places
 * @property {number} across
 * @property {number} down
 * @property {(hz: number) => number} x
 * @property {(value: number) => number} y
 * @property {End[]} ends
 * @param {Plot} plot
 * @returns {Places}
 */
function places(plot) {
  const { hz, low, high, width, height } = plot;
  const down = height - MARGIN.top - MARGIN.bottom;
  const y = (/** @type {number} */ value) => round(MARGIN.top + (down * (high - value)) / (high - low));
  const ends = endsOf(plot, y);
  const digits = Math.max(2, ...ends.map(({ heard, text }) => text.length + (heard ? 3 : 0)));
  const across = width - MARGIN.left - 16 - DIGIT_PX * digits;
  const [first, last] = [Math.log(hz[0]), Math.log(hz[hz.length - 1])];
  return {
    across,
    down,
    x: (f) => round(MARGIN.left + (across * (Math.log(f) - first)) / (last - first)),
    y,
    ends,
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
function grid({ hz, low, high, step, unit, width, height }, { across, x, y }) {
  const parts = [];
  for (let value = Math.ceil(low / step) * step; value <= high + 1e-9; value += step) {
    const at = y(value);
    parts.push(
      draw("line", {
        x1: MARGIN.left,
        x2: MARGIN.left + across,
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
  parts.push(draw("text", { x: 0, y: height - 8, class: "tick" }, "Hz"));
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
 * Where the lines end; of those that end together a few have their numbers one below the other, more are joined.
 * @param {Plot} plot
 * @param {(value: number) => number} y
 * @returns {End[]}
 */
function endsOf({ curves, low, high, chosen }, y) {
  const ends = curves.flatMap(({ index, values }) => {
    const last = values.findLast((value) => value !== null);
    return last == null ? [] : [{ at: y(Math.min(Math.max(last, low), high)), indices: [index] }];
  });
  ends.sort((a, b) => a.at - b.at);
  const rows = (/** @type {number[]} */ indices) => (indices.length > MOST_BELOW ? 1 : indices.length);
  for (let i = 1; i < ends.length; ) {
    const [one, next] = [ends[i - 1], ends[i]];
    if (next.at - one.at >= (LABEL_PX * (rows(one.indices) + rows(next.indices))) / 2) i += 1;
    else {
      const [few, more] = [one.indices.length, next.indices.length];
      const at = (one.at * few + next.at * more) / (few + more);
      ends.splice(i - 1, 2, { at, indices: [...one.indices, ...next.indices] });
      i = Math.max(1, i - 1);
    }
  }
  return ends.flatMap(({ at, indices }) => {
    if (indices.length <= MOST_BELOW)
      return indices.map((index, row) => ({
        at: at + LABEL_PX * (row - (indices.length - 1) / 2),
        heard: index === chosen,
        text: String(index + 1),
      }));
    const others = indices.filter((index) => index !== chosen).sort((a, b) => a - b);
    const text = spans(others).join(", ");
    return { at, heard: others.length < indices.length, text };
  });
}

/**
 * Numbers of versions, neighbours joined: 1, 3 to 5.
 * @param {number[]} indices ascending
 * @returns {string[]}
 */
function spans(indices) {
  /** @type {number[][]} */
  const runs = [];
  for (const index of indices) {
    const run = runs[runs.length - 1];
    if (run && run[run.length - 1] === index - 1) run.push(index);
    else runs.push([index]);
  }
  return runs.map((run) => {
    const [from, to] = [run[0] + 1, run[run.length - 1] + 1];
    if (from === to) return String(from);
    return to === from + 1 ? `${from}, ${to}` : `${from}\u2013${to}`;
  });
}

/**
 * @param {End} end
 * @param {Plot} plot
 * @param {Places} place
 */
function endLabel({ at, heard, text }, { chosen }, { across }) {
  const own = String(chosen + 1);
  return draw(
    "text",
    { x: MARGIN.left + across + 8, y: at + 4, class: "end" },
    heard ? draw("tspan", { class: "chosen" }, own) : null,
    heard && text !== own ? `, ${text}` : null,
    heard ? null : text,
  );
}
