/**
 * The test "is X the first or the second?" as it goes on, and what its outcome means.
 *
 * Which of the pair is called the first is drawn once, X anew for every trial, each with equal chances and
 * independent of all before: only so is the binomial distribution exact. The score is not told before the last
 * answer.
 */
import { randomBelow } from "./chance.js";
import { UNLIKELY, chanceByGuessing, chanceOfReaching, fewestHits } from "./statistics.js";
import { percent } from "./words.js";

/** @typedef {import("./votes.js").Which} Which */

export const TRIALS = [8, 10, 12, 16, 20, 24, 30, 50];

export class TrialRun {
  /**
   * @param {[number, number]} pair indices of two versions
   * @param {number} trials
   * @param {(limit: number) => number} [below]
   */
  constructor(pair, trials, below = randomBelow) {
    this.pair = below(2) === 0 ? pair : /** @type {[number, number]} */ ([pair[1], pair[0]]);
    this.trials = trials;
    this.below = below;
    /** @type {import("./votes.js").Answer[]} */
    this.answers = [];
    this.x = this.drawn();
  }

  /** @returns {Which} */
  drawn() {
    return this.below(2) === 0 ? "first" : "second";
  }

  /**
   * The version behind a name of the test.
   * @param {Which | "x"} name
   */
  version(name) {
    return this.pair[(name === "x" ? this.x : name) === "first" ? 0 : 1];
  }

  /** @param {Which} answer */
  answer(answer) {
    if (this.done) throw new RangeError("all trials have been answered");
    this.answers.push({ x: this.x, answer });
    this.x = this.drawn();
  }

  get done() {
    return this.answers.length === this.trials;
  }

  get hits() {
    return this.answers.filter(({ x, answer }) => x === answer).length;
  }
}

/**
 * What is wanted, before it begins.
 * @param {number} trials
 */
export function aim(trials) {
  const needed = /** @type {number} */ (fewestHits(trials, UNLIKELY));
  const chance = percent(chanceByGuessing(needed, trials));
  return `${needed} of ${trials} right are needed: guessing reaches that in ${chance} of all tests.`;
}

/**
 * What the outcome means.
 * @param {number} hits
 * @param {number} trials
 */
export function meaning(hits, trials) {
  const chance = chanceByGuessing(hits, trials);
  const score =
    `${hits} of ${trials} right. Someone who hears no difference and only guesses ` +
    `does as well or better in ${percent(chance)} of all tests. `;
  if (chance <= UNLIKELY) {
    return (
      `${score}That is rare enough to say: in this passage, on this equipment, you hear a difference. ` +
      "It does not say which version is better."
    );
  }
  const few = chanceByGuessing(trials - hits, trials); // both tails are alike
  if (few <= UNLIKELY) {
    return (
      `${score}But so few right answers are as rare as ${trials - hits} of ${trials}: guessing ends there in only ` +
      `${percent(few)} of all tests. Perhaps the first and the second were mixed up. ` +
      "This test counts as it was answered; take another."
    );
  }
  const needed = /** @type {number} */ (fewestHits(trials, UNLIKELY));
  const missed = 1 - chanceOfReaching(needed, trials, 0.75);
  return (
    `${score}That is not rare enough to say that you hear a difference. It does not show that there is none: ` +
    `a listener who is right three times out of four still falls short of the ${needed} of ${trials} needed ` +
    `in ${percent(missed)} of all tests.`
  );
}
