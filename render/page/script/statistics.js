/**
 * Exact figures for the test "is X the first or the second?".
 *
 * Method: D. Clark, "High-Resolution Subjective Testing Using a Double-Blind Comparator", J. Audio Eng. Soc. 30(5),
 * 1982; ITU-R BS.1116-3, 2015. The number of trials is fixed before the first.
 */

/** What is called unlikely: guessing that does as well in fewer than one of twenty runs. */
export const UNLIKELY = 0.05;

/**
 * In how many ways `from`, `from` + 1 ... `n` out of `n` can be chosen.
 * @param {number} n
 * @param {number} from
 * @returns {bigint[]}
 */
function ways(n, from) {
  const found = [];
  let count = 1n; // to choose all
  for (let k = n; k >= from; k -= 1) {
    found.unshift(count);
    count = (count * BigInt(k)) / BigInt(n - k + 1);
  }
  return found;
}

/**
 * @param {number} hits
 * @param {number} trials
 */
function check(hits, trials) {
  if (!Number.isInteger(trials) || trials < 1 || trials > 1000) {
    throw new RangeError(`trials must be a whole number from 1 to 1000, not ${trials}`);
  }
  if (!Number.isInteger(hits) || hits < 0 || hits > trials) {
    throw new RangeError(`hits must be a whole number from 0 to ${trials}, not ${hits}`);
  }
}

/**
 * Chance of this many right answers or more for one who only guesses: the upper tail of the binomial distribution
 * with probability 1/2, summed in whole numbers and rounded once.
 * @param {number} hits
 * @param {number} trials
 * @returns {number}
 */
export function chanceByGuessing(hits, trials) {
  check(hits, trials);
  const sum = ways(trials, hits).reduce((all, count) => all + count, 0n);
  return Number(sum) / 2 ** trials;
}

/**
 * Fewest right answers that guessing reaches with at most this chance; null if not even all right are enough.
 * @param {number} trials
 * @param {number} atMost
 * @returns {number | null}
 */
export function fewestHits(trials, atMost) {
  for (let hits = 0; hits <= trials; hits += 1) {
    if (chanceByGuessing(hits, trials) <= atMost) return hits;
  }
  return null;
}

/**
 * Chance that a listener who is right with this probability, trial by trial, reaches so many right answers.
 * @param {number} hits
 * @param {number} trials
 * @param {number} right probability of a right answer, between 0 and 1
 * @returns {number}
 */
export function chanceOfReaching(hits, trials, right) {
  check(hits, trials);
  return ways(trials, hits).reduce(
    (sum, count, index) =>
      sum + Number(count) * right ** (hits + index) * (1 - right) ** (trials - hits - index),
    0,
  );
}
