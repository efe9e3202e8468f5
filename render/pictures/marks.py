"""Panels on which something is marked: passages shaded, ranges tinted, and rows of marks below them.

However many marks there are, each pixel bears one at most: what lies closer together grows into a bar.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.patches import Rectangle

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import FREQUENCY_TICKS_HZ, Panel
from render.pictures.page import Align, Page, make_line
from render.pictures.words import frequency_words

SHADE = "#efefef"
TINT = "#d6e6ec"
HATCH = "#b9b9b9"
HATCH_STEP_PX = 5.0
ROW_PX = 14
MARK_PX = 8.0  # even: its ends fall on whole pixels
LEAST_PX = 2
APART_PX = 3
WORDS_GAP_PX = 4.0
CLOCK_STEPS_S = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0)
CLOSEST_TIMES_PX = 70.0


@dataclass(frozen=True)
class Run:
    """A mark on whole pixels, and how many places it stands for."""

    left_px: int
    right_px: int
    first: int
    count: int


@dataclass(frozen=True)
class Words:
    """What there is to say of a mark; in brief where there is little room."""

    full: str
    brief: str


def runs(from_px: Reals, to_px: Reals, *, width_px: int, apart_px: int = APART_PX) -> list[Run]:
    """Marks that lie on the same pixels, or so close that the eye sees one bar, become one.

    Parameters
    ----------
    from_px, to_px : float64, shape (places,)
        Rising.
    width_px : int
        Nothing lies beyond it.
    apart_px : int
        What is less apart becomes one.
    """
    found: list[Run] = []
    for index, (start, end) in enumerate(zip(from_px, to_px, strict=True)):
        left = min(max(math.floor(start), 0), width_px - LEAST_PX)
        right = min(max(math.ceil(end), left + LEAST_PX), width_px)
        if found and left < found[-1].right_px + apart_px:
            last = found[-1]
            found[-1] = Run(last.left_px, max(last.right_px, right), last.first, last.count + 1)
        else:
            found.append(Run(left, right, index, 1))
    return found


def mark_row(
    page: Page,
    *,
    left_px: float,
    width_px: float,
    middle_px: float,
    kind: str,
    marks: Sequence[Run],
    words: Sequence[Words],
    colour: str = style.INK,
    end: str = "",
) -> None:
    """A row of marks; its kind stands before it, what there is to say of a mark beside it where there is room.

    Parameters
    ----------
    page : Page
    left_px, width_px, middle_px : float
    kind : str
    marks : sequence of Run
    words : sequence of Words
        One for each mark.
    colour : str
    end : str
        Written at the end of the row, within it.
    """
    baseline_px = middle_px + 3.5

    def write(at_px: float, said: str, colour: str, align: Align) -> None:
        page.write(left_px + at_px, baseline_px, said, size_pt=style.SMALL_PT, colour=colour, align=align)

    label = style.shortened(style.printable(kind), style.SMALL_PT, left_px - 10.0)
    write(-7.0, label, style.QUIET_INK, "right")
    page.rule(left_px, left_px + width_px, middle_px + 6.5, colour=style.GRID, width_px=1.0)
    end_px = style.text_width_px(end, style.SMALL_PT) + 2.0 * WORDS_GAP_PX
    last_px = max((mark.right_px for mark in marks), default=0)
    free_px = width_px
    if end and last_px + end_px <= width_px:
        write(width_px, end, style.QUIET_INK, "right")
        free_px = width_px - end_px
    for mark in marks:
        page.rule(left_px + mark.left_px, left_px + mark.right_px, middle_px, colour=colour, width_px=MARK_PX)
    for at_px, said in _placed(marks, words, free_px=free_px):
        write(at_px, said, style.INK, "left")


def _placed(marks: Sequence[Run], words: Sequence[Words], *, free_px: float) -> list[tuple[float, str]]:
    """Where words begin, and which: all of them after the mark, or before it, else the short form before it."""
    placed: list[tuple[float, str]] = []
    taken_px = 0.0
    for index, (mark, said) in enumerate(zip(marks, words, strict=True)):
        full_px, brief_px = (
            style.text_width_px(one, style.SMALL_PT) + 2.0 * WORDS_GAP_PX for one in (said.full, said.brief)
        )
        next_px = marks[index + 1].left_px if index + 1 < len(marks) else free_px
        room_px = mark.left_px - taken_px
        taken_px = mark.right_px
        if mark.right_px + full_px <= next_px:
            placed.append((mark.right_px + WORDS_GAP_PX, said.full))
            taken_px = mark.right_px + full_px
        elif full_px <= room_px:
            placed.append((mark.left_px - full_px + WORDS_GAP_PX, said.full))
        elif brief_px <= room_px:
            placed.append((mark.left_px - brief_px + WORDS_GAP_PX, said.brief))
    return placed


class MarkedPanel(Panel):
    """A panel with passages, ranges and times."""

    def shade(self, spans_px: Sequence[Run], *, hatched: bool = False) -> None:
        """Shade passages from top to bottom; hatched ones can be told apart from plain ones in grey print."""
        for span in spans_px:
            self._rectangle(span.left_px, span.right_px, 0.0, self.height_px, SHADE)
            if hatched:
                self._hatch(span.left_px, span.right_px)

    def tint(self, lowest: float, highest: float) -> None:
        """Tint a range of the scale upwards, as far as it lies within the panel."""
        low_px = self.height_px * min(max(self.up.at(lowest), 0.0), 1.0)
        high_px = self.height_px * min(max(self.up.at(highest), 0.0), 1.0)
        if high_px > low_px:
            self._rectangle(0.0, self.width_px, low_px, high_px, TINT)

    def upright(self, at: float, *, colour: str, dashes: tuple[float, ...] = style.SOLID) -> None:
        """An upright line from top to bottom."""
        fraction = self.across.at(at)
        line = make_line(
            np.array([fraction, fraction]), np.array([0.0, 1.0]), colour=colour, width_px=1.0, dashes=dashes
        )
        line.set_clip_on(False)
        line.set_zorder(0.7)
        self._axes.add_line(line)

    def beside(self, at: float, words: str, *, colour: str) -> None:
        """Words at the upper end of an upright line, on the side that has more room."""
        at_px = self.width_px * self.across.at(at)
        right = at_px < 0.5 * self.width_px
        self.write_inside(
            at_px + (WORDS_GAP_PX if right else -WORDS_GAP_PX),
            self.height_px - 8.0,
            words,
            colour=colour,
            align="left" if right else "right",
            paper=True,
        )

    def grid_of_hertz(self, *, below_px: float | None = None) -> None:
        """Upright lines at the frequencies musicians read; their numbers so far below the panel, if at all."""
        ticks = [tick for tick in FREQUENCY_TICKS_HZ if self.across.lowest <= tick <= self.across.highest]
        for tick_hz in ticks:
            self.upright(tick_hz, colour=style.GRID)
            words = frequency_words(tick_hz)
            if tick_hz == ticks[-1]:
                words = words.replace("k", " kHz") if "k" in words else f"{words} Hz"
            if below_px is not None:
                self._number(tick_hz, words, below_px)

    def grid_of_times(self, *, below_px: float | None = None) -> None:
        """Upright lines at equal steps of time; hours, minutes and seconds so far below the panel, if at all."""
        span_s = self.across.highest - self.across.lowest
        step_s = time_step_s(span_s, width_px=self.width_px)
        for index in range(math.floor(span_s / step_s + 1e-9) + 1):
            instant_s = index * step_s
            self.upright(instant_s, colour=style.GRID)
            if below_px is not None:
                self._number(instant_s, clock_words(instant_s, step_s=step_s), below_px)

    def note(self, words: str) -> None:
        """Quiet words in the middle: why there is nothing to see."""
        self.write_inside(
            0.5 * self.width_px,
            0.5 * self.height_px,
            words,
            size_pt=style.TEXT_PT,
            colour=style.QUIET_INK,
            paper=True,
        )

    def _number(self, at: float, words: str, below_px: float) -> None:
        self.page.write(
            self.left_px + self.width_px * self.across.at(at),
            self.top_px + self.height_px + below_px,
            words,
            size_pt=style.SMALL_PT,
            colour=style.QUIET_INK,
            align="center",
        )

    def _rectangle(self, left_px: float, right_px: float, low_px: float, high_px: float, colour: str) -> None:
        self._axes.add_patch(
            Rectangle(
                (left_px / self.width_px, low_px / self.height_px),
                (right_px - left_px) / self.width_px,
                (high_px - low_px) / self.height_px,
                facecolor=colour,
                edgecolor="none",
                linewidth=0.0,
                antialiased=False,
                zorder=0.2,
            )
        )

    def _hatch(self, left_px: float, right_px: float) -> None:
        """Slanting lines across a passage; each is cut at its edges."""
        starts_px = np.arange(left_px - self.height_px + (-left_px) % HATCH_STEP_PX, right_px, HATCH_STEP_PX)
        begins_px, ends_px = (
            np.maximum(starts_px, left_px),
            np.minimum(starts_px + self.height_px, right_px),
        )
        gaps = np.full(len(starts_px), np.nan)
        across = np.stack([begins_px, ends_px, gaps], axis=1).ravel() / self.width_px
        up = np.stack([begins_px - starts_px, ends_px - starts_px, gaps], axis=1).ravel() / self.height_px
        line = make_line(across, up, colour=HATCH, width_px=0.8)
        line.set_zorder(0.3)
        self._axes.add_line(line)


def time_step_s(span_s: float, *, width_px: float) -> float:
    """The shortest step that people count in and that leaves room for the numbers."""
    most = max(width_px // CLOSEST_TIMES_PX, 1)
    if span_s / most <= CLOCK_STEPS_S[0]:
        power = 10.0 ** math.floor(math.log10(span_s / most))
        return next(
            step for factor in (1.0, 2.0, 5.0, 10.0) if span_s <= (step := factor * power) * (most + 1e-9)
        )
    for step_s in CLOCK_STEPS_S:
        if span_s / step_s <= most:
            return step_s
    return CLOCK_STEPS_S[-1] * math.ceil(span_s / most / CLOCK_STEPS_S[-1])


def clock_words(instant_s: float, *, step_s: float = 0.1) -> str:
    """A moment as players read it, as fine as a step asks for: `0:07`, `0:07.4`, `1:02:03`.

    Parameters
    ----------
    instant_s : float
    step_s : float
        Of a power of ten the digits behind the point.
    """
    digits = max(0, math.ceil(-math.log10(step_s) - 1e-9))
    ticks = round(instant_s * 10**digits)
    seconds, parts = divmod(ticks, 10**digits)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    behind = f".{parts:0{digits}d}" if digits else ""
    if hours:
        return f"{hours}:{minutes:02d}:{seconds:02d}{behind}"
    return f"{minutes}:{seconds:02d}{behind}"
