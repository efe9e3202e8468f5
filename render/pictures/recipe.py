"""A recipe as a picture: from the two sources, down the page with the signal, to what arrives left and right.

header
source 1            source 2            every stage and all together: level, group delay
stereo part                             if it does anything
decay by octave     level over time     if there is a room
source 1 arrives    source 2 arrives    left, right, mono
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from render.audio.array import Reals
from render.engine.compile import compile_recipe
from render.pictures import style
from render.pictures.axes import Scale, Stroke, db_scale, nice_step
from render.pictures.curves import (
    FILE_BANDS,
    FILE_DELAY_BANDS,
    Arrival,
    Curve,
    SourceCurves,
    StereoCurves,
    arrival_bands,
    arrivals,
    picture_frequencies_hz,
    room_curves,
    source_curves,
    stereo_curves,
)
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
    means,
    stage_list,
)
from render.pictures.page import Page, write_file
from render.pictures.room import room_section
from render.pictures.words import finish_words, rate_words, room_words
from render.recipe.models import Recipe

TITLE_LINE_PX = 26
BOTTOM_PX = 24
STRINGS_PX = 16
LEVEL_PX = 190
DELAY_PX = 92
STEREO_PX = 125
ARRIVAL_PX = 166
MOST_STAGES = 8
MOST_STEREO_STAGES = 6
NARROW_PEAK = 2.5
OPEN_STRINGS_HZ = (82.41, 110.0, 146.83, 196.0, 246.94, 329.63)
COUNTED = "Stages are counted from 0, as in messages: [0] is chain[0], the first of its chain."
OPEN_STRINGS = ("E", "A", "D", "G", "B", "E")


def draw_recipe(recipe: Recipe, target: Path, *, sample_rate_hz: int) -> None:
    """Draw all curves of a recipe into a PNG file.

    Parameters
    ----------
    recipe : Recipe
    target : Path
        Replaced as a whole, or not at all.
    sample_rate_hz : int
        For which the recipe is compiled.

    Raises
    ------
    RecipeError
        If an impulse-response file cannot be used.
    OSError
        If the file cannot be written.
    """
    write_file(target, recipe_png(recipe, sample_rate_hz=sample_rate_hz))


def recipe_png(recipe: Recipe, *, sample_rate_hz: int) -> bytes:
    """The picture of `draw_recipe`, 900 pixels wide; the same recipe and rate give the same bytes."""
    frequency_hz = picture_frequencies_hz(recipe, sample_rate_hz=sample_rate_hz)
    sources = [
        source_curves(name, source, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz)
        for name, source in recipe.sources.items()
    ]
    stereo = stereo_curves(recipe.stereo, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz)
    arrived = arrivals(
        recipe, compile_recipe(recipe, sample_rate_hz=sample_rate_hz), frequency_hz=frequency_hz
    )
    sections = [_header(recipe, sample_rate_hz), _sources(sources, frequency_hz)]
    if stereo is not None:
        sections.append(_stereo(stereo, recipe, frequency_hz))
    if recipe.room is not None:
        room = room_curves(recipe.room, sample_rate_hz=sample_rate_hz)
        sections.append(room_section(room, room_words(recipe.room)))
    sections.append(_arrivals(arrived, recipe, frequency_hz))
    page = Page(sum(section.height_px for section in sections))
    top_px = 0.0
    for section in sections:
        section.draw(page, top_px)
        top_px += section.height_px
    return page.png()


def _header(recipe: Recipe, sample_rate_hz: int) -> Section:
    """Title, name of the recipe, sample rate, finish."""
    inner_px = style.WIDTH_PX - style.MARGIN_PX - style.RIGHT_MARGIN_PX
    title = style.printable(recipe.title) or style.printable(recipe.name)
    size_pt = style.TITLE_PT
    if style.text_width_px(title, size_pt, bold=True) > inner_px:
        size_pt = style.LONG_TITLE_PT
    lines = style.wrapped(title, size_pt, inner_px, most_lines=2, bold=True)
    last_px = 48 + TITLE_LINE_PX * (len(lines) - 1)

    def draw(page: Page, top_px: float) -> None:
        for index, line in enumerate(lines):
            baseline_px = top_px + 48 + TITLE_LINE_PX * index
            page.write(style.MARGIN_PX, baseline_px, line, size_pt=size_pt, bold=True)
        name = f"Recipe {style.printable(recipe.name)}, computed at {rate_words(sample_rate_hz)}"
        finish = f"Finish: {finish_words(recipe.finish)}"
        for index, words in enumerate((name, finish)):
            fitting = style.shortened(words, style.TEXT_PT, inner_px)
            page.write(style.MARGIN_PX, top_px + last_px + 23 + LINE_PX * index, fitting)
        page.write(style.MARGIN_PX, top_px + last_px + 23 + LINE_PX * 2, COUNTED, colour=style.QUIET_INK)

    return Section(last_px + 40 + LINE_PX + SECTION_PX, draw)


def _sources(sources: Sequence[SourceCurves], frequency_hz: Reals) -> Section:
    """Both sources side by side, on the same scales."""
    facts = [style.wrapped(source.facts, style.TEXT_PT, COLUMN_PX, most_lines=2) for source in sources]
    list_top_px = HEAD_PX + LINE_PX * max(map(len, facts)) + 2
    listed = max(min(len(source.stages), MOST_STAGES + 1) for source in sources) + 1
    level_top_px = list_top_px + LINE_PX * listed + 36
    delay_top_px = level_top_px + LEVEL_PX + 46
    level = db_scale([curve.level_db for source in sources for curve in (source.total, *source.stages)])
    delay = _delay_scale(sources)

    def draw(page: Page, top_px: float) -> None:
        for index, source in enumerate(sources):
            left_px = column(index)
            heading(page, left_px, top_px, source.name, facts[index])
            stage_list(
                page, left_px, top_px + list_top_px, source.stages, most=MOST_STAGES, total=source.total.words
            )
            panel = frequency_panel(
                page, left_px, top_px + level_top_px, height_px=LEVEL_PX, frequency_hz=frequency_hz, up=level
            )
            panel.caption(f"level in dB{means(FILE_BANDS if source.smoothed else None)}")
            panel.grid_of_frequencies()
            panel.grid_up(6.0, rest=0.0)
            panel.ticks_on_top(OPEN_STRINGS_HZ, OPEN_STRINGS, meaning="open strings")
            strokes = _level_strokes(source.stages, [source.total], frequency_hz)
            panel.draw(strokes, rest=0.0, clear_top_px=STRINGS_PX)
            panel = frequency_panel(
                page, left_px, top_px + delay_top_px, height_px=DELAY_PX, frequency_hz=frequency_hz, up=delay
            )
            smoothed = means(FILE_DELAY_BANDS if source.smoothed else None)
            panel.caption(f"group delay in ms: how late it comes out{smoothed}")
            panel.grid_of_frequencies()
            panel.grid_up(nice_step(delay.highest - delay.lowest, most=5), rest=0.0)
            panel.draw(_delay_strokes(source, frequency_hz, delay), rest=0.0)

    return Section(delay_top_px + DELAY_PX + AXIS_PX + SECTION_PX, draw)


def _stereo(stereo: StereoCurves, recipe: Recipe, frequency_hz: Reals) -> Section:
    """What is done to left and right together; its stages beside it."""
    level = db_scale([curve.level_db for curve in (*stereo.totals, *stereo.stages)])
    off = recipe.stereo.side_gain_db == "off"
    facts = "side off: only mid goes on" if off else "mid: what both sides share; side: what differs"
    panel_top_px = HEAD_PX + LINE_PX + CAPTION_PX

    def draw(page: Page, top_px: float) -> None:
        heading(page, style.MARGIN_PX, top_px, "Left and right together", [facts])
        if not stereo.stages:
            return
        panel = frequency_panel(
            page,
            style.MARGIN_PX,
            top_px + panel_top_px,
            height_px=STEREO_PX,
            frequency_hz=frequency_hz,
            up=level,
        )
        panel.caption(f"level in dB{means(FILE_BANDS if stereo.smoothed else None)}")
        panel.grid_of_frequencies()
        panel.grid_up(6.0, rest=0.0)
        panel.draw(_level_strokes(stereo.stages, stereo.totals, frequency_hz, named=True), rest=0.0)
        stage_list(page, column(1), top_px + panel_top_px, stereo.stages, most=MOST_STEREO_STAGES)

    drawn_px = CAPTION_PX + STEREO_PX + AXIS_PX if stereo.stages else 0
    return Section(HEAD_PX + LINE_PX + drawn_px + SECTION_PX, draw)


def _arrivals(arrived: Sequence[Arrival], recipe: Recipe, frequency_hz: Reals) -> Section:
    """What becomes of each source on its whole way."""
    lines = [line for arrival in arrived for line in arrival.lines]
    level = db_scale(
        [line.level_db for line in lines if not line.faint],
        faint_db=[line.level_db for line in lines if line.faint],
    )
    room = "without a room" if recipe.room is None else "room included"
    panel_top_px = HEAD_PX + LINE_PX + CAPTION_PX

    def draw(page: Page, top_px: float) -> None:
        for index, arrival in enumerate(arrived):
            left_px = column(index)
            heading(page, left_px, top_px, f"{arrival.name}, as it arrives", [])
            _way_legend(page, left_px, top_px + HEAD_PX + 8, arrival)
            if not arrival.lines:
                continue
            panel = frequency_panel(
                page,
                left_px,
                top_px + panel_top_px,
                height_px=ARRIVAL_PX,
                frequency_hz=frequency_hz,
                up=level,
            )
            panel.caption(f"level in dB, {room}{means(arrival_bands(recipe))}")
            panel.grid_of_frequencies()
            panel.grid_up(6.0, rest=0.0)
            strokes = [
                Stroke(frequency_hz, line.level_db, colour, width_px, dashes)
                for line, (colour, dashes, width_px) in zip(arrival.lines, style.WAY_LINES, strict=False)
            ]
            panel.draw(strokes)

    return Section(panel_top_px + ARRIVAL_PX + AXIS_PX + BOTTOM_PX, draw)


def _way_legend(page: Page, left_px: float, at_px: float, arrival: Arrival) -> None:
    """The patterns of the lines, and what of the source is not there at all."""
    for line, (colour, dashes, width_px) in zip(arrival.lines, style.WAY_LINES, strict=False):
        page.rule(left_px, left_px + 24, at_px - 4, colour=colour, width_px=width_px, dashes=dashes)
        page.write(left_px + 30, at_px, line.words)
        left_px += 30 + style.text_width_px(line.words, style.TEXT_PT) + 18
    if arrival.absent:
        words = f"nothing in {' and '.join(arrival.absent)}" if arrival.lines else "nothing arrives"
        page.write(left_px, at_px, words, colour=style.QUIET_INK)


def _level_strokes(
    stages: Sequence[Curve], totals: Sequence[Curve], frequency_hz: Reals, *, named: bool = False
) -> list[Stroke]:
    """Stages thin, with their marks where they do something; totals bold on top."""
    strokes = [
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
    for total, (colour, dashes, width_px) in reversed(list(zip(totals, style.WAY_LINES, strict=False))):
        name = total.words if named else ""
        strokes.append(
            Stroke(frequency_hz, total.level_db, colour, width_px, dashes, name=name, bold_name=True)
        )
    return strokes


def _delay_strokes(source: SourceCurves, frequency_hz: Reals, scale: Scale) -> list[Stroke]:
    """Group delay of the stages that have a visible one, and of all together."""
    visible_ms = 0.08 * (scale.highest - scale.lowest)
    strokes = [
        Stroke(
            frequency_hz,
            stage.group_delay_ms,
            style.THIN,
            style.THIN_PX,
            style.THIN_DASHES[index % len(style.THIN_DASHES)],
            name=stage.mark
            if index < MOST_STAGES and np.nanmax(np.abs(stage.group_delay_ms), initial=0.0) > visible_ms
            else "",
        )
        for index, stage in enumerate(source.stages)
    ]
    return [*strokes, Stroke(frequency_hz, source.total.group_delay_ms, style.ACCENT, style.BOLD_PX)]


def _delay_scale(sources: Sequence[SourceCurves]) -> Scale:
    """Holds all of the group delay, but for narrow peaks that would press everything else flat."""
    curves = [curve.group_delay_ms for source in sources for curve in (source.total, *source.stages)]
    known = [curve[np.isfinite(curve)] for curve in curves if np.isfinite(curve).any()]
    lowest = min([float(curve.min()) for curve in known] + [0.0])
    highest = max([float(curve.max()) for curve in known] + [1.0])
    usual_lowest = min([float(np.percentile(curve, 5.0)) for curve in known] + [0.0])
    usual_highest = max([float(np.percentile(curve, 95.0)) for curve in known] + [1.0])
    if highest - lowest > NARROW_PEAK * (usual_highest - usual_lowest):
        lowest, highest = usual_lowest, usual_highest
    step = nice_step(1.05 * (highest - lowest), most=5)
    return Scale(step * math.floor(lowest / step + 0.05), step * math.ceil(highest / step - 0.05))
