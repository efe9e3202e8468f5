/** Play and stop, the passage to repeat, the level, the listening condition. */
import { CONDITIONS } from "./conditions.js";
import { button, choice, make, showChoice } from "./dom.js";
import { LOWEST_DB } from "./player.js";
import { clock, number } from "./words.js";

/**
 * Seconds of "1:05.2" or "65.2"; null if it is neither.
 * @param {string} text
 * @returns {number | null}
 */
export function secondsOf(text) {
  const match = /^\s*(?:(\d+):)?(\d+(?:[.,]\d+)?)\s*$/.exec(text);
  return match ? 60 * Number(match[1] ?? 0) + Number(match[2].replace(",", ".")) : null;
}

export class Transport {
  /**
   * @param {import("./player.js").Player} player
   * @param {{ play: () => void, fromS: () => number, here: HTMLElement }} page `here`: where the listener is
   */
  constructor(player, { play, fromS, here }) {
    this.player = player;
    this.fromS = fromS;
    this.playButton = button("Play", play, { key: "Space", main: true });
    this.againButton = button("Repeat", () => player.setAgain(!player.again), { key: "L" });
    this.from = this.moment("Passage from", "from");
    this.to = this.moment("to", "to");
    this.refusal = make("p", { class: "alert", role: "alert", hidden: true });
    /** What the refusal was about. */
    this.known = { passage: player.passage, bytes: player.bytes };
    this.clear = button("Clear", () => this.mark(null), { key: "U" });
    this.level = make("input", {
      type: "range",
      min: LOWEST_DB,
      max: 0,
      step: 1,
      value: player.levelDb,
      id: "level",
      "aria-describedby": "caution",
      oninput: () => player.setLevel(Number(this.level.value)),
    });
    this.levelText = make("output", { for: "level" }, `${number(player.levelDb, 0)} dB`);
    this.conditions = choice(
      "Heard as",
      CONDITIONS.map(({ name, title, detail }) => ({ value: name, title, detail })),
      player.condition,
      (name) => player.chooseCondition(name),
      { name: "condition", className: "conditions" },
    );
    this.conditionDetail = make("p", { class: "detail" });
    this.alert = make("p", { class: "alert", role: "alert", hidden: true });
    this.element = make(
      "div",
      { class: "transport" },
      make(
        "div",
        { class: "row" },
        this.playButton,
        this.againButton,
        here,
        make("label", { class: "level" }, make("span", {}, "Level"), this.level, this.levelText),
      ),
      this.alert,
    );
    /** What is needed less often. */
    this.more = make(
      "div",
      { class: "more" },
      make(
        "div",
        { class: "row marks" },
        this.from.label,
        this.to.label,
        button("Start here", () => this.markHere("from"), { key: "I" }),
        button("End here", () => this.markHere("to"), { key: "O" }),
        this.clear,
      ),
      this.refusal,
      this.conditions,
      this.conditionDetail,
    );
  }

  /**
   * @param {string} words
   * @param {"from" | "to"} edge
   */
  moment(words, edge) {
    const input = make("input", {
      type: "text",
      inputmode: "decimal",
      size: 7,
      placeholder: "0:00.0",
      onchange: () => this.markTyped(edge, input.value),
    });
    return { input, label: make("label", {}, make("span", {}, words), input) };
  }

  /**
   * One edge of the passage, as it was typed: a moment of the take, or nothing for the excerpt's own edge.
   * @param {"from" | "to"} edge
   * @param {string} text
   */
  markTyped(edge, text) {
    const { player } = this;
    const first = this.fromS();
    const last = first + player.frames / player.rate;
    const range = `this excerpt is ${clock(first)} to ${clock(last)}`;
    if (!text.trim()) return this.unmarkEdge(edge);
    const seconds = secondsOf(text);
    if (seconds === null)
      return this.refuse(
        `\u201c${text.trim()}\u201d is no moment: write minutes and seconds, ${clock(first)}; ${range}.`,
      );
    // what is read off the page is rounded to a tenth, and may lie outside by as much
    if (seconds < first - 0.06 || seconds > last + 0.06)
      return this.refuse(`${text.trim()} lies outside: ${range}.`);
    return this.markEdge(edge, (seconds - first) * player.rate);
  }

  /** @param {"from" | "to"} edge goes to the excerpt's own */
  unmarkEdge(edge) {
    const { frames, marked } = this.player;
    const passage = { ...marked, ...(edge === "from" ? { from: 0 } : { to: frames }) };
    this.mark(passage.from === 0 && passage.to === frames ? null : passage);
  }

  /**
   * @param {"from" | "to"} edge
   * @param {number} frame
   * @param {import("./player.js").Passage} [before] what the other edge is taken from
   */
  markEdge(edge, frame, before = this.player.marked) {
    const { player } = this;
    const passage = { ...before, [edge]: Math.min(Math.max(frame, 0), player.frames) };
    if (passage.to - passage.from >= player.shortest) return this.mark(passage);
    const other = clock(this.fromS() + (edge === "from" ? passage.to : passage.from) / player.rate, 2);
    const rule = edge === "from" ? `begin 0.1 s or more before its end, ${other}` : "";
    return this.refuse(`A passage must ${rule || `end 0.1 s or more after its beginning, ${other}`}.`);
  }

  /** @param {import("./player.js").Passage | null} passage */
  mark(passage) {
    this.tellRefusal(""); // also where the passage stays the same
    this.player.mark(passage);
  }

  /**
   * Nothing changes, and it is said why.
   * @param {string} words
   */
  refuse(words) {
    this.update();
    this.tellRefusal(words);
  }

  /** @param {string} words */
  tellRefusal(words) {
    this.refusal.textContent = words;
    this.refusal.hidden = !words;
  }

  /** @param {"from" | "to"} edge */
  markHere(edge) {
    const { player } = this;
    const here = player.position();
    const { from, to } = player.marked;
    // an edge on the wrong side of the new one is left behind
    if (edge === "from") this.markEdge(edge, here, { from, to: to > here ? to : player.frames });
    else this.markEdge(edge, here, { from: from < here ? from : 0, to });
  }

  /** @param {number} step */
  nextCondition(step) {
    if (this.fixed) return;
    const index = CONDITIONS.findIndex(({ name }) => name === this.player.condition);
    this.player.chooseCondition(CONDITIONS[(index + step + CONDITIONS.length) % CONDITIONS.length].name);
  }

  /** @param {boolean} fixed the condition stays as it is, for a test */
  fixCondition(fixed) {
    this.fixed = fixed;
    this.conditions.disabled = fixed;
  }

  /** @param {string} words */
  tell(words) {
    this.alert.textContent = words;
    this.alert.hidden = !words;
  }

  update() {
    const { player } = this;
    const words = player.playing ? "Stop" : "Play";
    this.playButton.firstElementChild?.replaceChildren(player.waiting ? "Reading \u2026" : words);
    this.againButton.setAttribute("aria-pressed", String(player.again));
    const moment = (/** @type {number} */ frame) => clock(this.fromS() + frame / player.rate, 2);
    this.from.input.value = player.passage ? moment(player.passage.from) : "";
    this.to.input.value = player.passage ? moment(player.passage.to) : "";
    this.clear.disabled = !player.passage;
    if (player.passage !== this.known.passage || player.bytes !== this.known.bytes) this.tellRefusal("");
    this.known = { passage: player.passage, bytes: player.bytes };
    this.level.value = String(player.levelDb);
    this.levelText.textContent = `${number(player.levelDb, 0)} dB`;
    this.level.setAttribute("aria-valuetext", this.levelText.textContent);
    showChoice(this.conditions, player.condition);
    this.conditionDetail.textContent = CONDITIONS.find(({ name }) => name === player.condition)?.detail ?? "";
  }
}
