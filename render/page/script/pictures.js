/** Figures and drawings of the excerpt in hand, drawn again when something changes or the window does. */
import { make } from "./dom.js";
import { correlations, spectra, spectraTable, stereoTable, widths } from "./plots.js";
import { figures } from "./versions.js";

export class Pictures {
  /** @param {import("./content.js").Content} content */
  constructor(content) {
    this.content = content;
    /** @type {number | null} */
    this.against = null;
    /** @type {import("./content.js").Version[] | null} */
    this.versions = null;
    /** @type {number | null} */
    this.heard = null;
    this.figures = make("div", {});
    this.select = make("select", {
      "aria-label": "Spectrum shown",
      onchange: () => {
        this.against = this.select.value === "" ? null : Number(this.select.value);
        this.drawAll();
      },
    });
    this.spectra = make("div", {});
    this.widths = make("div", {});
    this.correlations = make("div", {});
    this.tables = make("div", {});
    this.element = make(
      "section",
      { class: "pictures", "aria-label": "Figures and pictures" },
      this.figures,
      make("div", { class: "picture-head" }, make("h3", {}, "Spectrum"), this.select),
      this.spectra,
      make(
        "div",
        { class: "pair" },
        make(
          "div",
          {},
          make("h3", {}, "Width"),
          make("p", { class: "detail" }, "side against mid; higher is wider"),
          this.widths,
        ),
        make(
          "div",
          {},
          make("h3", {}, "Correlation"),
          make("p", { class: "detail" }, "left with right; 1 is mono, below 0 is lost in mono"),
          this.correlations,
        ),
      ),
      this.tables,
    );
    new ResizeObserver(() => this.drawAll()).observe(this.spectra);
  }

  /** @param {import("./content.js").Version[]} versions */
  show(versions) {
    this.versions = versions;
    this.heard = null;
    if (this.against !== null && this.against >= versions.length) this.against = null;
    this.figures.replaceChildren(figures(versions));
    this.select.replaceChildren(
      make("option", { value: "", selected: this.against === null }, "as it is"),
      ...versions.map(({ title }, index) =>
        make(
          "option",
          { value: index, selected: this.against === index },
          `difference from ${index + 1}  ${title}`,
        ),
      ),
    );
    this.tables.replaceChildren(
      spectraTable(versions, this.content.band_hz),
      stereoTable(versions, this.content.octave_hz),
    );
    this.drawAll();
  }

  /** Nothing, not even hidden, while names must not be known. */
  clear() {
    this.versions = null;
    for (const part of [this.figures, this.select, this.spectra, this.widths, this.correlations, this.tables])
      part.replaceChildren();
  }

  /** @param {number} heard */
  update(heard) {
    if (this.heard === heard) return;
    this.heard = heard;
    for (const [index, row] of this.figures.querySelectorAll("tbody tr").entries())
      row.classList.toggle("chosen", index === heard);
    this.drawAll();
  }

  /** Difference from the version that is heard, or none. */
  toggleDifference() {
    this.against = this.against === null ? this.heard : null;
    this.select.value = this.against === null ? "" : String(this.against);
    this.drawAll();
  }

  drawAll() {
    const { versions, heard: chosen, against } = this;
    const width = this.spectra.clientWidth;
    if (!versions || chosen === null || !width || this.element.hidden) return;
    const { band_hz: bandHz, octave_hz: octaveHz } = this.content;
    this.spectra.replaceChildren(spectra({ versions, bandHz, chosen, against, width }));
    this.widths.replaceChildren(widths({ versions, octaveHz, chosen, width: this.widths.clientWidth }));
    this.correlations.replaceChildren(
      correlations({ versions, octaveHz, chosen, width: this.correlations.clientWidth }),
    );
  }
}
