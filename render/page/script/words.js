/** Numbers and moments as text: a true minus sign, a dash where there is no value. */

export const NONE = "\u2013";

/**
 * @param {number | null} value
 * @param {number} [digits]
 * @returns {string}
 */
export function number(value, digits = 1) {
  if (value === null) return NONE;
  const text = value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "\u2212");
}

/**
 * With its sign, also above zero.
 * @param {number | null} value
 * @param {number} [digits]
 * @returns {string}
 */
export function signed(value, digits = 1) {
  const text = number(value, digits);
  return value !== null && Number(value.toFixed(digits)) > 0 ? `+${text}` : text;
}

/**
 * Minutes and seconds: 1:05.2.
 * @param {number} seconds
 * @param {number} [digits]
 * @returns {string}
 */
export function clock(seconds, digits = 1) {
  const unit = 10 ** digits;
  const units = Math.round(Math.max(0, seconds) * unit);
  const minutes = Math.floor(units / (60 * unit));
  const rest = ((units - minutes * 60 * unit) / unit).toFixed(digits);
  return `${minutes}:${rest.padStart(digits ? digits + 3 : 2, "0")}`;
}

/**
 * A frequency as the trade writes it: 63, 1k, 12.5k.
 * @param {number} hz
 * @returns {string}
 */
export function frequency(hz) {
  const three = Number(hz.toPrecision(3));
  return three >= 1000 ? `${Number((three / 1000).toPrecision(3))}k` : `${three}`;
}

/**
 * A probability in percent, to two figures.
 * @param {number} share
 * @returns {string}
 */
export function percent(share) {
  if (share >= 0.9995) return "100\u00a0%";
  if (share > 0 && share < 0.00001) return "less than 0.001\u00a0%";
  const value = Number((100 * share).toPrecision(2));
  return `${value}\u00a0%`;
}

/**
 * Letters for what has no name: A ... Z, AA ...
 * @param {number} index
 * @returns {string}
 */
export function letter(index) {
  const own = String.fromCharCode(65 + (index % 26));
  return index < 26 ? own : letter(Math.floor(index / 26) - 1) + own;
}

/**
 * "1 take", "2 takes".
 * @param {number} count
 * @param {string} one
 * @param {string} [more]
 * @returns {string}
 */
export function counted(count, one, more = `${one}s`) {
  return `${count} ${count === 1 ? one : more}`;
}
