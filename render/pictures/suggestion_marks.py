"""What is marked in the picture beside a suggested recipe: resonances, and where each stage works."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.patches import Rectangle

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Panel, Scale
from render.pictures.curves import Curve
from render.pictures.labels import stacked
from render.pictures.layout import COLUMN_PX
from render.pictures.page import Page, make_line
from render.recipe.models import Notch, Peaking, Stage

MARK_PX = 14.0
MARK_ROWS = 3
MARK_ROW_PX = 12
CUT_DB = 1.5
"""From this on cuts are seen at a resonance; less is the foot of a neighbour."""


@dataclass(frozen=True)
class Resonance:
    """One of the body, and whether the recipe cuts it."""

    frequency_hz: float
    is_cut: bool


@dataclass(frozen=True)
class StageMark:
    """Where a stage's mark stands above its panel: pixels from the left, and the row, from the panel up."""

    words: str
    at_px: float
    row: int


class BalancePanel(Panel):
    """A panel on which a range is tinted and frequencies are marked."""

    def tint(self, across: tuple[float, float], up: tuple[float, float], *, colour: str) -> None:
        """Tint a rectangle of both scales."""
        left, right = (self.across.at(value) for value in across)
        low, high = (min(max(self.up.at(value), 0.0), 1.0) for value in up)
        self._axes.add_patch(
            Rectangle(
                (left, low),
                right - left,
                high - low,
                facecolor=colour,
                edgecolor="none",
                linewidth=0.0,
                zorder=0.2,
            )
        )

    def mark(self, marks: Sequence[Resonance]) -> None:
        """Small strokes at the lower edge, each with its frequency: solid if it is cut, dashed and grey if not."""
        shown = sorted(
            (mark for mark in marks if self.across.lowest < mark.frequency_hz < self.across.highest),
            key=lambda mark: mark.frequency_hz,
        )
        at_px = [self.width_px * self.across.at(mark.frequency_hz) for mark in shown]
        words = [f"{mark.frequency_hz:.0f} Hz" for mark in shown]
        widths_px = [style.text_width_px(said, style.SMALL_PT) for said in words]
        rows = stacked(at_px, widths_px, most_rows=MARK_ROWS)
        for mark, middle_px, said, row in zip(shown, at_px, words, rows, strict=True):
            colour = style.ACCENT if mark.is_cut else style.QUIET_INK
            line = make_line(
                np.full(2, middle_px / self.width_px),
                np.array([0.0, MARK_PX / self.height_px]),
                colour=colour,
                width_px=style.LINE_PX,
                dashes=style.SOLID if mark.is_cut else (2.0, 1.6),
            )
            self._axes.add_line(line)
            if row is not None:
                up_px = MARK_PX + 8.0 + MARK_ROW_PX * row
                self.write_inside(middle_px, up_px, said, colour=colour, paper=True)


def resonances(
    marks_hz: Sequence[float], chain: Sequence[Stage], stages: Sequence[Curve], frequency_hz: Reals
) -> list[Resonance]:
    """Resonances, each with whether the cuts of a chain take `CUT_DB` or more off it.

    Parameters
    ----------
    marks_hz : sequence of float
    chain : sequence of Stage
    stages : sequence of Curve
        Its stages' curves, all of them.
    frequency_hz : float64, shape (points,)
        Of the curves.
    """
    return [
        Resonance(mark_hz, _cut_db(chain, stages, frequency_hz, mark_hz) <= -CUT_DB) for mark_hz in marks_hz
    ]


def mark_words(marks: Sequence[Resonance]) -> str:
    """What the strokes at the lower edge are."""
    if not marks:
        return ""
    return "; strokes: resonances" + ("" if all(mark.is_cut for mark in marks) else ", dashed if not cut")


def stage_marks(chain: Sequence[Stage], stages: Sequence[Curve], frequency_hz: Reals) -> list[StageMark]:
    """A mark for every stage that does something, over the frequency that it names, or where it does most.

    Parameters
    ----------
    chain : sequence of Stage
    stages : sequence of Curve
        Those of the chain that are to be marked.
    frequency_hz : float64, shape (points,)
        Of the curves, and of the panel across.

    Returns
    -------
    list of StageMark
        From low to high; where too many lie together some have none.
    """
    scale = Scale(float(frequency_hz[0]), float(frequency_hz[-1]), octaves=True)
    places = []
    for stage in stages:
        if np.max(np.abs(stage.level_db)) > 0.5:
            at_hz = _named_hz(_stage_of(chain, stage))
            most_hz = float(frequency_hz[int(np.argmax(np.abs(stage.level_db)))])
            places.append((COLUMN_PX * scale.at(most_hz if at_hz is None else at_hz), stage.mark))
    places = sorted((min(max(at_px, MARK_PX), COLUMN_PX - MARK_PX), words) for at_px, words in places)
    widths_px = [style.text_width_px(words, style.SMALL_PT) for _, words in places]
    rows = stacked([at_px for at_px, _ in places], widths_px, most_rows=MARK_ROWS)
    return [
        StageMark(words, at_px, row)
        for (at_px, words), row in zip(places, rows, strict=True)
        if row is not None
    ]


def write_marks(page: Page, panel: Panel, marks: Sequence[StageMark]) -> None:
    """Numbers of the stages above their panel."""
    for mark in marks:
        page.write(
            panel.left_px + mark.at_px,
            panel.top_px - 5.0 - MARK_ROW_PX * mark.row,
            mark.words,
            size_pt=style.SMALL_PT,
            colour=style.QUIET_INK,
            align="center",
        )


def _stage_of(chain: Sequence[Stage], curve: Curve) -> Stage:
    """The stage that a curve is of, by its mark: `[2]`, or `[2]L` and `[2]R` of one of two channels."""
    return chain[int(curve.mark[1 : curve.mark.index("]")])]


def _named_hz(stage: Stage) -> float | None:
    """Where a stage works, if its recipe says so."""
    for key in ("centre_hz", "cutoff_hz", "corner_hz"):
        value = getattr(stage, key, None)
        if value is not None:
            return float(value)
    return None


def _cut_db(chain: Sequence[Stage], stages: Sequence[Curve], frequency_hz: Reals, at_hz: float) -> float:
    """What all cuts of a chain together do at a frequency."""
    return sum(
        float(np.interp(at_hz, frequency_hz, curve.level_db))
        for curve in stages
        if isinstance(stage := _stage_of(chain, curve), Notch)
        or (isinstance(stage, Peaking) and stage.gain_db < 0.0)
    )
