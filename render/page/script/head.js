/** What stands at the top of the page: its title, what it holds, and a caution. */
import { make } from "./dom.js";
import { matchedOf } from "./remarks.js";
import { counted, number } from "./words.js";

/**
 * @param {import("./content.js").Content} content
 * @returns {HTMLElement}
 */
export function pageHead(content) {
  return make(
    "header",
    {},
    make("p", { class: "kind" }, "Listening page"),
    make("h1", {}, content.title),
    make("p", { class: "lead" }, lead(content)),
    caution(),
  );
}

/** @param {import("./content.js").Content} content */
function lead({ takes, loudness_lufs: loudness, loudness_because: because }) {
  const counts = takes.flatMap(({ excerpts }) => excerpts.map(({ versions }) => versions.length));
  const [least, most] = [Math.min(...counts), Math.max(...counts)];
  const each = least === most ? counted(most, "version") : `${least} to ${most} versions`;
  const reason = because ? `, ${because}` : "";
  const apart = takes.filter(({ excerpts }) => excerpts.some(unmatchedIn)).map(({ name }) => name);
  const but = apart.length ? `; but not all of ${apart.join(", ")}: see there` : "";
  return (
    `${counted(takes.length, "take")}, ${each} of each, all at the same loudness, ` +
    `${number(loudness)}\u00a0LUFS${reason}${but}. ` +
    "When you switch, the next version goes on where the last one was."
  );
}

/** @param {import("./content.js").Excerpt} excerpt */
function unmatchedIn({ versions }) {
  return matchedOf(versions).length < versions.length;
}

/**
 * What belongs to the page.
 * @param {import("./content.js").Content} content
 * @returns {string}
 */
export function belongings({ complete }) {
  return complete === false
    ? "This page needs the folder \u201csound\u201d beside it: send both. It asks nothing of any network."
    : "This page is complete in itself and asks nothing of any network.";
}

function caution() {
  return make(
    "p",
    { class: "caution", id: "caution" },
    make("strong", {}, "Before you listen: "),
    "start at a moderate level, on headphones especially. Playback starts quiet, at \u221212\u00a0dB. ",
    "Raise it slowly; what sounds fine for a minute can be too much for an hour.",
  );
}
