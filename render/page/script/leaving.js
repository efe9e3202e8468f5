/** Questions before something is lost: one dialog, asked for different reasons. */
import { button, make } from "./dom.js";

/**
 * @typedef {{ words: string, act?: () => void, main?: boolean }} Way
 */

export class Question {
  constructor() {
    this.title = make("h2", { id: "question-title" });
    this.words = make("p", {});
    this.ways = make("div", { class: "actions" });
    this.back = () => {};
    this.element = make(
      "dialog",
      { "aria-labelledby": "question-title", oncancel: () => this.back() },
      this.title,
      this.words,
      this.ways,
    );
  }

  /**
   * @param {string} title
   * @param {string} words
   * @param {Way[]} ways the first changes nothing, as does the key Escape
   */
  ask(title, words, ways) {
    this.title.textContent = title;
    this.words.textContent = words;
    this.back = ways[0].act ?? (() => {});
    const close = (/** @type {Way} */ { act }) => {
      this.element.close();
      act?.();
    };
    this.ways.replaceChildren(...ways.map((way) => button(way.words, () => close(way), { main: way.main })));
    this.element.showModal();
  }
}

/** Asks before a test is left in the middle. */
export class Leaving {
  /** @param {Question} question */
  constructor(question) {
    this.question = question;
  }

  /**
   * @param {() => void} go
   * @param {() => void} [stay]
   */
  ask(go, stay) {
    this.question.ask(
      "A test is under way",
      "Names are hidden until it ends. What is kept stays; what is not finished counts for nothing.",
      [
        { words: "Go on with it", act: stay, main: true },
        { words: "End it", act: go },
      ],
    );
  }
}
