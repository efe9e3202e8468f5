/**
 * What plays: the versions of one excerpt in step, through a listening condition, at the listener's level.
 *
 * Positions are frames of the excerpt. All moments lie on the clock of one audio context at the sound's own rate.
 */
import { CONDITIONS, buildCondition } from "./conditions.js";
import { Deck, nextStart, repeatable, wholeFrame } from "./deck.js";
import { FADE_S, Fader } from "./fader.js";

export const QUIET_DB = -12;
export const LOWEST_DB = -60;
const AHEAD_S = 0.04;
const PATIENCE_MS = 4000;

/** @typedef {{ from: number, to: number }} Passage frames, the second is left out */

export class Player {
  /** @param {() => void} changed called after every change that a listener can see */
  constructor(changed) {
    this.changed = changed;
    this.levelDb = QUIET_DB;
    this.condition = CONDITIONS[0].name;
    this.rate = 0;
    this.frames = 0;
    this.heard = 0;
    this.before = 0;
    this.again = false;
    /** @type {Passage | null} */
    this.passage = null;
    this.playing = false;
    this.rest = 0;
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {AudioBuffer[]} */
    this.buffers = [];
    /** @type {{ passage: Passage, buffers: AudioBuffer[] } | null} */
    this.made = null;
    this.startedAt = 0;
    this.startedFrom = 0;
    this.waiting = false;
    /** @type {Deck | null} */
    this.deck = null;
    /** @type {Fader | null} */
    this.conditions = null;
    /** @type {GainNode | null} */
    this.entry = null;
    /** @type {GainNode | null} */
    this.out = null;
    /** @type {Passage | null} what the deck repeats, if it does */
    this.repeating = null;
    /** @type {() => Promise<ArrayBuffer[]>} */
    this.bytes = async () => [];
  }

  /**
   * Take another excerpt in hand; nothing plays until it is asked for.
   * @param {{ rate: number, frames: number, bytes: () => Promise<ArrayBuffer[]> }} excerpt
   */
  load({ rate, frames, bytes }) {
    this.halt();
    if (rate !== this.rate) this.close();
    Object.assign(this, {
      rate,
      frames,
      bytes,
      rest: 0,
      heard: 0,
      before: 0,
      passage: null,
      buffers: [],
      made: null,
    });
    this.changed();
  }

  /** Begin, or go on, where the listener is. Resolves when it plays; what is wrong is thrown in plain words. */
  async play() {
    if (this.playing || this.waiting) return;
    this.waiting = true;
    const bytes = this.bytes;
    this.changed();
    try {
      const context = this.open();
      const running = context.resume(); // asked for while the listener's key or click still counts
      if (!this.buffers.length) {
        const buffers = await decodeAll(context, await bytes());
        if (bytes !== this.bytes) return; // another excerpt was chosen meanwhile
        this.buffers = buffers;
      }
      await inTime(running);
      if (bytes !== this.bytes) return;
      if (this.rest >= this.end() || this.rest < this.begin()) this.rest = this.begin();
      this.startDeck(this.startable(this.rest), nextStart(this.frameNow(AHEAD_S), this.rate));
      this.playing = true;
    } catch (fault) {
      if (bytes === this.bytes) throw fault; // what was left behind does not matter any more
    } finally {
      this.waiting = false;
      this.changed();
    }
  }

  /** Stop, and stay where it stopped. */
  pause() {
    if (!this.playing) return;
    this.rest = this.position();
    this.halt();
    this.changed();
  }

  /** @param {number} frame */
  moveTo(frame) {
    const limited = Math.min(Math.max(Math.round(frame), 0), this.frames - 1);
    if (this.playing) this.restart(limited);
    else this.rest = limited;
    this.changed();
  }

  /**
   * Hear another version from now on.
   * @param {number} next
   * @param {{ throughSilence?: boolean }} [how]
   */
  switchTo(next, { throughSilence = false } = {}) {
    if (next !== this.heard) this.before = this.heard;
    this.heard = next;
    if (this.playing && this.deck && this.context) {
      const soon = this.context.currentTime + FADE_S;
      if (throughSilence) this.deck.fader.switchThroughSilence(next, soon);
      else this.deck.fader.switchTo(next, soon);
    }
    this.changed();
  }

  /** @param {string} name */
  chooseCondition(name) {
    this.condition = name;
    const index = CONDITIONS.findIndex((condition) => condition.name === name);
    if (this.context && this.conditions) this.conditions.switchTo(index, this.context.currentTime + FADE_S);
    this.changed();
  }

  /** @param {number} db */
  setLevel(db) {
    this.levelDb = Math.min(Math.max(Math.round(db), LOWEST_DB), 0);
    if (this.context && this.out) {
      this.out.gain.setTargetAtTime(10 ** (this.levelDb / 20), this.context.currentTime, 0.015);
    }
    this.changed();
  }

  /** @param {boolean} again */
  setAgain(again) {
    this.again = again;
    if (this.playing) this.restart();
    this.changed();
  }

  /**
   * Mark a passage, or none; it is at least a tenth of a second long.
   * @param {Passage | null} passage
   */
  mark(passage) {
    const least = Math.min(Math.round(this.rate / 10), this.frames);
    if (passage) {
      const from = Math.min(Math.max(Math.round(passage.from), 0), this.frames - least);
      const to = Math.min(Math.max(Math.round(passage.to), from + least), this.frames);
      this.passage = { from, to };
    } else this.passage = null;
    if (this.playing && this.again) this.restart();
    this.changed();
  }

  begin() {
    return this.passage && this.again ? this.passage.from : 0;
  }

  end() {
    return this.passage && this.again ? this.passage.to : this.frames;
  }

  /** Where the listener is. */
  position() {
    if (!this.playing || !this.context) return this.rest;
    const late = this.context.outputLatency || 0;
    return this.positionAt(Math.round((this.context.currentTime - late) * this.rate));
  }

  /**
   * What is played at a frame of the clock.
   * @param {number} at
   */
  positionAt(at) {
    const run = this.startedFrom + Math.max(0, at - this.startedAt);
    if (!this.repeating) return Math.min(run, this.frames);
    const { from, to } = this.repeating;
    return run < to ? run : from + ((run - from) % (to - from));
  }

  /** @param {number} seconds */
  frameNow(seconds) {
    const now = this.context ? this.context.currentTime : 0;
    return Math.ceil((now + seconds) * this.rate);
  }

  /**
   * The frame at or before this one with which a deck can begin.
   * @param {number} frame
   */
  startable(frame) {
    return this.begin() + wholeFrame(frame - this.begin(), this.rate);
  }

  /**
   * Go over to a new deck: somewhere else, or, without a frame, where it is, if that lies in what is played now.
   * @param {number} [frame]
   */
  restart(frame) {
    const [begin, end, rate] = [this.begin(), this.end(), this.rate];
    const earliest = Math.max(this.frameNow(AHEAD_S), this.startedAt + Math.ceil(2 * FADE_S * rate));
    const inside = (/** @type {number} */ at) => at >= begin && at < end;
    const goesOn =
      frame === undefined && [0, FADE_S * rate].every((later) => inside(this.positionAt(earliest + later)));
    const at = nextStart(earliest, rate, goesOn ? (moment) => this.positionAt(moment) - begin : undefined);
    const target = frame !== undefined && inside(frame) ? frame : begin;
    const start = goesOn ? this.positionAt(at) : this.startable(target);
    this.deck?.stop(at);
    this.startDeck(start, at);
  }

  /**
   * @param {number} frame
   * @param {number} at
   */
  startDeck(frame, at) {
    const context = /** @type {AudioContext} */ (this.context);
    const passage = { from: this.begin(), to: this.end() };
    const entry = /** @type {GainNode} */ (this.entry);
    const deck = new Deck(context, this.again ? this.repeated(passage) : this.buffers, entry, this.heard);
    const onend = () => {
      if (this.deck !== deck || this.again) return;
      this.halt();
      this.rest = 0;
      this.changed();
    };
    deck.start({ at, frame: this.again ? frame - passage.from : frame, again: this.again, onend });
    Object.assign(this, { deck, startedAt: at, startedFrom: frame, repeating: this.again ? passage : null });
  }

  /** @param {Passage} passage */
  repeated(passage) {
    if (this.made?.passage.from !== passage.from || this.made.passage.to !== passage.to) {
      this.made = {
        passage,
        buffers: this.buffers.map((buffer) => repeatable(buffer, passage.from, passage.to)),
      };
    }
    return this.made.buffers;
  }

  halt() {
    if (this.playing && this.deck) this.deck.stop(this.frameNow(0.005));
    this.playing = false;
    this.deck = null;
  }

  /** @returns {AudioContext} */
  open() {
    if (this.context) return this.context;
    const context = contextAt(this.rate);
    const entry = new GainNode(context);
    const out = new GainNode(context, { gain: 10 ** (this.levelDb / 20) });
    const shares = CONDITIONS.map(({ name }) => {
      const { input, output } = buildCondition(context, name);
      const share = new GainNode(context, { gain: 0 });
      entry.connect(input);
      output.connect(share);
      share.connect(out);
      return share.gain;
    });
    out.connect(context.destination);
    const chosen = CONDITIONS.findIndex(({ name }) => name === this.condition);
    Object.assign(this, {
      context,
      entry,
      out,
      conditions: new Fader(shares, chosen),
      rate: context.sampleRate,
    });
    return context;
  }

  close() {
    this.context?.close();
    this.context = null;
    this.conditions = null;
  }
}

/**
 * Wait for the browser to open its way out, but not for ever.
 * @param {Promise<void>} running
 */
async function inTime(running) {
  /** @type {Promise<never>} */
  const late = new Promise((_, reject) => {
    const fault = new Error("The browser finds no way out for sound: is a loudspeaker there?");
    setTimeout(() => reject(fault), PATIENCE_MS);
  });
  await Promise.race([running, late]);
}

/**
 * A context at the sound's own rate, so that nothing is converted.
 * @param {number} rate
 * @returns {AudioContext}
 */
function contextAt(rate) {
  try {
    return new AudioContext({ sampleRate: rate });
  } catch {
    throw new Error(
      `This browser does not play ${rate} Hz. Render the captures at 48000 Hz, or use another browser.`,
    );
  }
}

/**
 * @param {BaseAudioContext} context
 * @param {ArrayBuffer[]} files
 * @returns {Promise<AudioBuffer[]>}
 */
async function decodeAll(context, files) {
  try {
    return await Promise.all(files.map((file) => context.decodeAudioData(file)));
  } catch {
    throw new Error(
      "This browser cannot decode FLAC, in which the sound is kept without loss. Use a current browser.",
    );
  }
}
