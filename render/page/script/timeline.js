/** The waveform: where the listener is, and the passage that is marked. A slider and a picture. */
import { make } from "./dom.js";
import { clock } from "./words.js";

/** A pointer that moves less than this, in pixels, has not drawn a passage. */
const STILL_PX = 5;

export class Timeline {
  /** @param {import("./player.js").Player} player */
  constructor(player) {
    this.player = player;
    this.fromS = 0;
    /** Seconds that a screen reader was told last. */
    this.spoken = Number.NaN;
    this.wave = make("div", { class: "wave-box" });
    this.passage = make("div", { class: "passage", hidden: true });
    this.head = make("div", { class: "head" });
    this.slider = make(
      "div",
      {
        class: "timeline",
        role: "slider",
        tabindex: 0,
        "aria-label": "Position",
        "aria-valuemin": 0,
        onkeydown: (/** @type {KeyboardEvent} */ event) => this.key(event),
      },
      this.wave,
      this.passage,
      this.head,
    );
    this.begin = make("span", {});
    /** For the row of the play button. */
    this.here = make("span", { class: "here", "aria-hidden": "true" });
    this.end = make("span", {});
    this.element = make(
      "div",
      {},
      this.slider,
      make("p", { class: "times", "aria-hidden": "true" }, this.begin, this.end),
    );
    this.slider.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => this.press(event));
  }

  /**
   * @param {SVGElement} wave
   * @param {{ from_s: number, to_s: number }} excerpt
   */
  show(wave, { from_s: fromS, to_s: toS }) {
    this.fromS = fromS;
    this.wave.replaceChildren(wave);
    this.begin.textContent = clock(fromS);
    this.end.textContent = clock(toS);
    this.update();
  }

  /** Everything, after a change. */
  update() {
    const { player } = this;
    this.slider.setAttribute("aria-valuemax", (player.frames / player.rate).toFixed(1));
    this.passage.hidden = !player.passage;
    if (player.passage) {
      const { from, to } = player.passage;
      this.passage.style.left = `${(100 * from) / player.frames}%`;
      this.passage.style.width = `${(100 * (to - from)) / player.frames}%`;
    }
    this.spoken = Number.NaN;
    this.move();
  }

  /** What moves while it plays; a screen reader is told once a second. */
  move() {
    const { player } = this;
    const frame = player.position();
    const seconds = frame / player.rate;
    this.head.style.left = `${(100 * frame) / Math.max(player.frames, 1)}%`;
    this.here.textContent = clock(this.fromS + seconds);
    if (Math.abs(seconds - this.spoken) < 1) return;
    this.spoken = seconds;
    this.slider.setAttribute("aria-valuenow", seconds.toFixed(1));
    this.slider.setAttribute("aria-valuetext", `${clock(this.fromS + seconds)} of the take`);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const { player } = this;
    const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -5, PageUp: 5 }[
      event.key
    ];
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (step) player.moveTo(player.position() + step * (event.shiftKey ? 0.1 : 1) * player.rate);
    else if (event.key === "Home") player.moveTo(player.begin());
    else if (event.key === "End") player.moveTo(Math.max(player.end() - player.rate, player.begin()));
    else return;
    event.preventDefault();
  }

  /** @param {PointerEvent} event */
  press(event) {
    if (event.button !== 0) return;
    const box = this.slider.getBoundingClientRect();
    const frameAt = (/** @type {PointerEvent} */ moved) =>
      (this.player.frames * Math.min(Math.max(moved.clientX - box.left, 0), box.width)) / box.width;
    const start = { x: event.clientX, frame: frameAt(event) };
    let drawn = false;
    const drag = (/** @type {PointerEvent} */ moved) => {
      drawn ||= Math.abs(moved.clientX - start.x) > STILL_PX;
      if (drawn) this.outline(start.frame, frameAt(moved));
    };
    const release = (/** @type {PointerEvent} */ moved) => {
      this.slider.removeEventListener("pointermove", drag);
      this.slider.removeEventListener("pointerup", release);
      this.slider.removeEventListener("pointercancel", release);
      const frame = frameAt(moved);
      if (moved.type === "pointerup" && drawn)
        this.player.mark({ from: Math.min(start.frame, frame), to: Math.max(start.frame, frame) });
      else if (moved.type === "pointerup") this.player.moveTo(frame);
      this.update();
    };
    this.slider.setPointerCapture(event.pointerId);
    this.slider.addEventListener("pointermove", drag);
    this.slider.addEventListener("pointerup", release);
    this.slider.addEventListener("pointercancel", release);
  }

  /**
   * A passage while it is drawn.
   * @param {number} one
   * @param {number} other
   */
  outline(one, other) {
    const { frames } = this.player;
    this.passage.hidden = false;
    this.passage.style.left = `${(100 * Math.min(one, other)) / frames}%`;
    this.passage.style.width = `${(100 * Math.abs(one - other)) / frames}%`;
  }
}
