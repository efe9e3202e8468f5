/** Elements of the page. Text is only ever put in as text. */

const SVG = "http://www.w3.org/2000/svg";

/** @typedef {Record<string, string | number | boolean | null | ((event: any) => void)>} Attributes */
/** @typedef {Node | string | null} Child */

/**
 * @param {Element} element
 * @param {Attributes} attributes
 * @param {Child[]} children
 */
function fill(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(key.replace(/^on/, ""), value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null) element.setAttribute(key, String(value));
  }
  element.append(...children.filter((child) => child !== null));
}

/**
 * An element of the page; keys that begin with "on" are what it answers to.
 * @param {string} tag
 * @param {Attributes} [attributes]
 * @param {...Child} children
 * @returns {any}
 */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  fill(element, attributes, children);
  return element;
}

/**
 * An element of a drawing.
 * @param {string} tag
 * @param {Attributes} [attributes]
 * @param {...Child} children
 * @returns {any}
 */
export function draw(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  fill(element, attributes, children);
  return element;
}

/**
 * A button: its words, what it does, the key that does the same.
 * @param {string} words
 * @param {() => void} act
 * @param {{ key?: string, main?: boolean }} [more]
 * @returns {HTMLButtonElement}
 */
export function button(words, act, { key = "", main = false } = {}) {
  return make(
    "button",
    { type: "button", class: main ? "main" : null, onclick: act, "aria-keyshortcuts": key || null },
    make("span", {}, words),
    key ? make("kbd", { "aria-hidden": "true" }, key) : null,
  );
}

/**
 * A choice of one among several, as radio buttons under a heading.
 * @param {string} words
 * @param {{ value: string, title: Child, detail?: string }[]} options
 * @param {string} chosen
 * @param {(value: string) => void} choose
 * @param {{ name: string, className?: string }} more
 * @returns {HTMLFieldSetElement}
 */
export function choice(words, options, chosen, choose, { name, className = "" }) {
  const rows = options.map(({ value, title, detail }) => {
    const input = make("input", {
      type: "radio",
      name,
      value,
      checked: value === chosen,
      onchange: () => choose(value),
    });
    return make("label", { title: detail ?? null }, input, make("span", {}, title));
  });
  return make(
    "fieldset",
    { class: `choice ${className}` },
    make("legend", {}, words),
    make("div", {}, ...rows),
  );
}

/**
 * Put the mark of a choice where it belongs, without asking anything.
 * @param {ParentNode} fieldset
 * @param {string} value
 */
export function showChoice(fieldset, value) {
  for (const input of fieldset.querySelectorAll('input[type="radio"]')) {
    /** @type {HTMLInputElement} */ (input).checked = /** @type {HTMLInputElement} */ (input).value === value;
  }
}

/**
 * A table of figures.
 * @param {string} caption
 * @param {Child[]} heads
 * @param {Child[][]} rows the first of each is its head
 * @returns {HTMLTableElement}
 */
export function table(caption, heads, rows) {
  const body = rows.map(([head, ...cells]) =>
    make("tr", {}, make("th", { scope: "row" }, head), ...cells.map((cell) => make("td", {}, cell))),
  );
  return make(
    "table",
    {},
    make("caption", {}, caption),
    make("thead", {}, make("tr", {}, ...heads.map((head) => make("th", { scope: "col" }, head)))),
    make("tbody", {}, ...body),
  );
}
