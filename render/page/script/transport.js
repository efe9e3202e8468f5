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
    this.from = this.moment("Passage from", (seconds) => this.setMark(seconds, null));
    this.to = this.moment("to", (seconds) => this.setMark(null, seconds));
    this.clear = button("Clear", () => player.mark(null), { key: "U" });
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
      this.conditions,
      this.conditionDetail,
    );
  }

  /**
   * @param {string} words
   * @param {(seconds: number | null) => void} set
   */
  moment(words, set) {
    const input = make("input", {
      type: "text",
      inputmode: "decimal",
      size: 7,
      placeholder: "0:00.0",
      onchange: () => set(secondsOf(input.value)),
    });
    return { input, label: make("label", {}, make("span", {}, words), input) };
  }

  /**
   * @param {number | null} from seconds of the take; null: as it is
   * @param {number | null} to
   */
  setMark(from, to) {
    const { player } = this;
    const frame = (/** @type {number} */ seconds) => (seconds - this.fromS()) * player.rate;
    const now = player.passage ?? { from: 0, to: player.frames };
    player.mark({ from: from === null ? now.from : frame(from), to: to === null ? now.to : frame(to) });
  }

  /** @param {"from" | "to"} edge */
  markHere(edge) {
    const here = this.player.position();
    const now = this.player.passage ?? { from: 0, to: this.player.frames };
    if (edge === "from") this.player.mark({ from: here, to: now.to > here ? now.to : this.player.frames });
    else this.player.mark({ from: now.from < here ? now.from : 0, to: here });
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
    this.level.value = String(player.levelDb);
    this.levelText.textContent = `${number(player.levelDb, 0)} dB`;
    this.level.setAttribute("aria-valuetext", this.levelText.textContent);
    showChoice(this.conditions, player.condition);
    this.conditionDetail.textContent = CONDITIONS.find(({ name }) => name === player.condition)?.detail ?? "";
  }
}
