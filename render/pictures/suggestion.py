"""Before and after of a suggested recipe: the balance of both sources, what was done to each.

header
microphone against pickup, third octaves, before and after, resonances marked
pickup                  microphone             spectra before and after; stages, and their curve all together,
                                               their marks above the panel, each over the frequency that it names
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Panel, Scale, Stroke, db_scale
from render.pictures.curves import Curve, SourceCurves, picture_frequencies_hz, source_curves
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
from render.pictures.page import Page, write_file
from render.pictures.suggestion_marks import (
    MARK_ROW_PX,
    BalancePanel,
    Resonance,
    mark_words,
    resonances,
    stage_marks,
    write_marks,
)
from render.pictures.words import DOT, real_minus
from render.recipe.models import Recipe, Stage

BALANCE_PX = 220
SPECTRUM_PX = 170
CURVE_PX = 150
BOTTOM_PX = 24
LOWEST_HZ, HIGHEST_HZ = 40.0, 16_000.0
TOLERANCE_DB = 3.0
TITLE_LINE_PX = 26
MOST_STAGES = 8
MOST_FACT_LINES = 2
SHADE = "#e3eef2"
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
    frequency_hz = picture_frequencies_hz(recipe, sample_rate_hz=CURVE_RATE_HZ)
    curves = [
        source_curves(
            source.name, recipe.sources[source.name], sample_rate_hz=CURVE_RATE_HZ, frequency_hz=frequency_hz
        )
        for source in suggestion.sources
    ]
    chains = [recipe.sources[source.name].chain for source in suggestion.sources]
    marks = resonances(suggestion.marks_hz, chains[1], curves[1].stages, frequency_hz)
    sections = [
        _header(suggestion),
        _balance(suggestion, marks),
        _sources(suggestion, curves, chains, frequency_hz),
    ]
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
        for line in style.wrapped(real_minus(style.printable(fact)), style.TEXT_PT, inner_px, most_lines=2)
    ]
    title = style.printable(suggestion.title)
    size_pt = style.TITLE_PT
    if style.text_width_px(title, size_pt, bold=True) > inner_px:
        size_pt = style.LONG_TITLE_PT
    lines = style.wrapped(title, size_pt, inner_px, most_lines=2, bold=True)
    facts_px = 71 + TITLE_LINE_PX * (len(lines) - 1)

    def draw(page: Page, top_px: float) -> None:
        for index, line in enumerate(lines):
            baseline_px = top_px + 48 + TITLE_LINE_PX * index
            page.write(style.MARGIN_PX, baseline_px, line, size_pt=size_pt, bold=True)
        for index, line in enumerate(facts):
            page.write(style.MARGIN_PX, top_px + facts_px + LINE_PX * index, line)

    return Section(facts_px + LINE_PX * len(facts) + SECTION_PX - 10, draw)


def _balance(suggestion: Suggestion, marks: Sequence[Resonance]) -> Section:
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
        panel.caption(f"level in dB, third octaves; shaded: the low band within 3 dB{mark_words(marks)}")
        panel.tint(suggestion.low_hz, (-TOLERANCE_DB, TOLERANCE_DB), colour=SHADE)
        panel.grid_of_frequencies()
        panel.grid_up(6.0 if level.highest - level.lowest > 18.0 else 3.0, rest=0.0)
        strokes = [
            Stroke(suggestion.thirds_hz, suggestion.before_db, style.INK, style.LINE_PX, (4.5, 2.0)),
            Stroke(suggestion.thirds_hz, suggestion.after_db, style.ACCENT, style.BOLD_PX),
        ]
        panel.draw(strokes, rest=0.0)
        panel.legend(strokes, ["as captured", "with this recipe"])
        panel.mark(marks)

    return Section(panel_top_px + BALANCE_PX + AXIS_PX + SECTION_PX, draw)


def _sources(
    suggestion: Suggestion,
    curves: Sequence[SourceCurves],
    chains: Sequence[Sequence[Stage]],
    frequency_hz: Reals,
) -> Section:
    """Each source's spectrum before and after, its stages and their curve."""
    facts = [_facts_lines(one.facts) for one in curves]
    marks = [
        stage_marks(chain, one.stages[:MOST_STAGES], frequency_hz)
        for chain, one in zip(chains, curves, strict=True)
    ]
    mark_rows = max((mark.row + 1 for some in marks for mark in some), default=0)
    spectra = db_scale(
        [level for one in suggestion.sources for level in _finite(one.before_db, one.after_db)]
    )
    responses = db_scale([one.total.level_db for one in curves])
    listed = max(min(len(one.stages), MOST_STAGES + 1) for one in curves) + 1
    spectrum_top_px = HEAD_PX + LINE_PX * max(map(len, facts)) + CAPTION_PX
    list_top_px = spectrum_top_px + SPECTRUM_PX + AXIS_PX + 14
    marks_px = MARK_ROW_PX * mark_rows + 4
    curve_top_px = list_top_px + LINE_PX * listed + CAPTION_PX + 8 + marks_px

    def draw(page: Page, top_px: float) -> None:
        for index, (source, found) in enumerate(zip(suggestion.sources, curves, strict=True)):
            left_px = column(index)
            name = source.name if source.name == source.role else f"{source.name}, the {source.role}"
            heading(page, left_px, top_px, name, facts[index])
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
            panel.caption("what is done to it, level in dB", above_px=marks_px)
            panel.grid_of_frequencies()
            panel.grid_up(6.0, rest=0.0)
            write_marks(page, panel, marks[index])
            panel.draw(_stage_strokes(found.stages, found.total, frequency_hz), rest=0.0)

    return Section(curve_top_px + CURVE_PX + AXIS_PX + BOTTOM_PX, draw)


def _stage_strokes(stages: Sequence[Curve], total: Curve, frequency_hz: Reals) -> list[Stroke]:
    """Stages thin, all together bold on top."""
    thin = [
        Stroke(
            frequency_hz,
            stage.level_db,
            style.THIN,
            style.THIN_PX,
            style.THIN_DASHES[index % len(style.THIN_DASHES)],
        )
        for index, stage in enumerate(stages)
    ]
    return [*thin, Stroke(frequency_hz, total.level_db, style.ACCENT, style.BOLD_PX)]


def _facts_lines(facts: str) -> list[str]:
    """What is said of a source, broken between its facts only."""
    whole = DOT.join(fact.replace(" ", "\N{NO-BREAK SPACE}") for fact in facts.split(DOT))
    return [
        line.strip(DOT) for line in style.wrapped(whole, style.TEXT_PT, COLUMN_PX, most_lines=MOST_FACT_LINES)
    ]


def _finite(*curves: Reals) -> list[Reals]:
    return [curve[np.isfinite(curve)] for curve in curves if np.any(np.isfinite(curve))]
