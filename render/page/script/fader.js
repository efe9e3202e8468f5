/**
 * One of several is heard, and another is faded in for it.
 *
 * Equal gain: the shares are straight lines that add up to one at every moment, since what is faded is alike;
 * shares of equal power would lift the middle by up to 3 dB. While one fade runs the next waits for its end.
 */

export const FADE_S = 0.01;

export class Fader {
  /**
   * @param {AudioParam[]} gains one of each
   * @param {number} heard
   */
  constructor(gains, heard) {
    this.gains = gains;
    this.heard = heard;
    this.freeAt = 0;
    gains.forEach((gain, index) => gain.setValueAtTime(index === heard ? 1 : 0, 0));
  }

  /**
   * Fade to another.
   * @param {number} next
   * @param {number} earliest on the context's clock
   * @returns {number} when the fade begins
   */
  switchTo(next, earliest) {
    const from = Math.max(earliest, this.freeAt);
    if (next === this.heard) return from;
    this.line(this.heard, from, 1, 0);
    this.line(next, from, 0, 1);
    this.heard = next;
    this.freeAt = from + FADE_S;
    return from;
  }

  /**
   * Fade to silence and then to another, or to the same again: every switch sounds alike, whatever is behind it.
   * @param {number} next
   * @param {number} earliest
   * @returns {number} when the fade begins
   */
  switchThroughSilence(next, earliest) {
    const from = Math.max(earliest, this.freeAt);
    this.line(this.heard, from, 1, 0);
    this.line(next, from + FADE_S, 0, 1);
    this.heard = next;
    this.freeAt = from + 2 * FADE_S;
    return from;
  }

  /**
   * @param {number} index
   * @param {number} from
   * @param {number} first
   * @param {number} last
   */
  line(index, from, first, last) {
    this.gains[index].setValueAtTime(first, from);
    this.gains[index].linearRampToValueAtTime(last, from + FADE_S);
  }
}
