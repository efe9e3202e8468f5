/** Judged without names: which letter was which version, with what was said of it. */
import { make, table } from "./dom.js";
import { NONE, letter, number } from "./words.js";

/** @typedef {import("./votes.js").Judgement} Judgement */

/**
 * A table for every excerpt that was judged, in the page's order, with the note under it.
 * @param {Judgement[]} judgements
 * @param {import("./content.js").Content} content
 * @returns {HTMLElement}
 */
export function unlettered(judgements, content) {
  const parts = content.takes.flatMap((take) =>
    take.excerpts.flatMap((excerpt) => {
      const judgement = judgements.find((one) => one.take === take.name && one.excerpt === excerpt.name);
      return judgement ? [judged(judgement, excerpt)] : [];
    }),
  );
  return make(
    "section",
    { class: "unlettered", "aria-label": "Which letter was which" },
    make("h3", {}, "Which letter was which"),
    make("div", { class: "pair" }, ...parts),
  );
}

/**
 * @param {Judgement} judgement
 * @param {import("./content.js").Excerpt} excerpt
 */
function judged({ take, order, ratings, ranks, note }, { name: part, title: shown, versions }) {
  const ranked = Object.values(ranks).some((rank) => rank !== null);
  const said = ranked ? ranks : ratings;
  const rows = order.map((name, position) => [
    letter(position),
    versions.find((version) => version.name === name)?.title ?? name,
    said[name] === null ? NONE : number(said[name], 0),
  ]);
  return make(
    "div",
    {},
    table(`${take}, ${shown || part}`, ["", "version", ranked ? "rank" : "rating"], rows),
    note ? make("p", { class: "note" }, `\u201c${note}\u201d`) : null,
  );
}
