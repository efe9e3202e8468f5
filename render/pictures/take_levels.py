"""The levels of both sources over the time of a take: a lane each, and rows of marks for what is wrong where."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Scale, Stroke
from render.pictures.layout import HEAD_PX, LINE_PX, SECTION_PX, Section
from render.pictures.marks import (
    APART_PX,
    LEAST_PX,
    ROW_PX,
    MarkedPanel,
    Run,
    Words,
    clock_words,
    mark_row,
    runs,
)
from render.pictures.page import Page
from render.pictures.take_curves import Places, SourceTake, TakeCurves
from render.pictures.take_parts import INNER_PX, SOURCE_LINES, head, level_words, shown_s, time_scale
from render.pictures.words import DOT, number

LANE_PX = 104
LANE_HEAD_PX = 22
LANE_GAP_PX = 8
BESIDE_PX = 3
BESIDE_LINE_PX = 11
BESIDE_PT = 7.0
BESIDE_LEAST_PT = 6.0
SPAN_ROW_PX = 16
TIMES_PX = 20
DB_STEP = 12.0
LOWEST_DBFS = -120.0
LEAST_DEPTH_DB = 60.0
BELOW_NOISE_DB = 6.0


def levels_section(curves: TakeCurves) -> Section:
    """A lane for each source over the same time."""
    scale = _level_scale(curves)
    lanes_px = [
        LANE_HEAD_PX + LANE_PX + LANE_GAP_PX + ROW_PX * sum(bool(places.count) for places in source.places)
        for source in curves.sources
    ]
    lanes_top_px = HEAD_PX + LINE_PX + SPAN_ROW_PX
    missing = _not_found(curves.sources)
    times_px = TIMES_PX + (LINE_PX if missing else 0)

    noise = ", noise floor dotted" if any(_has_noise(source) for source in curves.sources) else ""

    def draw(page: Page, top_px: float) -> None:
        head(
            page,
            top_px,
            "Level over time",
            f"dBFS, {_step_words(curves)}: peak thin, RMS bold{noise}",
        )
        _passage_legend(page, top_px + HEAD_PX + 9, curves)
        _sound_span(page, top_px + HEAD_PX + LINE_PX + 8, curves)
        lane_top_px = top_px + lanes_top_px
        for index, lane_px in enumerate(lanes_px):
            _lane(page, lane_top_px, curves, index, scale)
            lane_top_px += lane_px
        if missing:
            page.write(
                style.MARGIN_PX,
                lane_top_px + TIMES_PX + 14,
                missing,
                size_pt=style.SMALL_PT,
                colour=style.QUIET_INK,
            )

    return Section(lanes_top_px + sum(lanes_px) + times_px + SECTION_PX, draw)


def _lane(page: Page, top_px: float, curves: TakeCurves, index: int, scale: Scale) -> None:
    """One source: what it is, its levels, and below them what is wrong with it, kind by kind."""
    source, (colour, _, width_px) = curves.sources[index], SOURCE_LINES[index]
    _lane_heading(page, top_px, source, colour)
    panel = MarkedPanel(
        page,
        left_px=style.MARGIN_PX,
        top_px=top_px + LANE_HEAD_PX,
        width_px=INNER_PX,
        height_px=LANE_PX,
        across=time_scale(curves),
        up=scale,
    )
    panel.shade(_passage_runs(curves, "pause"))
    panel.shade(_passage_runs(curves, "talk"), hatched=True)
    found = [places for places in source.places if places.count]
    is_last = index == len(curves.sources) - 1
    panel.grid_of_times(below_px=LANE_GAP_PX + ROW_PX * len(found) + 10.0 if is_last else None)
    panel.grid_up(DB_STEP, rest=0.0)
    for instant_s in (curves.sound_from_s, curves.sound_to_s):
        if instant_s is not None:
            panel.upright(instant_s, colour=style.AXIS, dashes=(3.0, 2.0))
    across, peak = _over_time(source.peak_dbfs, source.step_s, curves)
    _, rms = _over_time(source.rms_dbfs, source.step_s, curves)
    strokes = [
        Stroke(across, peak, style.THIN, style.THIN_PX),
        Stroke(across, rms, colour, width_px),
    ]
    noise_dbfs = source.noise_dbfs
    if noise_dbfs is not None and scale.lowest < noise_dbfs < scale.highest:
        ends = np.array([0.0, panel.across.highest])
        strokes.append(Stroke(ends, np.full(2, noise_dbfs), style.INK, 1.2, (1.2, 1.8)))
        words = level_words(noise_dbfs)
        for text, below_px in (("noise", -BESIDE_LINE_PX), (words, 0)):
            fits = style.text_width_px(text, BESIDE_PT) <= style.RIGHT_MARGIN_PX - BESIDE_PX
            page.write(
                style.MARGIN_PX + INNER_PX + BESIDE_PX,
                panel.top_px + LANE_PX * (1.0 - scale.at(noise_dbfs)) + 4 + below_px,
                text,
                size_pt=BESIDE_PT if fits else BESIDE_LEAST_PT,
            )
    panel.draw(strokes)
    if not np.any(source.peak_dbfs > -math.inf):
        panel.note("silence")
    elif not np.any(peak > scale.lowest):
        panel.note(f"below {number(scale.lowest)} dBFS")
    for row, places in enumerate(found):
        _fault_row(page, panel.top_px + LANE_PX + LANE_GAP_PX + ROW_PX * (row + 0.5), places, curves)


def _has_noise(source: SourceTake) -> bool:
    return source.noise_dbfs is not None and math.isfinite(source.noise_dbfs)


def _lane_heading(page: Page, top_px: float, source: SourceTake, colour: str) -> None:
    """Name of a source, and the figures of the whole take."""
    name = style.shortened(style.printable(source.name), style.TEXT_PT, 0.3 * INNER_PX, bold=True)
    page.write(style.MARGIN_PX, top_px + LANE_HEAD_PX - 8, name, bold=True, colour=colour)
    left_px = style.MARGIN_PX + style.text_width_px(name, style.TEXT_PT, bold=True) + 12
    facts = _figures(source, style.MARGIN_PX + INNER_PX - left_px)
    page.write(left_px, top_px + LANE_HEAD_PX - 8, facts, size_pt=style.SMALL_PT, colour=style.QUIET_INK)


def _figures(source: SourceTake, width_px: float) -> str:
    """Channel and levels of the whole take, those that matter less left out where there is little room."""
    levels = (
        ("peak", source.highest_dbfs, "dBFS", 0),
        ("true peak", source.true_peak_dbtp, "dBTP", 3),
        ("RMS", source.mean_dbfs, "dBFS", 1),
        ("loudness", source.loudness_lufs, "LUFS", 2),
        ("noise", source.noise_dbfs, "dBFS", 0),
    )
    channel = f"channel {source.channel}"
    parts = (
        [(channel, 0)] if source.name != channel else []
    )  # a source without a name is called by its channel
    parts += [
        (f"{words} {level_words(value)} {unit}", rank)
        for words, value, unit, rank in levels
        if value is not None and math.isfinite(value)
    ]
    if not np.any(source.peak_dbfs > -math.inf):
        parts.append(("silent", 0))
    choices = [DOT.join(words for words, rank in parts if rank <= most) for most in (3, 2, 1)]
    fitting = [facts for facts in choices if style.text_width_px(facts, style.SMALL_PT) <= width_px]
    return fitting[0] if fitting else style.shortened(choices[-1], style.SMALL_PT, width_px)


def _fault_row(page: Page, middle_px: float, places: Places, curves: TakeCurves) -> None:
    """Where one kind of fault lies, each with its time where there is room, and how many there are."""
    marks = _time_runs(places.from_s, places.to_s, curves)
    mark_row(
        page,
        left_px=style.MARGIN_PX,
        width_px=INNER_PX,
        middle_px=middle_px,
        kind=places.kind,
        marks=marks,
        words=[_place_words(mark, places) for mark in marks],
    )
    count = number(places.count) if places.count < 10_000 else "many"
    page.write(
        style.MARGIN_PX + INNER_PX + BESIDE_PX,
        middle_px + 3.5,
        count,
        size_pt=BESIDE_PT,
        colour=style.QUIET_INK,
    )


def _place_words(mark: Run, places: Places) -> Words:
    """When it happens, and how often if more than once."""
    first, last = (clock_words(float(places.from_s[mark.first + later])) for later in (0, mark.count - 1))
    if mark.count == 1:
        return Words(first, first)
    is_short = mark.right_px - mark.left_px <= 4 * LEAST_PX
    return Words(f"{mark.count} at {first}" if is_short else f"{mark.count} from {first} to {last}", first)


def _sound_span(page: Page, middle_px: float, curves: TakeCurves) -> None:
    """A measure over the lanes: from where to where there is sound."""
    if curves.sound_from_s is None or curves.sound_to_s is None:
        return
    scale = time_scale(curves)
    left_px = style.MARGIN_PX + INNER_PX * scale.at(curves.sound_from_s)
    right_px = style.MARGIN_PX + INNER_PX * scale.at(curves.sound_to_s)
    words = f"sound from {clock_words(curves.sound_from_s)} to {clock_words(curves.sound_to_s)}"
    half_px = 0.5 * style.text_width_px(words, style.SMALL_PT) + 6.0
    lowest_px, highest_px = style.MARGIN_PX + half_px, style.MARGIN_PX + INNER_PX - half_px
    middle_across_px = min(max(0.5 * (left_px + right_px), lowest_px), highest_px)
    for from_px, to_px in ((left_px, middle_across_px - half_px), (middle_across_px + half_px, right_px)):
        if to_px > from_px:
            page.rule(from_px, to_px, middle_px, colour=style.AXIS, width_px=1.0)
    for at_px in (left_px, right_px):
        if not middle_across_px - half_px < at_px < middle_across_px + half_px:
            page.rule(at_px - 0.5, at_px + 0.5, middle_px, colour=style.INK, width_px=9.0)
    page.write(middle_across_px, middle_px + 3.5, words, size_pt=style.SMALL_PT, align="center")


def _passage_legend(page: Page, baseline_px: float, curves: TakeCurves) -> None:
    """What shaded passages are, if there are any; from the right."""
    right_px = float(style.MARGIN_PX + INNER_PX)
    for kind, words in (("talk", "talk or tuning"), ("pause", "pause")):
        if not any(passage.kind == kind for passage in curves.passages):
            continue
        page.write(right_px, baseline_px, words, size_pt=style.SMALL_PT, align="right")
        right_px -= style.text_width_px(words, style.SMALL_PT) + 6.0
        swatch = MarkedPanel(
            page,
            left_px=right_px - 22.0,
            top_px=baseline_px - 10.0,
            width_px=22.0,
            height_px=12.0,
            across=Scale(0.0, 1.0),
            up=Scale(0.0, 1.0),
        )
        swatch.shade([Run(0, 22, 0, 1)], hatched=kind == "talk")
        right_px -= 22.0 + 18.0


def _passage_runs(curves: TakeCurves, kind: str) -> list[Run]:
    chosen = [passage for passage in curves.passages if passage.kind == kind]
    return _time_runs(
        np.array([passage.from_s for passage in chosen]),
        np.array([passage.to_s for passage in chosen]),
        curves,
        apart_px=0,
    )


def _time_runs(from_s: Reals, to_s: Reals, curves: TakeCurves, *, apart_px: int = APART_PX) -> list[Run]:
    scale = time_scale(curves)
    return runs(
        INNER_PX * scale.fraction(np.asarray(from_s, dtype=np.float64)),
        INNER_PX * scale.fraction(np.asarray(to_s, dtype=np.float64)),
        width_px=INNER_PX,
        apart_px=apart_px,
    )


def _over_time(level_dbfs: Reals, step_s: float, curves: TakeCurves) -> tuple[Reals, Reals]:
    """Points of a level curve: one a step, or the highest of each pixel if there are more steps than pixels."""
    steps = len(level_dbfs)
    values = np.asarray(level_dbfs, dtype=np.float64)
    if steps <= 1:
        return np.array([0.0, shown_s(curves)]), np.repeat(values if steps else np.array([np.nan]), 2)
    at_s = np.asarray(step_s * (np.arange(steps) + 0.5), dtype=np.float64)
    at_s[-1] = min(at_s[-1], shown_s(curves))
    if steps <= INNER_PX:
        return at_s, values
    pixel = np.minimum((at_s / shown_s(curves) * INNER_PX).astype(np.int64), INNER_PX - 1)
    firsts = np.flatnonzero(np.diff(pixel, prepend=-1))
    middle_s = (pixel[firsts] + 0.5) / INNER_PX * shown_s(curves)
    return middle_s, np.asarray(np.fmax.reduceat(values, firsts), dtype=np.float64)


def _level_scale(curves: TakeCurves) -> Scale:
    """From full scale, or above it if there is sound, to somewhat below the lowest noise floor."""
    peaks = [source.peak_dbfs[np.isfinite(source.peak_dbfs)] for source in curves.sources]
    highest = max([float(peak.max()) for peak in peaks if peak.size] + [0.0])
    floors = [source.noise_dbfs for source in curves.sources if source.noise_dbfs is not None]
    lowest = min([floor - BELOW_NOISE_DB for floor in floors if math.isfinite(floor)] + [-LEAST_DEPTH_DB])
    return Scale(
        DB_STEP * math.floor(max(lowest, LOWEST_DBFS) / DB_STEP),
        DB_STEP * math.ceil(highest / DB_STEP - 1e-6) if highest > 0.05 else 0.0,
    )


def _not_found(sources: Sequence[SourceTake]) -> str:
    """What was looked for in both sources and found in neither."""
    kinds = list(dict.fromkeys(places.kind for source in sources for places in source.places))
    found = {places.kind for source in sources for places in source.places if places.count}
    absent = [style.printable(kind) for kind in kinds if kind not in found]
    if not absent:
        return ""
    listed = absent[0] if len(absent) == 1 else f"{', '.join(absent[:-1])} or {absent[-1]}"
    return style.shortened(f"No {listed} found.", style.SMALL_PT, INNER_PX)


def _step_words(curves: TakeCurves) -> str:
    """What a point of the level curves stands for."""
    step_s = max(source.step_s for source in curves.sources)
    pixel_s = shown_s(curves) / INNER_PX
    if pixel_s <= step_s:
        return f"steps of {number(round(step_s, 2))} s"
    return f"the highest in every {number(round(pixel_s, 1))} s"
