/**
 * What a listener has said: kept in the browser where it may keep something, saved as a file, read back.
 *
 * The file is described in render/page/votes.py.
 */

/**
 * @typedef {object} Judgement
 * @property {string} take
 * @property {string} excerpt
 * @property {string[]} order
 * @property {Record<string, number | null>} ratings
 * @property {Record<string, number | null>} ranks
 * @property {string} note
 *
 * @typedef {"first" | "second"} Which
 * @typedef {{ x: Which, answer: Which }} Answer
 *
 * @typedef {object} Run
 * @property {string} take
 * @property {string} excerpt
 * @property {[string, string]} pair
 * @property {string} condition
 * @property {number} trials
 * @property {number} hits
 * @property {Answer[]} answers
 */

const CONDITIONS = ["stereo", "mono", "left", "right", "side", "small"];

export class Votes {
  /**
   * @param {import("./content.js").Content} content
   * @param {() => Storage} storage may throw: a page on disk is not always allowed to keep anything
   */
  constructor(content, storage) {
    this.content = content;
    this.storage = storage;
    this.key = `drytake-votes:${content.identity}`;
    this.listener = "";
    /** @type {Judgement[]} */
    this.ratings = [];
    /** @type {Run[]} */
    this.trials = [];
    this.kept = true;
    /** What was saved to a file last, or read from one, as text. */
    this.inFile = "";
    this.recall();
  }

  get empty() {
    return this.ratings.length + this.trials.length === 0;
  }

  /** Whether something would be lost with this browser. */
  get unsaved() {
    return !this.empty && this.inFile !== this.said();
  }

  /** The file was saved. */
  saved() {
    this.inFile = this.said();
    this.keep();
  }

  /** Another listener begins, or the same one anew. */
  clear({ listener = "" } = {}) {
    Object.assign(this, { listener, ratings: [], trials: [], inFile: "" });
    this.keep();
  }

  /** @returns {string} */
  said() {
    return JSON.stringify([this.listener, this.ratings, this.trials]);
  }

  /** @param {string} listener */
  setListener(listener) {
    this.listener = listener.trim();
    this.keep();
  }

  /**
   * One judgement an excerpt: a later one takes the place of an earlier.
   * @param {Judgement} judgement
   */
  addJudgement(judgement) {
    this.ratings = [...this.ratings.filter((other) => !sameExcerpt(other, judgement)), judgement];
    this.keep();
  }

  /** @param {Run} run */
  addRun(run) {
    this.trials = [...this.trials, run];
    this.keep();
  }

  /** The file's text. */
  text() {
    const { format, version } = this.content.votes;
    const votes = {
      format,
      version,
      page: this.content.identity,
      listener: this.listener,
      made_at: `${new Date().toISOString().slice(0, 19)}Z`,
      ratings: this.ratings,
      trials: this.trials,
      versions: shownVersions(this.content),
      takes: this.content.takes.map(({ name, excerpts }) => ({
        name,
        excerpts: excerpts.map((excerpt) => excerpt.name),
      })),
    };
    return `${JSON.stringify(votes, null, 1)}\n`;
  }

  /**
   * Take in a saved file; what is wrong with it is thrown in plain words, and nothing is changed then.
   * @param {string} text
   */
  read(text) {
    const votes = parsed(text);
    const { format, version, identity } = { ...this.content.votes, identity: this.content.identity };
    if (votes?.format !== format) throw new Error("This file holds no votes.");
    if (votes.version !== version)
      throw new Error(`Votes of version ${votes.version}; this page reads ${version}.`);
    if (votes.page !== identity) throw new Error("These votes were made on another page.");
    const whole =
      Array.isArray(votes.ratings) && Array.isArray(votes.trials) && typeof votes.listener === "string";
    if (!whole || !votes.ratings.every(this.fitsJudgement, this) || !votes.trials.every(this.fitsRun, this)) {
      throw new Error("The file of votes is damaged.");
    }
    if (!this.empty && this.listener && votes.listener && votes.listener !== this.listener) {
      throw new Error(
        `These are votes of \u201c${votes.listener}\u201d, here are those of \u201c${this.listener}\u201d: ` +
          "each listener's stay in a file of their own. Choose \u201cNew listener\u201d first.",
      );
    }
    const wasEmpty = this.empty;
    this.listener ||= votes.listener;
    const kept = this.ratings.filter(
      (here) => !votes.ratings.some((/** @type {Judgement} */ there) => sameExcerpt(here, there)),
    );
    this.ratings = [...kept, ...votes.ratings];
    const known = new Set(this.trials.map((run) => JSON.stringify(run)));
    this.trials = [
      ...this.trials,
      ...votes.trials.filter((/** @type {Run} */ run) => !known.has(JSON.stringify(run))),
    ];
    if (wasEmpty) this.inFile = this.said();
    this.keep();
  }

  /** @param {{ take: string, excerpt: string }} where */
  names({ take, excerpt }) {
    const found = this.content.takes
      .find(({ name }) => name === take)
      ?.excerpts.find(({ name }) => name === excerpt);
    return found ? found.versions.map(({ name }) => name) : [];
  }

  /** @param {any} judgement */
  fitsJudgement(judgement) {
    const names = this.names(judgement ?? {});
    const inRange = (/** @type {unknown} */ value, /** @type {number} */ low, /** @type {number} */ high) =>
      value === null || (typeof value === "number" && value >= low && value <= high);
    return (
      names.length > 0 &&
      Array.isArray(judgement.order) &&
      typeof judgement.note === "string" &&
      [...judgement.order].sort().join("\n") === [...names].sort().join("\n") &&
      names.every(
        (name) =>
          inRange(judgement.ratings?.[name], 0, 100) && inRange(judgement.ranks?.[name], 1, names.length),
      )
    );
  }

  /** @param {any} run */
  fitsRun(run) {
    const names = this.names(run ?? {});
    const which = ["first", "second"];
    return (
      Array.isArray(run?.pair) &&
      run.pair.length === 2 &&
      run.pair.every((/** @type {string} */ name) => names.includes(name)) &&
      CONDITIONS.includes(run.condition) &&
      Array.isArray(run.answers) &&
      run.answers.length === run.trials &&
      run.answers.every((/** @type {any} */ one) => which.includes(one?.x) && which.includes(one?.answer)) &&
      run.hits === run.answers.filter((/** @type {Answer} */ { x, answer }) => x === answer).length
    );
  }

  keep() {
    try {
      this.storage().setItem(this.key, this.text());
      this.storage().setItem(`${this.key}:file`, this.inFile);
      this.kept = true;
    } catch {
      this.kept = false;
    }
  }

  recall() {
    try {
      const [text, inFile] = [this.key, `${this.key}:file`].map((key) => this.storage().getItem(key));
      if (!text) return;
      this.read(text);
      this.inFile = inFile ?? "";
      this.keep();
    } catch {
      this.kept = false;
    }
  }
}

/**
 * Names and titles of all versions, in the page's order.
 * @param {import("./content.js").Content} content
 */
function shownVersions({ takes }) {
  const versions = takes.flatMap(({ excerpts }) => excerpts.flatMap((excerpt) => excerpt.versions));
  return [...new Map(versions.map(({ name, title }) => [name, title]))].map(([name, title]) => ({ name, title }));
}

/**
 * @param {{ take: string, excerpt: string }} one
 * @param {{ take: string, excerpt: string }} other
 */
function sameExcerpt(one, other) {
  return one.take === other.take && one.excerpt === other.excerpt;
}

/** @param {string} text */
function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    throw new Error("This file holds no votes.");
  }
}
