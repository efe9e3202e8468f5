/** The versions to choose from, by name, and their figures. */
import { lineSample } from "./axes.js";
import { choice, make, table } from "./dom.js";
import { number, signed } from "./words.js";

/** @typedef {import("./content.js").Version} Version */

/**
 * @param {Version[]} versions
 * @param {number} heard
 * @param {(index: number) => void} hear
 */
export function versionList(versions, heard, hear) {
  const options = versions.map(({ title, name }, index) => ({
    value: String(index),
    title: make(
      "span",
      { class: "version" },
      make("span", { class: "number" }, String(index + 1)),
      lineSample(index),
      make(
        "span",
        {},
        make("span", { class: "title" }, title),
        title === name ? null : make("span", { class: "name" }, name),
      ),
    ),
  }));
  return choice("Version", options, String(heard), (value) => hear(Number(value)), {
    name: "version",
    className: "versions",
  });
}

const HEADS = [
  ["before", "LUFS", "loudness before matching"],
  ["gain", "dB", "what matched it"],
  ["range", "LU", "between soft and loud passages"],
  ["peak", "dBTP", "true peak, after matching"],
  ["limiter", "dB", "how far the recipe's own finish would turn its loudest peak down"],
  ["in mono", "LU", "what one loudspeaker loses of it"],
];

/** @param {Version[]} versions */
export function figures(versions) {
  const heads = HEADS.map(([words, unit, detail]) =>
    make("span", { title: detail }, words, make("small", {}, unit)),
  );
  const rows = versions.map((version, index) => [
    make("span", {}, String(index + 1), make("span", { class: "name" }, ` ${version.title}`)),
    number(version.loudness_before_lufs),
    signed(version.gain_db),
    number(version.loudness_range_lu),
    number(version.true_peak_dbtp),
    number(version.limiter_max_reduction_db),
    signed(version.mono_loss_lu),
  ]);
  return make("div", { class: "figures" }, table("Loudness, peaks, mono", ["version", ...heads], rows));
}
