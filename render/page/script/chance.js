/** Chance from the browser's cryptographic source, without bias. */

/**
 * @callback Below
 * @param {number} limit
 * @returns {number} a whole number from 0 to limit - 1, all equally likely
 */

const WORDS = 2 ** 32;

/**
 * A whole number from 0 to `limit` - 1, all equally likely: what would make some likelier is drawn again.
 * @type {Below}
 */
export function randomBelow(limit) {
  if (!Number.isInteger(limit) || limit < 1 || limit > WORDS) {
    throw new RangeError(`limit must be a whole number from 1 to ${WORDS}, not ${limit}`);
  }
  const fair = WORDS - (WORDS % limit);
  const word = new Uint32Array(1);
  do crypto.getRandomValues(word);
  while (word[0] >= fair);
  return word[0] % limit;
}

/**
 * A copy in random order, every order equally likely (Fisher and Yates, Durstenfeld's form).
 * @template T
 * @param {readonly T[]} items
 * @param {Below} [below]
 * @returns {T[]}
 */
export function shuffled(items, below = randomBelow) {
  const order = [...items];
  for (let last = order.length - 1; last > 0; last -= 1) {
    const other = below(last + 1);
    [order[last], order[other]] = [order[other], order[last]];
  }
  return order;
}
