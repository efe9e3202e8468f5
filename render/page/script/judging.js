/**
 * Judging without names: the versions of an excerpt stand in random order as A, B, C ..., to be rated or ranked.
 *
 * Which is which is known to this module alone until the listener ends.
 */
import { shuffled } from "./chance.js";
import { button, choice, make } from "./dom.js";
import { matchedOf } from "./remarks.js";
import { counted, letter } from "./words.js";

/** The five words of the quality scale of ITU-R BS.1284, bad at 0. */
const GRADES = ["bad", "poor", "fair", "good", "excellent"];

/**
 * @typedef {object} Draft
 * @property {number[]} order indices of the versions, as A, B, C ...
 * @property {(number | null)[]} ratings one a letter
 * @property {(number | null)[]} ranks
 * @property {string} note
 * @property {boolean} kept
 */

/**
 * What judging asks of the page.
 * @typedef {object} JudgingPage
 * @property {(version: number) => void} hear
 * @property {() => void} next
 * @property {() => void} end
 * @property {(words: string) => void} tell
 * @property {() => void} changed
 */

export class Judging {
  /**
   * @param {import("./content.js").Content} content
   * @param {import("./votes.js").Votes} votes
   * @param {JudgingPage} page
   */
  constructor(content, votes, page) {
    this.content = content;
    this.votes = votes;
    this.page = page;
    this.way = "rate";
    /** Position of the letter that is heard. */
    this.heard = 0;
    /** @type {Map<string, Draft>} */
    this.drafts = new Map();
    this.take = content.takes[0];
    this.excerpt = this.take.excerpts[0];
    this.draft = this.fresh([]);
    this.keepButton = button("", () => this.keep());
    this.warning = make("p", { class: "detail", role: "status" });
    this.element = make("section", { class: "judging", "aria-labelledby": "judging-title" });
  }

  /** Whether something would be lost, or names were seen too early, if names were shown now. */
  get begun() {
    return this.unfinished || [...this.drafts.values()].some(({ kept }) => kept);
  }

  /** Whether something was said that is not kept. */
  get unfinished() {
    return [...this.drafts.values()].some(
      ({ kept, ratings, ranks, note }) =>
        !kept && (note !== "" || [...ratings, ...ranks].some((value) => value !== null)),
    );
  }

  /** Where what is heard stands among how many. */
  get place() {
    return [this.heard, this.draft.order.length];
  }

  /** Names will be seen: what is not kept begins anew. */
  end() {
    this.drafts.clear();
  }

  /**
   * @param {import("./content.js").Take} take
   * @param {import("./content.js").Excerpt} excerpt
   */
  show(take, excerpt) {
    this.take = take;
    this.excerpt = excerpt;
    const key = JSON.stringify([take.name, excerpt.name]);
    if (!this.drafts.has(key)) this.drafts.set(key, this.fresh(matchedOf(excerpt.versions)));
    this.draft = this.drafts.get(key) ?? this.draft;
    this.build();
    if (this.draft.order.length) this.page.hear(this.draft.order[0]);
  }

  /**
   * @param {number[]} versions indices of those that are judged
   * @returns {Draft}
   */
  fresh(versions) {
    const none = () => versions.map(() => null);
    return {
      order: shuffled(versions),
      ratings: none(),
      ranks: none(),
      note: "",
      kept: false,
    };
  }

  /** @param {number} position */
  hear(position) {
    const version = this.draft?.order[position];
    if (version === undefined) return;
    this.page.hear(version);
    this.page.tell(letter(position));
  }

  /** @param {number} heard index of the version that is heard */
  update(heard) {
    const position = this.draft.order.indexOf(heard);
    this.heard = position;
    for (const input of this.element.querySelectorAll('input[name="blind"]'))
      input.checked = Number(input.value) === position;
  }

  build() {
    const { draft } = this;
    const judged = [...this.drafts.values()].filter(({ kept }) => kept).length;
    const all = this.content.takes.reduce((sum, { excerpts }) => sum + excerpts.length, 0);
    const words = draft.kept ? "Change it" : "Keep this judgement";
    this.keepButton = button(words, () => this.keep(), { main: !draft.kept });
    this.element.replaceChildren(
      make("h3", { id: "judging-title" }, "Judge without names"),
      make(
        "p",
        {},
        "The versions stand in random order. Names and figures are hidden until you end; ",
        "which letter is which changes from excerpt to excerpt.",
      ),
      ...(draft.order.length > 1 ? this.form() : [make("p", {}, this.tooFew())]),
      make(
        "div",
        { class: "actions" },
        ...(draft.order.length > 1 ? [draft.kept ? make("span", {}, "Kept.") : null, this.keepButton] : []),
        button("Next excerpt", this.page.next, { key: "E" }),
        button("End and show names", this.page.end),
        make("span", { class: "detail" }, `${judged} of ${counted(all, "excerpt")} judged`),
      ),
    );
    this.refuse();
  }

  tooFew() {
    const { length } = this.draft.order;
    return `Judging needs two versions at the page\u2019s loudness; this excerpt has ${length}.`;
  }

  form() {
    const rate = this.way === "rate";
    const words = rate
      ? "0 is bad, 100 is excellent. Between versions order and distance count, not the figure itself."
      : "1 is best. Equal ranks are allowed.";
    return [
      choice(
        "How",
        [
          { value: "rate", title: "Rate 0 to 100" },
          { value: "rank", title: "Rank" },
        ],
        this.way,
        (way) => this.setWay(way),
        { name: "way" },
      ),
      make("p", { class: "detail" }, words),
      make(
        "div",
        { class: "blind-rows", role: "group", "aria-label": "Versions without names" },
        rate ? scale() : null,
        ...this.draft.order.map((_, position) => this.row(position)),
      ),
      this.warning,
      this.note(),
    ];
  }

  /** @param {string} way */
  setWay(way) {
    this.way = way;
    this.build();
    this.element.querySelector(`input[name="way"][value="${way}"]`)?.focus();
    this.page.changed();
  }

  /** @param {number} position */
  row(position) {
    const name = letter(position);
    const hear = make("input", {
      type: "radio",
      name: "blind",
      value: position,
      onchange: () => this.hear(position),
    });
    const key = position < 10 ? make("kbd", { "aria-hidden": "true" }, String((position + 1) % 10)) : null;
    return make(
      "div",
      { class: "blind-row" },
      make("label", {}, hear, make("span", { class: "letter" }, name), key),
      this.way === "rate" ? this.rating(position, name) : this.rank(position, name),
    );
  }

  /**
   * @param {number} position
   * @param {string} name
   */
  rating(position, name) {
    const { draft } = this;
    const value = draft.ratings[position];
    const output = make("output", {}, value === null ? "not rated" : String(value));
    const input = make("input", {
      type: "range",
      min: 0,
      max: 100,
      step: 1,
      value: value ?? 50,
      "aria-label": `Rating of ${name}`,
      disabled: draft.kept,
      class: value === null ? "unset" : null,
      "aria-valuetext": value === null ? "not rated" : null,
    });
    const set = () => {
      draft.ratings[position] = Number(input.value);
      output.textContent = input.value;
      input.classList.remove("unset");
      input.removeAttribute("aria-valuetext");
      this.refuse();
    };
    input.addEventListener("input", set);
    // a click on the middle changes nothing, and means 50
    input.addEventListener("pointerup", () => draft.kept || set());
    return make("span", { class: "rating" }, input, output);
  }

  /**
   * @param {number} position
   * @param {string} name
   */
  rank(position, name) {
    const { draft } = this;
    const chosen = draft.ranks[position];
    const options = draft.order.map((_, index) =>
      make(
        "option",
        { value: index + 1, selected: chosen === index + 1 },
        index ? String(index + 1) : "1, best",
      ),
    );
    const select = make(
      "select",
      {
        "aria-label": `Rank of ${name}`,
        disabled: draft.kept,
        onchange: () => {
          draft.ranks[position] = select.value ? Number(select.value) : null;
          this.refuse();
        },
      },
      make("option", { value: "", selected: chosen === null }, "not ranked"),
      ...options,
    );
    return make("span", { class: "rating" }, select);
  }

  note() {
    const { draft } = this;
    const area = make("textarea", {
      rows: 2,
      maxlength: 2000,
      disabled: draft.kept,
      oninput: () => {
        draft.note = area.value;
      },
    });
    area.value = draft.note;
    return make("label", { class: "note" }, make("span", {}, "Note"), area);
  }

  /** Nothing can be kept where nothing was judged; what says nothing is told. */
  refuse() {
    const values = this.way === "rate" ? this.draft.ratings : this.draft.ranks;
    this.keepButton.disabled = !this.draft.kept && values.every((value) => value === null);
    const same = values[0] !== null && values.every((value) => value === values[0]);
    this.warning.textContent = same
      ? `All have the same ${this.way === "rate" ? "rating" : "rank"}: ` +
        "that says that none is better. Keep it if you mean it."
      : "";
  }

  keep() {
    const { draft, take, excerpt } = this;
    if (draft.kept) {
      draft.kept = false; // what was kept stays until this is kept
      this.build();
      this.page.changed();
      this.keepButton.focus();
      return;
    }
    // those that could not be judged stand last
    const rest = excerpt.versions.map((_, index) => index).filter((index) => !draft.order.includes(index));
    const names = [...draft.order, ...rest].map((index) => excerpt.versions[index].name);
    const given = (/** @type {(number | null)[]} */ values, /** @type {boolean} */ asked) =>
      Object.fromEntries(names.map((name, position) => [name, asked ? (values[position] ?? null) : null]));
    this.votes.addJudgement({
      take: take.name,
      excerpt: excerpt.name,
      order: names,
      ratings: given(draft.ratings, this.way === "rate"),
      ranks: given(draft.ranks, this.way === "rank"),
      note: draft.note.trim(),
    });
    draft.kept = true;
    this.build();
    this.page.changed();
    this.page.tell("Judgement kept");
    this.keepButton.focus();
  }
}

/** What the ends of the ratings mean, and what lies between. */
function scale() {
  return make(
    "div",
    { class: "blind-row grades", "aria-hidden": "true" },
    make("span", {}),
    make(
      "span",
      { class: "rating" },
      make("span", { class: "words" }, ...GRADES.map((grade) => make("span", {}, grade))),
      make("span", { class: "space" }),
    ),
  );
}
