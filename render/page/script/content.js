/**
 * What the page shows, as it lies in it.
 *
 * @typedef {object} Version
 * @property {string} name
 * @property {string} title
 * @property {string} sound
 * @property {number} frames
 * @property {number} sample_rate_hz
 * @property {number | null} loudness_before_lufs
 * @property {number} gain_db
 * @property {number | null} true_peak_dbtp
 * @property {number} limiter_max_reduction_db
 * @property {number | null} loudness_range_lu
 * @property {number[]} spectrum_db
 * @property {(number | null)[]} side_to_mid_db
 * @property {(number | null)[]} correlation
 * @property {number | null} mono_loss_lu
 * @property {number[]} peaks lowest, highest, lowest, highest ...
 * @property {boolean} [matched] whether it is at the page's loudness: unless it is said, yes
 *
 * @typedef {{ name: string, title?: string, from_s: number, to_s: number, versions: Version[] }} Excerpt
 * @typedef {{ name: string, excerpts: Excerpt[], unmatched?: string }} Take
 *
 * @typedef {object} Content
 * @property {string} title
 * @property {string} identity
 * @property {Take[]} takes
 * @property {number[]} octave_hz
 * @property {number[]} band_hz
 * @property {number} loudness_lufs
 * @property {string} [loudness_because] how that was chosen
 * @property {boolean} [complete] whether the sounds lie in the page; else in the folder beside it
 * @property {{ format: string, version: number }} votes
 */

/** @returns {Content} */
export function readContent() {
  return JSON.parse(document.getElementById("content")?.textContent ?? "");
}
