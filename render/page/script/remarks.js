/** What has to be known of an excerpt before it is judged: versions without sound, or at a loudness of their own. */
import { counted } from "./words.js";

/** @param {import("./content.js").Version} version */
function silent({ peaks }) {
  return peaks.every((value) => value === 0);
}

/**
 * Indices of the versions at the page's loudness: only these can be judged fairly.
 * @param {import("./content.js").Version[]} versions
 * @returns {number[]}
 */
export function matchedOf(versions) {
  return versions.flatMap(({ matched }, index) => (matched === false ? [] : [index]));
}

/**
 * What is to be said of an excerpt; "" where there is nothing.
 * @param {import("./content.js").Take} take
 * @param {import("./content.js").Excerpt} excerpt
 * @param {boolean} named whether it may be said which versions are meant
 * @returns {string}
 */
export function remarksOn(take, { versions }, named) {
  if (versions.every(silent)) return "There is no sound in this excerpt: nothing to hear here.";
  if (named && take.unmatched) return `Not at the page\u2019s loudness: ${take.unmatched}.`;
  const own = versions.length - matchedOf(versions).length;
  return !named && own
    ? `${counted(own, "version")} of this excerpt not at the page\u2019s loudness, and left out.`
    : silenceOf(versions, named);
}

/**
 * Which have no sound: told, since a flat line could as well be a fault of the page.
 * @param {import("./content.js").Version[]} versions
 * @param {boolean} named whether it may be said which
 * @returns {string}
 */
function silenceOf(versions, named) {
  const found = versions.flatMap((version, index) => (silent(version) ? [index + 1] : []));
  if (!found.length) return "";
  if (!named) return `${counted(found.length, "version")} of these ${versions.length} without any sound.`;
  return `No sound in ${found.length > 1 ? "versions" : "version"} ${found.join(", ")}.`;
}
