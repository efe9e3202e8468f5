/**
 * All versions of an excerpt, started together and running in step: switching only moves the shares of what is heard.
 *
 * Works on any audio context; tests read its samples from an offline one.
 */
import { FADE_S, Fader } from "./fader.js";

/**
 * Whether a browser that multiplies a frame's seconds with the rate finds it again, unharmed by rounding.
 * @param {number} frame
 * @param {number} rate
 * @returns {boolean}
 */
function exact(frame, rate) {
  return (frame / rate) * rate === frame;
}

/**
 * The frame at or before this one that a browser finds; seven of eight are found as they are.
 * @param {number} frame
 * @param {number} rate
 * @returns {number}
 */
export function wholeFrame(frame, rate) {
  let found = Math.floor(frame);
  while (!exact(found, rate)) found -= 1;
  return found;
}

/**
 * The next frame of the clock at which a deck can start on whole frames.
 * @param {number} earliest frame of the clock
 * @param {number} rate
 * @param {(at: number) => number} [frameAt] frame of the sound that is to be heard then
 * @returns {number}
 */
export function nextStart(earliest, rate, frameAt = () => 0) {
  let at = Math.ceil(earliest);
  while (!exact(at, rate) || !exact(frameAt(at), rate)) at += 1;
  return at;
}

/**
 * A passage as a sound that can be repeated: its end is faded, by equal power, into what comes before its
 * beginning, so that it goes on there without a step. Where nothing comes before, it falls to silence and rises.
 * @param {AudioBuffer} buffer
 * @param {number} from frame
 * @param {number} to frame, the first that is left out
 * @returns {AudioBuffer}
 */
export function repeatable(buffer, from, to) {
  const length = to - from;
  const fade = Math.min(Math.round(FADE_S * buffer.sampleRate), Math.floor(length / 4));
  const result = new AudioBuffer({
    length,
    numberOfChannels: buffer.numberOfChannels,
    sampleRate: buffer.sampleRate,
  });
  for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
    const all = buffer.getChannelData(channel);
    const passage = result.getChannelData(channel);
    passage.set(all.subarray(from, to));
    for (let frame = 0; frame < fade; frame += 1) {
      const angle = (Math.PI / 2) * ((frame + 0.5) / fade);
      const before = from >= fade ? all[from - fade + frame] : 0;
      passage[length - fade + frame] = all[to - fade + frame] * Math.cos(angle) + before * Math.sin(angle);
      if (from < fade) passage[frame] *= Math.sin(angle);
    }
  }
  return result;
}

export class Deck {
  /**
   * @param {BaseAudioContext} context
   * @param {AudioBuffer[]} buffers the versions, equally long
   * @param {AudioNode} destination
   * @param {number} heard which is heard first
   */
  constructor(context, buffers, destination, heard) {
    this.context = context;
    this.out = new GainNode(context, { gain: 0 });
    /** Fades the end of a passage, whatever `out` does at that moment. */
    this.ending = new GainNode(context);
    this.sources = buffers.map((buffer) => new AudioBufferSourceNode(context, { buffer }));
    const gains = this.sources.map((source) => {
      const gain = new GainNode(context, { gain: 0 });
      source.connect(gain);
      gain.connect(this.out);
      return gain.gain;
    });
    this.fader = new Fader(gains, heard);
    this.out.connect(this.ending);
    this.ending.connect(destination);
  }

  /**
   * Start all versions on one frame of the context's clock.
   * @param {{ at: number, frame: number, again: boolean, until?: number, onend?: () => void }} how `at`: frame of the
   *   clock; `frame`: of the sound; `again`: from the beginning when the end is reached; `until`: frame of the sound
   *   before which it falls silent
   */
  start({ at, frame, again, until, onend }) {
    const rate = this.context.sampleRate;
    const when = at / rate;
    this.out.gain.setValueAtTime(0, when);
    this.out.gain.linearRampToValueAtTime(1, when + FADE_S);
    for (const source of this.sources) {
      source.loop = again;
      source.start(when, frame / rate);
    }
    if (until !== undefined) {
      const end = when + (until - frame) / rate;
      this.ending.gain.setValueAtTime(1, Math.max(when, end - FADE_S));
      this.ending.gain.linearRampToValueAtTime(0, end);
      for (const source of this.sources) source.stop(end);
    }
    if (onend) this.sources[0].addEventListener("ended", onend, { once: true });
  }

  /**
   * Fade out and stop.
   * @param {number} at frame of the context's clock
   */
  stop(at) {
    const when = at / this.context.sampleRate;
    this.out.gain.setValueAtTime(1, when);
    this.out.gain.linearRampToValueAtTime(0, when + FADE_S);
    for (const source of this.sources) source.stop(when + 2 * FADE_S);
    this.sources[0].addEventListener("ended", () => this.ending.disconnect(), { once: true });
  }
}
