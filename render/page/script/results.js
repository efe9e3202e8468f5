/** What this listener has said so far: a summary where names may be seen, a file to send, a file to read. */
import { button, make, table } from "./dom.js";
import { chanceByGuessing } from "./statistics.js";
import { unlettered } from "./unlettered.js";
import { NONE, counted, number, percent } from "./words.js";

/**
 * @typedef {import("./votes.js").Votes} Votes
 *
 * What the votes ask of the page.
 * @typedef {object} ResultsPage
 * @property {() => void} changed
 * @property {() => boolean} underWay whether a test has begun
 * @property {() => void} anew another listener begins: what is under way is dropped
 * @property {import("./leaving.js").Question} question
 */

export class Results {
  /**
   * @param {Votes} votes
   * @param {import("./content.js").Content} content
   * @param {ResultsPage} page
   */
  constructor(votes, content, page) {
    this.votes = votes;
    this.content = content;
    this.page = page;
    this.titles = new Map(
      content.takes.flatMap(({ excerpts }) =>
        excerpts.flatMap(({ versions }) => versions.map(({ name, title }) => [name, title])),
      ),
    );
    this.summary = make("div", {});
    this.state = make("p", { class: "detail", role: "status" });
    this.remove = button("Delete votes", () => this.askDelete());
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
      make(
        "div",
        { class: "row" },
        button("New listener", () => this.askNew()),
        this.remove,
      ),
      this.state,
    );
  }

  /** @param {boolean} hidden whether names stay hidden */
  update(hidden) {
    const { votes } = this;
    if (document.activeElement !== this.listener) this.listener.value = votes.listener;
    for (const one of [this.save, this.remove]) one.disabled = votes.empty;
    const file = votes.unsaved ? "Not saved as a file yet." : "Saved as a file.";
    const where = votes.kept
      ? `Kept in this browser. ${file}`
      : "This browser keeps nothing for this page: save before you close it.";
    this.state.textContent =
      votes.empty && votes.kept
        ? "Nothing yet. Judge without names, or take the test, and send the saved file to whoever made this page."
        : `${this.count()} ${where}`;
    const parts = hidden || votes.empty ? [] : [this.ratings(), this.letters(), this.tests()];
    this.summary.replaceChildren(...parts.filter((part) => part !== null));
  }

  count() {
    const { ratings, trials } = this.votes;
    return `${counted(ratings.length, "judgement")}, ${counted(trials.length, "test")}.`;
  }

  letters() {
    const { ratings } = this.votes;
    return ratings.length ? unlettered(ratings, this.content) : null;
  }

  ratings() {
    const { ratings } = this.votes;
    if (!ratings.length) return null;
    const judged = new Set(ratings.flatMap(({ order }) => order));
    const names = [...this.titles.keys()].filter((name) => judged.has(name)); // as in the list of versions
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

  tests() {
    const { trials } = this.votes;
    if (!trials.length) return null;
    return make(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Tests" },
      table(
        "First or second? Every finished test is here: of many for one pair, one may well succeed by luck.",
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
    const before = this.votes.listener;
    this.votes.setListener(this.listener.value);
    this.listener.blur();
    this.page.changed();
    const { empty, listener } = this.votes;
    if (!empty && before && listener !== before) {
      this.state.textContent =
        `${this.count()} What was ${before}\u2019s is now ${listener || "without a name"}. ` +
        "If someone else listens now, write the old name again and choose \u201cNew listener\u201d.";
    }
  }

  /** Whose votes are here. */
  whose() {
    const { listener } = this.votes;
    return listener ? `of \u201c${listener}\u201d` : "of a listener without a name";
  }

  /** Another listener at the same computer. */
  askNew() {
    const { votes, page } = this;
    const lost = [
      votes.unsaved ? `The votes ${this.whose()} are not saved as a file: ${this.count()}` : "",
      page.underWay() ? "What is under way and not kept counts for nothing." : "",
    ].filter(Boolean);
    if (!lost.length) return this.begin();
    const save = () => {
      this.download();
      this.begin();
    };
    return page.question.ask("Does someone else listen now?", lost.join(" "), [
      { words: "Go back" },
      ...(votes.unsaved ? [{ words: "Save, then begin", act: save, main: true }] : []),
      { words: votes.unsaved ? "Begin without saving" : "Begin", act: () => this.begin() },
    ]);
  }

  begin() {
    this.votes.clear();
    this.page.anew();
    this.state.textContent = "A new listener: your name, if you like, then listen.";
    this.listener.focus();
  }

  askDelete() {
    const { votes, page } = this;
    const stays = votes.unsaved ? "They are not saved as a file." : "A file that was saved stays.";
    page.question.ask(`Delete the votes ${this.whose()}?`, `${this.count()} ${stays}`, [
      { words: "Go back", main: true },
      {
        words: "Delete",
        act: () => {
          votes.clear({ listener: votes.listener });
          page.anew();
          this.state.textContent = "Deleted.";
        },
      },
    ]);
  }

  download() {
    const address = URL.createObjectURL(new Blob([this.votes.text()], { type: "application/json" }));
    const name = this.votes.listener.replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-+|-+$/g, "") || "votes";
    make("a", { href: address, download: `${name}.json` }).click();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
    this.votes.saved();
    this.page.changed();
  }

  async read() {
    const [file] = this.file.files;
    this.file.value = "";
    if (!file) return;
    try {
      this.votes.read(await file.text());
      this.page.changed();
    } catch (fault) {
      this.state.textContent = /** @type {Error} */ (fault).message;
    }
  }
}
