/** The listening page: puts its parts together and keeps them in step. */
import { readContent } from "./content.js";
import { button, choice, make, showChoice } from "./dom.js";
import { watchFaults, wordsOf } from "./faults.js";
import { missing } from "./features.js";
import { belongings, pageHead } from "./head.js";
import { Judging } from "./judging.js";
import { Keys } from "./keys.js";
import { Leaving, Question } from "./leaving.js";
import { Pictures } from "./pictures.js";
import { Player } from "./player.js";
import { commonPeaks, waveform } from "./plots.js";
import { pageKeys } from "./page_keys.js";
import { remarksOn } from "./remarks.js";
import { Results } from "./results.js";
import { soundBytes } from "./sound.js";
import { Telling } from "./telling.js";
import { Timeline } from "./timeline.js";
import { Transport } from "./transport.js";
import { versionList } from "./versions.js";
import { Votes } from "./votes.js";
import { clock } from "./words.js";

const MODES = [
  { value: "open", title: "With names" },
  { value: "judge", title: "Without names" },
  { value: "tell", title: "First or second?" },
];

class Page {
  /** @param {import("./content.js").Content} content */
  constructor(content) {
    this.content = content;
    this.mode = "open";
    this.takeIndex = 0;
    this.excerptIndex = 0;
    this.player = new Player(() => this.update());
    this.votes = new Votes(content, () => localStorage);
    this.timeline = new Timeline(this.player);
    this.transport = new Transport(this.player, {
      play: () => this.play(),
      fromS: () => this.excerpt.from_s,
      here: this.timeline.here,
    });
    this.pictures = new Pictures(content);
    this.question = new Question();
    this.leaving = new Leaving(this.question);
    this.results = new Results(this.votes, content, {
      changed: () => this.update(),
      underWay: () => this.judging.unfinished || this.telling.begun,
      anew: () => this.beginAnew(),
      question: this.question,
    });
    const tell = (/** @type {string} */ words) => this.tell(words);
    const changed = () => this.update();
    this.judging = new Judging(content, this.votes, {
      hear: (version) => this.player.switchTo(version),
      next: () => this.nextExcerpt(),
      end: () => this.endJudging(),
      tell,
      changed,
    });
    this.telling = new Telling(this.votes, {
      hear: (version) => this.player.switchTo(version, { throughSilence: true }),
      playing: () => this.player.playing,
      condition: () => this.player.condition,
      fix: (fixed) => this.transport.fixCondition(fixed),
      tell,
      changed,
    });
    this.keys = new Keys(() => pageKeys(this));
    this.takes = make("ol", {});
    this.heading = make("h2", { id: "take-title" });
    this.excerpts = make("div", { class: "excerpts" });
    const chosen = (/** @type {string} */ mode) => this.askMode(mode);
    this.modes = choice("Listen", MODES, this.mode, chosen, { name: "mode", className: "modes" });
    this.list = make("div", {});
    this.status = make("p", { class: "hidden", role: "status", "aria-live": "polite" });
    /** @type {number | null} the version that is drawn */
    this.shown = null;
    /** What reaches the edge of the waveform. */
    this.highest = 0;
    /** Whether the excerpt in hand is built, so that it can be drawn. */
    this.ready = false;
    this.silence = make("p", { class: "alert", hidden: true });
    this.fault = make("p", { class: "alert", role: "alert", hidden: true });
  }

  get take() {
    return this.content.takes[this.takeIndex];
  }

  get excerpt() {
    return this.take.excerpts[this.excerptIndex];
  }

  /** @param {HTMLElement} main */
  build(main) {
    const { content } = this;
    document.title = content.title;
    main.replaceChildren(
      pageHead(content),
      make("nav", { "aria-label": "Takes" }, this.takes),
      make(
        "section",
        { class: "take", "aria-labelledby": "take-title" },
        make("div", { class: "take-head" }, this.heading, this.excerpts),
        this.timeline.element,
        this.silence,
        this.fault,
        this.transport.element,
        this.modes,
        this.list,
        this.judging.element,
        this.telling.element,
        this.transport.more,
        this.pictures.element,
      ),
      this.results.element,
      make(
        "footer",
        {},
        button("Keys", () => this.keys.showPanel(), { key: "?" }),
        make("p", {}, belongings(content)),
      ),
      this.keys.panel,
      this.question.element,
      this.status,
    );
    this.show(0, 0);
    const frame = () => {
      if (this.player.playing) this.timeline.move();
      requestAnimationFrame(frame);
    };
    frame();
  }

  /**
   * @param {number} takeIndex
   * @param {number} excerptIndex
   */
  show(takeIndex, excerptIndex) {
    const before = this.excerpt.versions[this.player.heard]?.name;
    Object.assign(this, { takeIndex, excerptIndex, ready: false });
    const { take, excerpt } = this;
    const { versions } = excerpt;
    this.fault.hidden = true;
    this.transport.tell("");
    const heard = before === undefined ? -1 : versions.findIndex(({ name }) => name === before);
    this.player.load({
      heard: Math.max(heard, 0),
      rate: versions[0].sample_rate_hz,
      frames: versions[0].frames,
      bytes: () => Promise.all(versions.map(({ sound }) => soundBytes(sound))),
    });
    this.heading.textContent = take.name;
    this.takes.replaceChildren(
      ...this.content.takes.map(({ name }, index) =>
        make(
          "li",
          {},
          make(
            "button",
            {
              type: "button",
              "aria-current": index === takeIndex ? "true" : null,
              onclick: () => this.choose(index, 0, this.takes),
            },
            name,
          ),
        ),
      ),
    );
    const titles = take.excerpts.map(({ name, title, from_s: from, to_s: to }) =>
      make("span", {}, title || name, make("span", { class: "detail" }, ` ${clock(from)}\u2013${clock(to)}`)),
    );
    this.excerpts.replaceChildren(
      titles.length === 1
        ? titles[0]
        : choice(
            "Excerpt",
            titles.map((title, index) => ({ value: String(index), title })),
            String(excerptIndex),
            (value) => this.choose(takeIndex, Number(value), this.excerpts),
            { name: "excerpt" },
          ),
    );
    this.showMode();
  }

  /**
   * Another take or excerpt, unless a test is under way; what was in focus is found again.
   * @param {number} takeIndex
   * @param {number} excerptIndex
   * @param {HTMLElement | null} [from]
   */
  choose(takeIndex, excerptIndex, from = null) {
    const go = () => {
      const goesOn = this.player.playing || this.player.waiting !== null;
      this.telling.end();
      this.show(takeIndex, excerptIndex);
      if (goesOn) this.play();
      /** @type {HTMLElement | null} */ (
        from?.querySelector('[aria-current="true"], input:checked')
      )?.focus();
      this.tell(`${this.take.name}, ${this.excerpt.title || this.excerpt.name}`);
    };
    if (this.telling.begun) this.leaving.ask(go, () => showChoice(this.excerpts, String(this.excerptIndex)));
    else go();
  }

  nextExcerpt() {
    const last = this.excerptIndex + 1 >= this.take.excerpts.length;
    if (last) this.choose((this.takeIndex + 1) % this.content.takes.length, 0);
    else this.choose(this.takeIndex, this.excerptIndex + 1);
  }

  /** @param {number} step */
  nextTake(step) {
    const count = this.content.takes.length;
    this.choose((this.takeIndex + step + count) % count, 0);
  }

  /** @param {string} mode */
  askMode(mode) {
    const go = () => {
      this.judging.end();
      this.telling.end();
      this.mode = mode;
      this.showMode();
    };
    if ((this.mode === "judge" && this.judging.begun) || this.telling.begun)
      this.leaving.ask(go, () => showChoice(this.modes, this.mode));
    else go();
  }

  endJudging() {
    if (this.judging.unfinished) this.leaving.ask(() => this.showNames());
    else this.showNames();
  }

  /** Another listener: what the one before was about is dropped. */
  beginAnew() {
    this.judging.end();
    this.telling.end();
    this.showMode();
  }

  /** The judging is over: names are seen. */
  showNames() {
    this.judging.end();
    this.mode = "open";
    showChoice(this.modes, "open");
    this.showMode();
    this.results.element.scrollIntoView({ block: "nearest" });
  }

  showMode() {
    const { mode, take, excerpt, player } = this;
    const open = mode === "open";
    const peaks = commonPeaks(excerpt.versions);
    this.highest = Math.max(...peaks.map(Math.abs));
    this.shown = null;
    this.tell(""); // no name is left over
    this.timeline.show(make("div"), excerpt); // nothing of another excerpt stays if drawing fails
    this.pictures.clear();
    this.silence.textContent = remarksOn(take, excerpt, open);
    this.silence.hidden = !this.silence.textContent;
    this.ready = true;
    this.list.replaceChildren(
      ...(open ? [versionList(excerpt.versions, player.heard, (index) => this.hear(index))] : []),
    );
    for (const [part, there] of /** @type {[any, boolean][]} */ ([
      [this.judging, mode === "judge"],
      [this.telling, mode === "tell"],
    ])) {
      part.element.hidden = !there;
      if (there) part.show(take, excerpt);
      else part.element.replaceChildren();
    }
    this.pictures.element.hidden = !open;
    if (open) this.pictures.show(excerpt.versions);
    else this.timeline.show(waveform(peaks, this.highest), excerpt);
    this.update();
  }

  /** Everything that follows the player. */
  update() {
    const { player, mode } = this;
    if (!this.ready) return;
    this.transport.update();
    this.timeline.update();
    this.results.update(mode === "judge" || this.telling.begun);
    if (mode === "judge") this.judging.update(player.heard);
    if (mode === "tell") this.telling.update();
    if (mode !== "open" || this.shown === player.heard) return;
    this.shown = player.heard;
    showChoice(this.list, String(player.heard));
    this.timeline.show(waveform(this.excerpt.versions[player.heard].peaks, this.highest), this.excerpt);
    this.pictures.update(player.heard);
  }

  /** @param {number} index */
  hear(index) {
    if (this.mode === "judge") this.judging.hear(index);
    else if (this.mode === "tell" && this.telling.begun)
      this.telling.hear(/** @type {const} */ (["first", "second", "x"])[index] ?? this.telling.heard);
    else if (this.mode === "open" && index < this.excerpt.versions.length) {
      this.player.switchTo(index);
      this.tell(`${index + 1}, ${this.excerpt.versions[index].title}`);
    }
  }

  /** @param {number} step to the next in the list, or the one before */
  hearBeside(step) {
    const listed = [this.player.heard, this.excerpt.versions.length];
    const [heard, count] = { judge: this.judging.place, tell: this.telling.place }[this.mode] ?? listed;
    if (count) this.hear((heard + step + count) % count);
  }

  async play() {
    if (this.player.playing) return this.player.pause();
    try {
      this.transport.tell("");
      await this.player.play();
    } catch (fault) {
      this.transport.tell(/** @type {Error} */ (fault).message);
    }
  }

  /** @param {string} words what went wrong in the page itself */
  failed(words) {
    this.fault.hidden = false;
    this.fault.textContent =
      `A fault of this page at \u201c${this.take.name}\u201d, ${this.excerpt.name}: ${words}. ` +
      "What is drawn may be incomplete. Reload the page; if it comes again, tell whoever made it.";
  }

  /** @param {string} words */
  tell(words) {
    this.status.textContent = words;
  }
}

/** Begin, or say what is missing. */
function start() {
  const main = /** @type {HTMLElement} */ (document.getElementById("page"));
  const lacks = missing();
  if (lacks.length) {
    main.replaceChildren(
      make("h1", {}, "This browser is too old for this page"),
      make("p", {}, `It lacks: ${lacks.join("; ")}. Open the page in a current browser.`),
    );
    return;
  }
  try {
    const page = new Page(readContent());
    watchFaults((words) => page.failed(words));
    page.build(main);
  } catch (fault) {
    if (!main.querySelector("h2")) {
      main.replaceChildren(
        make("h1", {}, "This page cannot be shown"),
        make("p", { role: "alert" }, `${wordsOf(fault)}. It may be damaged: ask for it again.`),
      );
    }
    throw fault;
  }
}

start();
