/** What stands at the top of the page: its title, what it holds, and a caution. */
import { make } from "./dom.js";
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
function lead({ takes, loudness_lufs: loudness }) {
  const counts = takes.flatMap(({ excerpts }) => excerpts.map(({ versions }) => versions.length));
  const [least, most] = [Math.min(...counts), Math.max(...counts)];
  const each = least === most ? counted(most, "version") : `${least} to ${most} versions`;
  return (
    `${counted(takes.length, "take")}, ${each} of each, all at the same loudness, ${number(loudness)}\u00a0LUFS. ` +
    "When you switch, the next version goes on where the last one was."
  );
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
