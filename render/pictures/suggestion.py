"""Before and after of a suggested recipe: the balance of both sources, what was done to each.

header
microphone against pickup, third octaves, before and after, resonances marked
pickup                  microphone             spectra before and after; stages, and their curve all together
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.patches import Rectangle

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Panel, Scale, Stroke, db_scale
from render.pictures.curves import Curve, picture_frequencies_hz, source_curves
from render.pictures.layout import (
    AXIS_PX,
    CAPTION_PX,
    COLUMN_PX,
    HEAD_PX,
    LINE_PX,
    SECTION_PX,
    Section,
    column,
    frequency_panel,
    heading,
    stage_list,
)
from render.pictures.page import Page, make_line, write_file
from render.pictures.words import number
from render.recipe.models import Recipe

BALANCE_PX = 220
SPECTRUM_PX = 170
CURVE_PX = 150
BOTTOM_PX = 24
LOWEST_HZ, HIGHEST_HZ = 40.0, 16_000.0
TOLERANCE_DB = 3.0
MOST_STAGES = 8
SHADE = "#e3eef2"
MARK_PX = 14.0
CURVE_RATE_HZ = 48_000


@dataclass(frozen=True, eq=False)
class SourceSpectrum:
    """One source's level in third octaves against its own middle band, before and after its chain."""

    name: str
    role: str
    before_db: Reals
    after_db: Reals


@dataclass(frozen=True, eq=False)
class Suggestion:
    """What the picture shows.

    Attributes
    ----------
    title : str
    facts : tuple of str
        Lines below the title.
    thirds_hz, before_db, after_db : float64, shape (thirds,)
        Microphone against pickup; not-a-number where one does not carry the guitar.
    low_hz : (float, float)
        The band that is brought into balance.
    marks_hz : tuple of float
        Resonances.
    sources : tuple of SourceSpectrum
        Pickup, microphone.
    """

    title: str
    facts: tuple[str, ...]
    thirds_hz: Reals
    before_db: Reals
    after_db: Reals
    low_hz: tuple[float, float]
    marks_hz: tuple[float, ...]
    sources: tuple[SourceSpectrum, SourceSpectrum]


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

    def mark(self, marks: Sequence[float]) -> None:
        """Small strokes at the lower edge, each with its frequency; those too close for words without."""
        last_px = -np.inf
        for mark_hz in sorted(marks):
            if not self.across.lowest < mark_hz < self.across.highest:
                continue
            at = self.across.at(mark_hz)
            ends = np.array([0.0, MARK_PX / self.height_px])
            self._axes.add_line(
                make_line(np.array([at, at]), ends, colour=style.ACCENT, width_px=style.LINE_PX)
            )
            words = f"{number(round(mark_hz))} Hz"
            half_px = 0.5 * style.text_width_px(words, style.SMALL_PT)
            at_px = self.width_px * at
            if at_px - half_px > last_px + 6.0:
                self.write_inside(at_px, MARK_PX + 8.0, words, colour=style.ACCENT, paper=True)
                last_px = at_px + half_px


def draw_suggestion(suggestion: Suggestion, recipe: Recipe, target: Path) -> None:
    """Draw the picture into a PNG file, which is replaced as a whole, or not at all.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    write_file(target, suggestion_png(suggestion, recipe))


def suggestion_png(suggestion: Suggestion, recipe: Recipe) -> bytes:
    """The picture of `draw_suggestion`, 900 pixels wide."""
    sections = [_header(suggestion), _balance(suggestion), _sources(suggestion, recipe)]
    page = Page(sum(section.height_px for section in sections))
    top_px = 0.0
    for section in sections:
        section.draw(page, top_px)
        top_px += section.height_px
    return page.png()


def _header(suggestion: Suggestion) -> Section:
    inner_px = style.WIDTH_PX - style.MARGIN_PX - style.RIGHT_MARGIN_PX
    facts = [
        line
        for fact in suggestion.facts
        for line in style.wrapped(style.printable(fact), style.TEXT_PT, inner_px, most_lines=2)
    ]

    def draw(page: Page, top_px: float) -> None:
        title = style.shortened(style.printable(suggestion.title), style.TITLE_PT, inner_px, bold=True)
        page.write(style.MARGIN_PX, top_px + 48, title, size_pt=style.TITLE_PT, bold=True)
        for index, line in enumerate(facts):
            page.write(style.MARGIN_PX, top_px + 71 + LINE_PX * index, line)

    return Section(71 + LINE_PX * len(facts) + SECTION_PX - 10, draw)


def _balance(suggestion: Suggestion) -> Section:
    """Microphone against pickup over the whole width."""
    pickup, microphone = suggestion.sources
    width_px = style.WIDTH_PX - style.MARGIN_PX - style.RIGHT_MARGIN_PX
    shown = [suggestion.before_db, suggestion.after_db]
    level = db_scale([curve[np.isfinite(curve)] for curve in shown if np.any(np.isfinite(curve))])
    panel_top_px = HEAD_PX + LINE_PX + CAPTION_PX

    def draw(page: Page, top_px: float) -> None:
        fact = (
            "each against its own middle, 400 Hz to 2 kHz; above 0: more in the microphone than in the pickup"
        )
        name = f"{microphone.name} against {pickup.name}"
        heading(page, style.MARGIN_PX, top_px, name, [fact])
        panel = BalancePanel(
            page,
            left_px=style.MARGIN_PX,
            top_px=top_px + panel_top_px,
            width_px=width_px,
            height_px=BALANCE_PX,
            across=Scale(LOWEST_HZ, HIGHEST_HZ, octaves=True),
            up=level,
        )
        panel.caption("level in dB, third octaves; shaded: the low band within 3 dB")
        panel.tint(suggestion.low_hz, (-TOLERANCE_DB, TOLERANCE_DB), colour=SHADE)
        panel.grid_of_frequencies()
        panel.grid_up(6.0 if level.highest - level.lowest > 18.0 else 3.0, rest=0.0)
        strokes = [
            Stroke(suggestion.thirds_hz, suggestion.before_db, style.INK, style.LINE_PX, (4.5, 2.0)),
            Stroke(suggestion.thirds_hz, suggestion.after_db, style.ACCENT, style.BOLD_PX),
        ]
        panel.draw(strokes, rest=0.0)
        panel.legend(strokes, ["as captured", "with this recipe"])
        panel.mark(suggestion.marks_hz)

    return Section(panel_top_px + BALANCE_PX + AXIS_PX + SECTION_PX, draw)


def _sources(suggestion: Suggestion, recipe: Recipe) -> Section:
    """Each source's spectrum before and after, its stages and their curve."""
    frequency_hz = picture_frequencies_hz(recipe, sample_rate_hz=CURVE_RATE_HZ)
    curves = [
        source_curves(
            source.name, recipe.sources[source.name], sample_rate_hz=CURVE_RATE_HZ, frequency_hz=frequency_hz
        )
        for source in suggestion.sources
    ]
    spectra = db_scale(
        [level for one in suggestion.sources for level in _finite(one.before_db, one.after_db)]
    )
    responses = db_scale([one.total.level_db for one in curves])
    listed = max(min(len(one.stages), MOST_STAGES + 1) for one in curves) + 1
    spectrum_top_px = HEAD_PX + LINE_PX + CAPTION_PX
    list_top_px = spectrum_top_px + SPECTRUM_PX + AXIS_PX + 14
    curve_top_px = list_top_px + LINE_PX * listed + CAPTION_PX + 8

    def draw(page: Page, top_px: float) -> None:
        for index, (source, found) in enumerate(zip(suggestion.sources, curves, strict=True)):
            left_px = column(index)
            facts = style.wrapped(found.facts, style.TEXT_PT, COLUMN_PX, most_lines=1)
            name = source.name if source.name == source.role else f"{source.name}, the {source.role}"
            heading(page, left_px, top_px, name, facts)
            panel = Panel(
                page,
                left_px=left_px,
                top_px=top_px + spectrum_top_px,
                width_px=COLUMN_PX,
                height_px=SPECTRUM_PX,
                across=Scale(LOWEST_HZ, HIGHEST_HZ, octaves=True),
                up=spectra,
            )
            panel.caption("level of the guitar in dB, third octaves, 0: its middle band")
            panel.grid_of_frequencies()
            panel.grid_up(6.0, rest=0.0)
            strokes = [
                Stroke(suggestion.thirds_hz, source.before_db, style.INK, style.LINE_PX, (4.5, 2.0)),
                Stroke(suggestion.thirds_hz, source.after_db, style.ACCENT, style.BOLD_PX),
            ]
            panel.draw(strokes)
            panel.legend(strokes, ["before", "after"])
            stage_list(
                page, left_px, top_px + list_top_px, found.stages, most=MOST_STAGES, total=found.total.words
            )
            panel = frequency_panel(
                page,
                left_px,
                top_px + curve_top_px,
                height_px=CURVE_PX,
                frequency_hz=frequency_hz,
                up=responses,
            )
            panel.caption("what is done to it, level in dB")
            panel.grid_of_frequencies()
            panel.grid_up(6.0, rest=0.0)
            panel.draw(_stage_strokes(found.stages, found.total, frequency_hz), rest=0.0)

    return Section(curve_top_px + CURVE_PX + AXIS_PX + BOTTOM_PX, draw)


def _stage_strokes(stages: Sequence[Curve], total: Curve, frequency_hz: Reals) -> list[Stroke]:
    """Stages thin with their numbers, all together bold on top."""
    thin = [
        Stroke(
            frequency_hz,
            stage.level_db,
            style.THIN,
            style.THIN_PX,
            style.THIN_DASHES[index % len(style.THIN_DASHES)],
            name=stage.mark if index < MOST_STAGES and np.max(np.abs(stage.level_db)) > 0.5 else "",
        )
        for index, stage in enumerate(stages)
    ]
    return [*thin, Stroke(frequency_hz, total.level_db, style.ACCENT, style.BOLD_PX)]


def _finite(*curves: Reals) -> list[Reals]:
    return [curve[np.isfinite(curve)] for curve in curves if np.any(np.isfinite(curve))]
