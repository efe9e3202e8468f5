/** Asks before a test is left in the middle. */
import { button, make } from "./dom.js";

export class Leaving {
  constructor() {
    this.go = () => {};
    this.stay = () => {};
    this.element = make(
      "dialog",
      { "aria-labelledby": "leaving-title", oncancel: () => this.stay() },
      make("h2", { id: "leaving-title" }, "A test is under way"),
      make(
        "p",
        {},
        "Names are hidden until it ends. What is kept stays; what is not finished counts for nothing.",
      ),
      make(
        "div",
        { class: "actions" },
        button("Go on with it", () => this.close(this.stay), { main: true }),
        button("End it", () => this.close(this.go)),
      ),
    );
  }

  /** @param {() => void} act */
  close(act) {
    this.element.close();
    act();
  }

  /**
   * @param {() => void} go
   * @param {() => void} stay
   */
  ask(go, stay) {
    this.go = go;
    this.stay = stay;
    this.element.showModal();
  }
}
