/** The test "is X the first or the second?": choosing it, going through it, and its outcome. */
import { CONDITIONS } from "./conditions.js";
import { button, choice, make } from "./dom.js";
import { matchedOf } from "./remarks.js";
import { TRIALS, TrialRun, aim, meaning } from "./trial_run.js";

const NAMES = /** @type {const} */ (["first", "second", "x"]);
const WORDS = { first: "First", second: "Second", x: "X" };

/** @typedef {(typeof NAMES)[number]} Name */

/**
 * What the test asks of the page.
 * @typedef {object} TellingPage
 * @property {(version: number) => void} hear
 * @property {() => boolean} playing
 * @property {() => string} condition
 * @property {(fixed: boolean) => void} fix
 * @property {(words: string) => void} tell
 * @property {() => void} changed
 */

export class Telling {
  /**
   * @param {import("./votes.js").Votes} votes
   * @param {TellingPage} page
   */
  constructor(votes, page) {
    this.votes = votes;
    this.page = page;
    this.chosen = { one: 0, other: 1, trials: 16 };
    /** @type {TrialRun | null} */
    this.run = null;
    /** @type {Name} */
    this.heard = "first";
    this.heardX = false;
    this.condition = "";
    this.take = votes.content.takes[0];
    this.excerpt = this.take.excerpts[0];
    this.names = make("div", {});
    this.hint = make("p", {});
    /** @type {HTMLButtonElement[]} */
    this.answers = [];
    this.element = make("section", { class: "telling", "aria-labelledby": "telling-title" });
  }

  get begun() {
    return this.run !== null;
  }

  /** Where what is heard stands among how many. */
  get place() {
    return [NAMES.indexOf(this.heard), NAMES.length];
  }

  /** Leave a test unfinished: it counts for nothing. */
  end() {
    this.run = null;
    this.page.fix(false);
  }

  /**
   * @param {import("./content.js").Take} take
   * @param {import("./content.js").Excerpt} excerpt
   */
  show(take, excerpt) {
    this.take = take;
    this.excerpt = excerpt;
    const fair = matchedOf(excerpt.versions);
    const { one, other } = this.chosen;
    if (!fair.includes(one) || !fair.includes(other) || one === other)
      Object.assign(this.chosen, { one: fair[0], other: fair[1] });
    this.buildChoice();
  }

  buildChoice() {
    const { versions } = this.excerpt;
    const fair = matchedOf(versions);
    if (fair.length < 2) {
      this.element.replaceChildren(
        make("p", {}, `A test needs two versions at the page\u2019s loudness; this excerpt has ${fair.length}.`),
      );
      return;
    }
    const goal = make("p", { class: "detail" }, aim(this.chosen.trials));
    const start = button("Begin", () => this.begin(), { main: true });
    const words = { one: "Version", other: "against" };
    /** @type {Record<string, HTMLLabelElement>} */
    const labels = {};
    // the same twice is no test: the other one takes what this one had
    const set = (/** @type {"one" | "other"} */ which, /** @type {number} */ value) => {
      const rest = which === "one" ? "other" : "one";
      const before = this.chosen[which];
      this.chosen[which] = value;
      if (this.chosen[rest] !== value) return;
      this.chosen[rest] = before;
      /** @type {HTMLSelectElement} */ (labels[rest].querySelector("select")).value = String(before);
      this.page.tell(`${words[rest]}: ${before + 1}, ${versions[before].title}`);
    };
    for (const which of /** @type {const} */ (["one", "other"])) {
      labels[which] = this.select(
        words[which],
        fair.map((index) => [index, `${index + 1}  ${versions[index].title}`]),
        this.chosen[which],
        (value) => set(which, value),
      );
    }
    this.element.replaceChildren(
      make("h3", { id: "telling-title" }, "Can you tell them apart?"),
      make(
        "p",
        {},
        "Two versions become \u201cthe first\u201d and \u201cthe second\u201d. In every trial X is one of them, ",
        "drawn by chance; you say which. Listen as often as you like. ",
        "The score is told after the last trial, not before.",
      ),
      make(
        "div",
        { class: "row" },
        labels.one,
        labels.other,
        this.select(
          "Trials",
          TRIALS.map((count) => [count, String(count)]),
          this.chosen.trials,
          (value) => {
            this.chosen.trials = value;
            goal.textContent = aim(value);
          },
        ),
      ),
      ...(fair.length < versions.length
        ? [
            make(
              "p",
              { class: "detail" },
              "Versions that are not at the page\u2019s loudness are left out: the louder would be told by that.",
            ),
          ]
        : []),
      goal,
      make(
        "p",
        { class: "detail" },
        "The number of trials is fixed before the first, and how it is heard stays as it is now. ",
        "A test that is broken off counts for nothing. ",
        "Method: D. Clark, J. Audio Eng. Soc. 30(5), 1982; ITU-R BS.1116-3.",
      ),
      make("div", { class: "actions" }, start),
    );
  }

  /**
   * @param {string} words
   * @param {(number | string)[][]} options
   * @param {number} chosen
   * @param {(value: number) => void} set
   */
  select(words, options, chosen, set) {
    const select = make(
      "select",
      { "aria-label": words, onchange: () => set(Number(select.value)) },
      ...options.map(([value, text]) => make("option", { value, selected: value === chosen }, String(text))),
    );
    return make("label", {}, make("span", {}, words), select);
  }

  begin() {
    this.run = new TrialRun([this.chosen.one, this.chosen.other], this.chosen.trials);
    this.condition = this.page.condition();
    this.page.fix(true);
    this.trial();
  }

  /** One trial, from the beginning: the first is heard, X has not been. */
  trial() {
    const run = /** @type {TrialRun} */ (this.run);
    this.heardX = false;
    const spoken = `Trial ${run.answers.length + 1} of ${run.trials}`;
    this.names = choice(
      "Hear",
      NAMES.map((name) => ({ value: name, title: WORDS[name] })),
      "first",
      (name) => this.hear(/** @type {Name} */ (name)),
      { name: "telling", className: "letters" },
    );
    this.answers = /** @type {const} */ (["first", "second"]).map((name) =>
      button(`X is the ${name}`, () => this.answer(name), { key: name[0].toUpperCase(), main: true }),
    );
    this.hint = make("p", { class: "detail" }, "Play, and listen to X, before you answer.");
    const condition = CONDITIONS.find(({ name }) => name === this.condition)?.title;
    this.element.replaceChildren(
      make("h3", { id: "telling-title" }, spoken),
      make("p", { class: "detail" }, `Heard as: ${condition}.`),
      this.names,
      this.hint,
      make(
        "div",
        { class: "actions" },
        ...this.answers,
        button("Break off", () => this.leave()),
      ),
    );
    this.hear("first");
    this.page.tell(spoken);
  }

  /** @param {"first" | "second" | "x"} name */
  hear(name) {
    if (!this.run || this.run.done) return;
    this.heard = name;
    this.page.hear(this.run.version(name));
    this.page.tell(WORDS[name]);
    this.update();
  }

  update() {
    if (!this.run || this.run.done) return;
    if (this.heard === "x" && this.page.playing()) this.heardX = true;
    for (const input of this.names.querySelectorAll("input")) input.checked = input.value === this.heard;
    for (const answer of this.answers) answer.disabled = !this.heardX;
    this.hint.classList.toggle("unseen", this.heardX);
  }

  /** @param {"first" | "second"} name */
  answer(name) {
    if (!this.run || this.run.done || !this.heardX) return;
    this.run.answer(name);
    if (this.run.done) this.finish(this.run);
    else {
      this.trial();
      this.names.querySelector("input")?.focus();
    }
  }

  leave() {
    this.end();
    this.page.changed();
    this.buildChoice();
  }

  /** @param {TrialRun} run */
  finish(run) {
    const { take, excerpt } = this;
    const [first, second] = run.pair.map((index) => excerpt.versions[index]);
    this.votes.addRun({
      take: take.name,
      excerpt: excerpt.name,
      pair: [first.name, second.name],
      condition: this.condition,
      trials: run.trials,
      hits: run.hits,
      answers: run.answers,
    });
    this.end();
    this.page.changed();
    const title = make("h3", { id: "telling-title", tabindex: -1 }, "The outcome");
    this.element.replaceChildren(
      title,
      make("p", { class: "outcome" }, meaning(run.hits, run.trials)),
      make("p", {}, `The first was \u201c${first.title}\u201d, the second \u201c${second.title}\u201d.`),
      make(
        "div",
        { class: "actions" },
        button("Another test", () => this.buildChoice()),
      ),
    );
    title.focus();
  }
}
