/** What this listener has said so far: a summary where names may be seen, a file to send, a file to read. */
import { button, make, table } from "./dom.js";
import { chanceByGuessing } from "./statistics.js";
import { NONE, counted, number, percent } from "./words.js";

/** @typedef {import("./votes.js").Votes} Votes */

export class Results {
  /**
   * @param {Votes} votes
   * @param {import("./content.js").Content} content
   * @param {() => void} changed
   */
  constructor(votes, content, changed) {
    this.votes = votes;
    this.changed = changed;
    this.titles = new Map(
      content.takes.flatMap(({ excerpts }) =>
        excerpts.flatMap(({ versions }) => versions.map(({ name, title }) => [name, title])),
      ),
    );
    this.summary = make("div", {});
    this.state = make("p", { class: "detail", role: "status" });
    this.listener = make("input", {
      type: "text",
      maxlength: 80,
      autocomplete: "name",
      onchange: () => this.rename(),
    });
    this.file = make("input", {
      type: "file",
      accept: ".json,application/json",
      class: "hidden",
      tabindex: -1,
      "aria-label": "File of votes",
      onchange: () => this.read(),
    });
    this.save = button("Save votes", () => this.download(), { main: true });
    this.save.disabled = true;
    this.element = make(
      "section",
      { class: "results", "aria-labelledby": "results-title" },
      make("h2", { id: "results-title" }, "Your votes"),
      this.summary,
      make(
        "div",
        { class: "row" },
        make("label", {}, make("span", {}, "Your name"), this.listener),
        this.save,
        button("Read saved votes", () => this.file.click()),
        this.file,
      ),
      this.state,
    );
  }

  /** @param {boolean} hidden whether names stay hidden */
  update(hidden) {
    const { votes } = this;
    if (document.activeElement !== this.listener) this.listener.value = votes.listener;
    this.save.disabled = votes.empty;
    const count = `${counted(votes.ratings.length, "judgement")}, ${counted(votes.trials.length, "run")}.`;
    const where = votes.kept
      ? "Kept in this browser."
      : "This browser keeps nothing for this page: save before you close it.";
    this.state.textContent =
      votes.empty && votes.kept
        ? "Nothing yet. Judge without names, or take the test, and send the saved file to whoever made this page."
        : `${count} ${where}`;
    this.summary.replaceChildren(
      ...(hidden || votes.empty ? [] : [this.ratings(), this.runs()].filter((part) => part !== null)),
    );
  }

  ratings() {
    const { ratings } = this.votes;
    if (!ratings.length) return null;
    const names = [...new Set(ratings.flatMap(({ order }) => order))];
    const mean = (/** @type {string} */ name, /** @type {"ratings" | "ranks"} */ kind) => {
      const values = /** @type {number[]} */ (
        ratings
          .map((judgement) => judgement[kind][name])
          .filter((value) => value !== null && value !== undefined)
      );
      return values.length ? number(values.reduce((sum, value) => sum + value, 0) / values.length) : NONE;
    };
    return make(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Judgements" },
      table(
        "Judged without names: means",
        ["version", "rating", "rank"],
        names.map((name) => [this.titles.get(name) ?? name, mean(name, "ratings"), mean(name, "ranks")]),
      ),
    );
  }

  runs() {
    const { trials } = this.votes;
    if (!trials.length) return null;
    return make(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Runs" },
      table(
        "Telling apart. Every finished run is here: of many tries for one pair, one may well succeed by luck.",
        ["pair", "take", "heard as", "right", "by guessing"],
        trials.map((run) => [
          run.pair
            .map((name) => this.titles.get(name) ?? name)
            .sort()
            .join(" / "),
          `${run.take}, ${run.excerpt}`,
          run.condition,
          `${run.hits} of ${run.trials}`,
          percent(chanceByGuessing(run.hits, run.trials)),
        ]),
      ),
    );
  }

  rename() {
    this.votes.setListener(this.listener.value);
    this.listener.blur();
    this.changed();
  }

  download() {
    const address = URL.createObjectURL(new Blob([this.votes.text()], { type: "application/json" }));
    const name = this.votes.listener.replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-+|-+$/g, "") || "votes";
    make("a", { href: address, download: `${name}.json` }).click();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
  }

  async read() {
    const [file] = this.file.files;
    this.file.value = "";
    if (!file) return;
    try {
      this.votes.read(await file.text());
      this.changed();
    } catch (fault) {
      this.state.textContent = /** @type {Error} */ (fault).message;
    }
  }
}
