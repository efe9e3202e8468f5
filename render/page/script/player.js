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
    /** Whether the listener has gone out of the passage on purpose. */
    this.outside = false;
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
    /** @type {object | null} what is being read, if anything is: another excerpt takes its place */
    this.waiting = null;
    /** @type {Deck | null} */
    this.deck = null;
    /** @type {Fader | null} */
    this.conditions = null;
    /** @type {GainNode | null} */
    this.entry = null;
    /** @type {GainNode | null} */
    this.out = null;
    /** @type {Passage} what the deck plays */
    this.reach = { from: 0, to: 0 };
    this.repeating = false;
    /** @type {() => Promise<ArrayBuffer[]>} */
    this.bytes = async () => [];
  }

  /**
   * Take another excerpt in hand; nothing plays until it is asked for.
   * @param {{ rate: number, frames: number, heard?: number, bytes: () => Promise<ArrayBuffer[]> }} excerpt
   */
  load({ rate, frames, heard = 0, bytes }) {
    this.halt();
    if (rate !== this.rate) this.close();
    Object.assign(this, {
      rate,
      frames,
      bytes,
      rest: 0,
      heard,
      before: heard,
      waiting: null,
      passage: null,
      outside: false,
      buffers: [],
      made: null,
    });
    this.changed();
  }

  /** Begin, or go on, where the listener is. Resolves when it plays; what is wrong is thrown in plain words. */
  async play() {
    if (this.playing || this.waiting) return;
    const reading = (this.waiting = {});
    this.changed();
    try {
      const context = this.open();
      const running = context.resume(); // asked for while the listener's key or click still counts
      if (!this.buffers.length) {
        const buffers = await decodeAll(context, await this.bytes());
        if (reading !== this.waiting) return; // another excerpt was chosen meanwhile
        this.buffers = buffers;
      }
      await inTime(running);
      if (reading !== this.waiting) return;
      const reach = this.reachAt(this.rest);
      if (!within(reach, this.rest)) this.rest = reach.from;
      this.startDeck(reach, this.startable(reach, this.rest), nextStart(this.frameNow(AHEAD_S), this.rate));
      this.playing = true;
    } catch (fault) {
      if (reading === this.waiting) throw fault; // what was left behind does not matter any more
    } finally {
      if (reading === this.waiting) {
        this.waiting = null;
        this.changed();
      }
    }
  }

  /** Stop, and stay where it stopped; a passage that was marked elsewhere meanwhile comes next. */
  pause() {
    if (!this.playing) return;
    this.rest = this.position();
    if (!within(this.reachAt(this.rest), this.rest)) this.rest = this.begin();
    this.halt();
    this.changed();
  }

  /** @param {number} frame */
  moveTo(frame) {
    const limited = Math.min(Math.max(Math.round(frame), 0), this.frames - 1);
    this.outside = !within(this.marked, limited);
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

  /** The shortest passage, in frames: a tenth of a second. */
  get shortest() {
    return Math.min(Math.round(this.rate / 10), this.frames);
  }

  /**
   * Mark a passage, or none. What plays goes on where it is in the passage; outside of it, it is left alone unless
   * the passage is repeated. What rests goes to its beginning.
   * @param {Passage | null} passage
   */
  mark(passage) {
    if (passage) {
      const from = Math.min(Math.max(Math.round(passage.from), 0), this.frames - this.shortest);
      const to = Math.min(Math.max(Math.round(passage.to), from + this.shortest), this.frames);
      this.passage = { from, to };
    } else this.passage = null;
    this.outside = false;
    if (!this.playing) this.rest = within(this.marked, this.rest) ? this.rest : this.begin();
    else if (this.again || within(this.marked, this.position())) this.restart();
    this.changed();
  }

  /** The passage, or all where none is marked. */
  get marked() {
    return this.passage ?? { from: 0, to: this.frames };
  }

  begin() {
    return this.marked.from;
  }

  end() {
    return this.marked.to;
  }

  /**
   * What is played from here: the passage, unless the listener has gone out of it.
   * @param {number} frame
   * @returns {Passage}
   */
  reachAt(frame) {
    const out = this.outside && !this.again && !within(this.marked, frame);
    return out ? { from: 0, to: this.frames } : this.marked;
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
    const { from, to } = this.reach;
    if (!this.repeating) return Math.min(run, to);
    return run < to ? run : from + ((run - from) % (to - from));
  }

  /** @param {number} seconds */
  frameNow(seconds) {
    const now = this.context ? this.context.currentTime : 0;
    return Math.ceil((now + seconds) * this.rate);
  }

  /**
   * The frame of the excerpt with which a deck's sound begins: a passage that is repeated is a sound of its own.
   * @param {Passage} reach
   */
  origin({ from }) {
    return this.again ? from : 0;
  }

  /**
   * The frame at or before this one with which a deck can begin.
   * @param {Passage} reach
   * @param {number} frame
   */
  startable(reach, frame) {
    const origin = this.origin(reach);
    return origin + wholeFrame(frame - origin, this.rate);
  }

  /**
   * Go over to a new deck: somewhere else, or, without a frame, where it is, if that lies in what is played now.
   * @param {number} [frame]
   */
  restart(frame) {
    const { rate } = this;
    const earliest = Math.max(this.frameNow(AHEAD_S), this.startedAt + Math.ceil(2 * FADE_S * rate));
    const reach = this.reachAt(frame ?? this.positionAt(earliest));
    const origin = this.origin(reach);
    const goesOn =
      frame === undefined &&
      [0, FADE_S * rate].every((later) => within(reach, this.positionAt(earliest + later)));
    const at = nextStart(earliest, rate, goesOn ? (moment) => this.positionAt(moment) - origin : undefined);
    const target = frame !== undefined && within(reach, frame) ? frame : reach.from;
    const start = goesOn ? this.positionAt(at) : this.startable(reach, target);
    this.deck?.stop(at);
    this.startDeck(reach, start, at);
  }

  /**
   * @param {Passage} reach
   * @param {number} frame
   * @param {number} at
   */
  startDeck(reach, frame, at) {
    const { again } = this;
    const context = /** @type {AudioContext} */ (this.context);
    const entry = /** @type {GainNode} */ (this.entry);
    const deck = new Deck(context, again ? this.repeated(reach) : this.buffers, entry, this.heard);
    const onend = () => {
      if (this.deck !== deck || again) return;
      this.halt();
      Object.assign(this, { rest: this.begin(), outside: false });
      this.changed();
    };
    const until = again || reach.to === this.frames ? undefined : reach.to;
    deck.start({ at, frame: frame - this.origin(reach), again, until, onend });
    Object.assign(this, { deck, reach, startedAt: at, startedFrom: frame, repeating: again });
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
 * @param {Passage} passage
 * @param {number} frame
 */
function within({ from, to }, frame) {
  return frame >= from && frame < to;
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
