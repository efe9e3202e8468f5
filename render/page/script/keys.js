/** Keys of the page: one list, from which they are obeyed and explained. */
import { button, make } from "./dom.js";

/**
 * @typedef {object} Key
 * @property {string[]} keys as the browser names them
 * @property {string} shown
 * @property {string} does
 * @property {(event: KeyboardEvent) => void} act
 */

const TYPING = "textarea, select, input:not([type=radio]):not([type=range]):not([type=checkbox])";
const OWN_SPACE = "button, summary, a, input[type=checkbox]";
const OWN_ARROWS = "input, select, [role=slider], [role=tab], .scroll";

/**
 * Whether the element in focus wants the key for itself.
 * @param {KeyboardEvent} event
 */
function taken(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented || event.isComposing)
    return true;
  const target = /** @type {Element} */ (event.target);
  // a dialog just closed may hold the focus until the next picture is drawn
  if (!(target instanceof Element) || target.closest("dialog:not([open])")) return false;
  if (target.closest("dialog[open]") || target.closest(TYPING)) return true;
  if (event.key === " " || event.key === "Enter") return target.closest(OWN_SPACE) !== null;
  return /^(Arrow|Home|End|Page)/.test(event.key) && target.closest(OWN_ARROWS) !== null;
}

export class Keys {
  /** @param {() => Key[]} list what the keys do now */
  constructor(list) {
    this.list = list;
    this.on = true;
    this.rows = make("dl", { class: "keys" });
    this.panel = this.buildPanel();
    document.addEventListener("keydown", (event) => this.press(event));
  }

  /** @param {KeyboardEvent} event */
  press(event) {
    if (!this.on || taken(event)) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const found = this.list().find(({ keys }) => keys.includes(key));
    if (!found) return;
    event.preventDefault();
    found.act(event);
  }

  /** @returns {HTMLDialogElement} */
  buildPanel() {
    const words = "Keys are obeyed (turn off if they get in the way of a screen reader)";
    const obey = (/** @type {any} */ event) => {
      this.on = event.target.checked;
    };
    return make(
      "dialog",
      { "aria-labelledby": "keys-title" },
      make("h2", { id: "keys-title" }, "Keys"),
      this.rows,
      make("label", {}, make("input", { type: "checkbox", checked: true, onchange: obey }), words),
      make(
        "div",
        { class: "actions" },
        button("Close", () => this.panel.close()),
      ),
    );
  }

  /** What every key does now. */
  showPanel() {
    const caps = (/** @type {string} */ shown) => shown.split(" ").map((word) => make("kbd", {}, word));
    const rows = this.list().flatMap(({ shown, does }) => [
      make("dt", {}, ...caps(shown)),
      make("dd", {}, does),
    ]);
    this.rows.replaceChildren(...rows);
    this.panel.showModal();
  }
}
