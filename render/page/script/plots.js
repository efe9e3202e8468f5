/** Pictures of an excerpt's versions: spectra, width and correlation; and the same figures as tables. */
import { plotCurves } from "./axes.js";
import { draw, make, table } from "./dom.js";
import { frequency, number, signed } from "./words.js";

/** @typedef {import("./content.js").Version} Version */

/**
 * Spectra in third octaves, or what lies between them and one of them.
 * @param {{ versions: Version[], bandHz: number[], chosen: number, against: number | null, width: number }} what
 */
export function spectra({ versions, bandHz, chosen, against, width }) {
  const curves = versions.map(({ spectrum_db: values }, index) => ({
    index,
    values:
      against === null ? values : values.map((value, band) => value - versions[against].spectrum_db[band]),
  }));
  const all = curves.flatMap(({ values }) => values);
  const scale = against === null ? fromTop(all) : aroundZero(all);
  return plotCurves({
    name:
      against === null
        ? "Spectrum of every version in third octaves, in decibels over frequency; the figures are in the table below"
        : `Spectrum of every version less that of version ${against + 1}, in decibels over frequency`,
    hz: bandHz,
    curves,
    chosen,
    ...scale,
    unit: "dB",
    width,
    height: Math.round(Math.min(340, 140 + width / 4)),
  });
}

/**
 * Level of the side against the middle, octave by octave.
 * @param {{ versions: Version[], octaveHz: number[], chosen: number, width: number }} what
 */
export function widths({ versions, octaveHz, chosen, width }) {
  const curves = versions.map(({ side_to_mid_db: values }, index) => ({ index, values }));
  const all = curves.flatMap(({ values }) => values.filter((value) => value !== null));
  const high = Math.min(12, Math.max(0, Math.ceil(Math.max(0, ...all) / 6) * 6));
  const low = Math.max(-48, Math.min(-24, Math.floor(Math.min(0, ...all) / 12) * 12));
  return plotCurves({
    name: "Side against mid by octave, in decibels: higher is wider",
    hz: octaveHz,
    curves,
    chosen,
    low,
    high,
    step: 12,
    unit: "dB",
    width,
    height: 190,
    dots: true,
  });
}

/**
 * Correlation of left and right, octave by octave.
 * @param {{ versions: Version[], octaveHz: number[], chosen: number, width: number }} what
 */
export function correlations({ versions, octaveHz, chosen, width }) {
  return plotCurves({
    name: "Correlation of left and right by octave: 1 is mono, 0 is unlike, below 0 loses in mono",
    hz: octaveHz,
    curves: versions.map(({ correlation: values }, index) => ({ index, values })),
    chosen,
    low: -1,
    high: 1,
    step: 0.5,
    unit: "",
    width,
    height: 190,
    dots: true,
  });
}

/** @param {number[]} values */
function fromTop(values) {
  const high = Math.ceil(Math.max(...values) / 10) * 10;
  const low = Math.max(high - 80, Math.floor(Math.min(...values) / 10) * 10);
  return { low: Math.min(low, high - 20), high, step: 10 };
}

/** @param {number[]} values */
function aroundZero(values) {
  const reach = Math.min(24, Math.max(3, ...values.map((value) => Math.ceil(Math.abs(value) / 3) * 3)));
  return { low: -reach, high: reach, step: reach > 12 ? 6 : 3 };
}

/**
 * @param {Version[]} versions
 * @param {number[]} bandHz
 */
export function spectraTable(versions, bandHz) {
  return folded(
    "Spectra as a table",
    table(
      "Level in third octaves, dB",
      ["Hz", ...versions.map((_, index) => String(index + 1))],
      bandHz.map((hz, band) => [
        frequency(hz),
        ...versions.map((version) => number(version.spectrum_db[band])),
      ]),
    ),
  );
}

/**
 * @param {Version[]} versions
 * @param {number[]} octaveHz
 */
export function stereoTable(versions, octaveHz) {
  return folded(
    "Width and correlation as a table",
    table(
      "Side against mid in dB, and correlation of left and right, by octave",
      ["Hz", ...versions.map((_, index) => String(index + 1))],
      octaveHz.map((hz, octave) => [
        frequency(hz),
        ...versions.map(
          ({ side_to_mid_db: width, correlation }) =>
            `${signed(width[octave])} | ${number(correlation[octave], 2)}`,
        ),
      ]),
    ),
  );
}

/**
 * @param {string} words
 * @param {Node} content
 */
function folded(words, content) {
  return make(
    "details",
    { "aria-label": words },
    make("summary", {}, words),
    make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": words }, content),
  );
}

/**
 * A waveform: one column of the picture from the lowest to the highest sample.
 * @param {number[]} peaks lowest, highest, lowest, highest ...
 * @param {number} highest what reaches the edge
 */
export function waveform(peaks, highest) {
  const columns = peaks.length / 2;
  const scale = highest > 0 ? 0.96 / highest : 0;
  let upper = "";
  let lower = "";
  for (let column = 0; column < columns; column += 1) {
    // never thinner than a hair, so that silence is a line
    const low = Math.min(peaks[2 * column] * scale, -0.006);
    const high = Math.max(peaks[2 * column + 1] * scale, 0.006);
    upper += `${column ? "L" : "M"}${column + 0.5} ${(-high).toFixed(4)}`;
    lower = `L${column + 0.5} ${(-low).toFixed(4)}${lower}`;
  }
  return draw(
    "svg",
    { viewBox: `0 -1 ${columns} 2`, preserveAspectRatio: "none", "aria-hidden": "true", class: "wave" },
    draw("path", { d: `${upper}${lower}Z` }),
  );
}

/**
 * Lowest and highest of all versions, the same whichever is heard.
 * @param {Version[]} versions
 * @returns {number[]}
 */
export function commonPeaks(versions) {
  const length = Math.min(...versions.map(({ peaks }) => peaks.length));
  return Array.from({ length }, (_, i) => {
    const values = versions.map(({ peaks }) => peaks[i]);
    return i % 2 ? Math.max(...values) : Math.min(...values);
  });
}
