"""Panels with scales: grid, units, lines, and names written on the lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.text import Text

from render.audio.array import Reals
from render.pictures import style
from render.pictures.labels import Label, place_labels
from render.pictures.page import Align, Page, make_line
from render.pictures.words import frequency_words, number

FREQUENCY_TICKS_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0, 20_000.0)
DB_STEP = 6.0
DEPTH_DB = 24.0
FAINT_DEPTH_DB = 6.0
CLOSEST_TICKS_PX = 14.0
LABEL_HEIGHT_PX = 12.0
OFF_PANEL = 0.5  # lines go so far beyond the edges before they are cut


@dataclass(frozen=True)
class Scale:
    """From one end of an axis to the other; for frequencies every octave takes the same room."""

    lowest: float
    highest: float
    octaves: bool = False

    def fraction(self, value: Reals) -> Reals:
        """Where values lie: 0 at the lowest, 1 at the highest."""
        if self.octaves:
            return np.asarray(np.log(value / self.lowest) / math.log(self.highest / self.lowest))
        return np.asarray((value - self.lowest) / (self.highest - self.lowest))

    def at(self, value: float) -> float:
        """Where one value lies."""
        return float(self.fraction(np.asarray(value, dtype=np.float64)))


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line of a panel: its points, its look, and the name written on it, if any."""

    across: Reals
    up: Reals
    colour: str
    width_px: float
    dashes: tuple[float, ...] = style.SOLID
    name: str = ""
    bold_name: bool = False


class Panel:
    """A rectangle of a page with a scale across and a scale up."""

    def __init__(
        self,
        page: Page,
        *,
        left_px: float,
        top_px: float,
        width_px: float,
        height_px: float,
        across: Scale,
        up: Scale,
    ) -> None:
        self.page, self.across, self.up = page, across, up
        self.left_px, self.top_px, self.width_px, self.height_px = left_px, top_px, width_px, height_px
        self._axes = page.panel(left_px, top_px, width_px, height_px)

    def caption(self, words: str, *, above_px: float = 0.0) -> None:
        """What the scale upwards measures, in which unit: above the panel, and above so much that stands between."""
        baseline_px = self.top_px - 7.0 - above_px
        self.page.write(self.left_px, baseline_px, words, size_pt=style.SMALL_PT, colour=style.QUIET_INK)

    def grid_of_frequencies(self, ticks_hz: Sequence[float] = FREQUENCY_TICKS_HZ) -> None:
        """Upright lines at the frequencies musicians read, with numbers below."""
        ticks = [tick for tick in ticks_hz if self.across.lowest <= tick <= self.across.highest]
        for tick in ticks:
            self._upright(self.across.at(tick))
            words = frequency_words(tick)
            if tick == ticks[-1]:
                words = words.replace("k", " kHz") if "k" in words else f"{words} Hz"
            self._number_below(self.left_px + self.width_px * self.across.at(tick), words)

    def grid_of_seconds(self, step_s: float) -> None:
        """Upright lines at equal steps of time, with numbers below."""
        count = math.floor(self.across.highest / step_s + 1e-9)
        for index in range(count + 1):
            at = self.across.at(index * step_s)
            self._upright(at)
            words = number(index * step_s)
            self._number_below(self.left_px + self.width_px * at, f"{words} s" if index == count else words)

    def grid_up(self, step: float, *, rest: float | None = None) -> None:
        """Level lines at equal steps, numbered as far as there is room; `rest` is drawn darker."""
        step_px = self.height_px * step / (self.up.highest - self.up.lowest)
        every = max(1, math.ceil(CLOSEST_TICKS_PX / step_px))
        first = math.ceil(self.up.lowest / step - 1e-9)
        last = math.floor(self.up.highest / step + 1e-9)
        for index in range(first, last + 1):
            value = index * step
            at = self.up.at(value)
            self._level(at, style.AXIS if value == rest else style.GRID)
            if index % every == 0:
                self.page.write(
                    self.left_px - 7.0,
                    self.top_px + self.height_px * (1.0 - at) + 4.0,
                    number(round(value, 6)),
                    size_pt=style.SMALL_PT,
                    colour=style.QUIET_INK,
                    align="right",
                )

    def ticks_on_top(self, at: Sequence[float], words: Sequence[str], *, meaning: str) -> None:
        """Small marks at the upper edge, inside, with a word each, and what they are."""
        for value, word in zip(at, words, strict=True):
            fraction = self.across.at(value)
            height = 4.0 / self.height_px
            line = make_line(
                np.array([fraction, fraction]), np.array([1.0 - height, 1.0]), colour=style.AXIS, width_px=1.0
            )
            self._axes.add_line(line)
            self.write_inside(
                self.width_px * fraction, self.height_px - 10.0, word, size_pt=6.5, colour=style.QUIET_INK
            )
        after_px = self.width_px * self.across.at(at[-1]) + 10.0
        self.write_inside(
            after_px, self.height_px - 10.0, meaning, size_pt=6.5, colour=style.QUIET_INK, align="left"
        )

    def draw(
        self,
        strokes: Sequence[Stroke],
        *,
        rest: float | None = None,
        clear_top_px: float = 0.0,
        dots: Sequence[tuple[float, float]] = (),
    ) -> None:
        """Draw lines, the first one lowest, and write their names on them.

        Names are placed in the order of the strokes from the last to the first: what is on top matters most;
        `clear_top_px` of the upper edge and the points `dots`, in the panel's scales, are kept clear of them.
        """
        for stroke in strokes:
            self._axes.add_line(
                make_line(
                    self.across.fraction(stroke.across),
                    self._fraction_up(stroke.up),
                    colour=stroke.colour,
                    width_px=stroke.width_px,
                    dashes=stroke.dashes,
                )
            )
        ordered = list(reversed(strokes))
        spots = place_labels(
            [
                (
                    self.width_px * self.across.fraction(stroke.across),
                    self.height_px * self._fraction_up(stroke.up),
                )
                for stroke in ordered
            ],
            [_label(stroke) for stroke in ordered],
            bold=[stroke.width_px > style.THIN_PX for stroke in ordered],
            width_px=self.width_px,
            height_px=self.height_px,
            rest_px=None if rest is None else self.height_px * self.up.at(rest),
            clear_top_px=clear_top_px,
            dots_px=[
                (self.width_px * self.across.at(across), self.height_px * self.up.at(up))
                for across, up in dots
            ],
        )
        for stroke, spot in zip(ordered, spots, strict=True):
            if spot is not None:
                self.write_inside(
                    spot.right_px,
                    spot.up_px,
                    stroke.name,
                    colour=stroke.colour,
                    bold=stroke.bold_name,
                    paper=spot.on_line,
                )

    def dots(self, across: Reals, up: Reals, *, colour: str, size_px: float) -> None:
        """Draw round dots."""
        line = make_line(self.across.fraction(across), self.up.fraction(up), colour=colour, width_px=0.0)
        line.set_linestyle("None")
        line.set_marker("o")
        line.set_markersize(style.points(size_px))
        line.set_markerfacecolor(colour)
        line.set_markeredgecolor(style.PAPER)
        line.set_markeredgewidth(style.points(1.0))
        line.set_clip_on(False)
        self._axes.add_line(line)

    def legend(self, strokes: Sequence[Stroke], names: Sequence[str]) -> None:
        """Patterns of lines with their names, in the upper right corner."""
        right_px = self.width_px - 8.0
        left_px = right_px - max(style.text_width_px(name, style.SMALL_PT) for name in names) - 8.0
        for index, (stroke, name) in enumerate(zip(strokes, names, strict=True)):
            up_px = self.height_px - 16.0 - 15.0 * index
            line = make_line(
                np.array([left_px - 26.0, left_px]) / self.width_px,
                np.array([up_px, up_px]) / self.height_px,
                colour=stroke.colour,
                width_px=stroke.width_px,
                dashes=stroke.dashes,
            )
            self._axes.add_line(line)
            self.write_inside(left_px + 6.0, up_px, name, align="left", paper=True)

    def write_inside(
        self,
        right_px: float,
        up_px: float,
        words: str,
        *,
        size_pt: float = style.SMALL_PT,
        colour: str = style.INK,
        bold: bool = False,
        align: Align = "center",
        paper: bool = False,
    ) -> None:
        """Write within the panel, centred in height; on a piece of paper where it lies on a line."""
        text = Text(
            right_px / self.width_px,
            up_px / self.height_px,
            words,
            color=colour,
            fontproperties=style.font(size_pt, bold=bold),
            horizontalalignment=align,
            verticalalignment="center_baseline",
            usetex=False,
            parse_math=False,
            transform=self._axes.transAxes,
            antialiased=True,
            zorder=5.0,
        )
        if paper:
            text.set_bbox(
                {
                    "boxstyle": "square,pad=0.12",
                    "facecolor": style.PAPER,
                    "edgecolor": "none",
                    "linewidth": 0.0,
                }
            )
        self._axes.add_artist(text)

    def _fraction_up(self, up: Reals) -> Reals:
        return np.asarray(np.clip(self.up.fraction(up), -OFF_PANEL, 1.0 + OFF_PANEL))

    def _upright(self, at: float) -> None:
        line = make_line(np.array([at, at]), np.array([0.0, 1.0]), colour=style.GRID, width_px=1.0)
        line.set_clip_on(False)
        line.set_zorder(0.5)
        self._axes.add_line(line)

    def _level(self, at: float, colour: str) -> None:
        line = make_line(np.array([0.0, 1.0]), np.array([at, at]), colour=colour, width_px=1.0)
        line.set_clip_on(False)
        line.set_zorder(0.6)
        self._axes.add_line(line)

    def _number_below(self, at_px: float, words: str) -> None:
        self.page.write(
            at_px,
            self.top_px + self.height_px + 15.0,
            words,
            size_pt=style.SMALL_PT,
            colour=style.QUIET_INK,
            align="center",
        )


def db_scale(levels_db: Sequence[Reals], *, faint_db: Sequence[Reals] = ()) -> Scale:
    """A scale in steps of 6 dB that shows some lines, each down to 24 dB below its own top.

    Holds -12 to 6 dB at least, with 3 dB of air above the highest line.

    Parameters
    ----------
    levels_db : sequence of float64, shape (points,)
        Minus infinity allowed.
    faint_db : sequence of float64, shape (points,)
        Lines of which the top 6 dB are enough.
    """
    spans = [
        (max(float(np.min(level_db)), float(np.max(level_db)) - depth_db), float(np.max(level_db)))
        for lines, depth_db in ((levels_db, DEPTH_DB), (faint_db, FAINT_DEPTH_DB))
        for level_db in lines
        if np.isfinite(np.max(level_db))
    ]
    lowest = min([low for low, _ in spans] + [-12.0])
    highest = max([top for _, top in spans] + [0.0]) + 3.0
    return Scale(DB_STEP * math.floor(lowest / DB_STEP + 1e-6), DB_STEP * math.ceil(highest / DB_STEP - 1e-6))


def nice_step(span: float, *, most: int) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that divides a span into so many steps at most."""
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(step for factor in (1.0, 2.0, 5.0, 10.0) if span <= (step := factor * power) * (most + 1e-9))


def _label(stroke: Stroke) -> Label | None:
    if not stroke.name:
        return None
    return Label(
        style.text_width_px(stroke.name, style.SMALL_PT, bold=stroke.bold_name) + 2.0, LABEL_HEIGHT_PX
    )
