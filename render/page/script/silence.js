/** Versions without sound: told, since a flat line could as well be a fault of the page. */
import { counted } from "./words.js";

/** @param {import("./content.js").Version} version */
function silent({ peaks }) {
  return peaks.every((value) => value === 0);
}

/**
 * What is to be said of an excerpt; "" where everything sounds.
 * @param {import("./content.js").Version[]} versions
 * @param {boolean} named whether it may be said which
 * @returns {string}
 */
export function silenceOf(versions, named) {
  const found = versions.flatMap((version, index) => (silent(version) ? [index + 1] : []));
  if (!found.length) return "";
  if (found.length === versions.length) return "There is no sound in this excerpt: nothing to hear here.";
  if (!named) return `${counted(found.length, "version")} of these ${versions.length} without any sound.`;
  return `No sound in ${found.length > 1 ? "versions" : "version"} ${found.join(", ")}.`;
}
