/**
 * All versions of an excerpt, started together and running in step: switching only moves the shares of what is heard.
 *
 * Works on any audio context; tests read its samples from an offline one.
 */
import { FADE_S, Fader } from "./fader.js";

/**
 * Seconds that give exactly this frame when a browser multiplies them with the rate.
 * @param {number} frames
 * @param {number} rate
 * @returns {number}
 */
export function exactSeconds(frames, rate) {
  const seconds = frames / rate;
  for (const near of [seconds, seconds * (1 + Number.EPSILON), seconds * (1 - Number.EPSILON / 2)]) {
    if (near * rate === frames) return near;
  }
  return seconds;
}

/**
 * A passage as a sound that can be repeated: its end is faded, by equal power, into what comes before its beginning, so
 * that it goes on there without a step. Where nothing comes before, it falls to silence and rises again.
 * @param {AudioBuffer} buffer
 * @param {number} from frame
 * @param {number} to frame, the first that is left out
 * @returns {AudioBuffer}
 */
export function repeatable(buffer, from, to) {
  const length = to - from;
  const fade = Math.min(Math.round(FADE_S * buffer.sampleRate), Math.floor(length / 4));
  const result = new AudioBuffer({
    length, numberOfChannels: buffer.numberOfChannels, sampleRate: buffer.sampleRate,
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
    this.sources = buffers.map((buffer) => new AudioBufferSourceNode(context, { buffer }));
    const gains = this.sources.map((source) => {
      const gain = new GainNode(context, { gain: 0 });
      source.connect(gain);
      gain.connect(this.out);
      return gain.gain;
    });
    this.fader = new Fader(gains, heard);
    this.out.connect(destination);
  }

  /**
   * Start all versions on one frame of the context's clock.
   * @param {{ at: number, frame: number, again: boolean, onend?: () => void }} how `at`: frame of the clock; `frame`: of
   *   the sound; `again`: from the beginning when the end is reached
   */
  start({ at, frame, again, onend }) {
    const rate = this.context.sampleRate;
    const when = exactSeconds(at, rate);
    this.out.gain.setValueAtTime(0, when);
    this.out.gain.linearRampToValueAtTime(1, when + FADE_S);
    for (const source of this.sources) {
      source.loop = again;
      source.start(when, exactSeconds(frame, rate));
    }
    if (onend) this.sources[0].addEventListener("ended", onend, { once: true });
  }

  /**
   * Fade out and stop.
   * @param {number} at frame of the context's clock
   */
  stop(at) {
    const when = exactSeconds(at, this.context.sampleRate);
    this.out.gain.setValueAtTime(1, when);
    this.out.gain.linearRampToValueAtTime(0, when + FADE_S);
    for (const source of this.sources) source.stop(when + 2 * FADE_S);
    this.sources[0].addEventListener("ended", () => this.out.disconnect(), { once: true });
  }
}
