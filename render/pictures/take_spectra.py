"""The spectra of both sources in a take's picture, with hum and boom marked by their frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Scale, Stroke
from render.pictures.labels import DOT_PX
from render.pictures.layout import HEAD_PX, LINE_PX, SECTION_PX, Section
from render.pictures.marks import ROW_PX, MarkedPanel, Run, Words, mark_row, runs
from render.pictures.page import Page
from render.pictures.take_curves import SourceTake, TakeCurves
from render.pictures.take_parts import INNER_PX, SOURCE_LINES, frequency_scale, head, words_section
from render.pictures.words import number

SPECTRUM_PX = 214
NUMBERS_PX = 20
ROWS_GAP_PX = 8
DB_STEP = 12.0
DEEPEST_DB = 96.0
LEAST_DB = 48.0
NOISE_COLOURS = ("#8fb4c4", "#a9a9a9")
MARK_HZ_FRACTION = 0.004  # a hum line is drawn as wide as this share of its frequency to both sides
NAME_PX = 160.0


@dataclass(frozen=True, eq=False)
class _Row:
    """A row of marks below the spectra."""

    kind: str
    end: str
    from_hz: Reals
    to_hz: Reals
    words: tuple[str, ...]
    colour: str


def spectra_section(curves: TakeCurves) -> Section:
    """Both spectra on one panel, rows of marks below."""
    if not any(np.any(np.isfinite(curve)) for curve in _curves(curves)):
        return words_section("Spectra", "There is not enough sound for a spectrum.")
    rows = [row for index in range(2) for row in _rows(curves.sources[index], SOURCE_LINES[index][0])]
    panel_top_px = HEAD_PX + LINE_PX + 10
    rows_top_px = panel_top_px + SPECTRUM_PX + ROWS_GAP_PX

    def draw(page: Page, top_px: float) -> None:
        noise = any(source.noise_spectrum_dbfs is not None for source in curves.sources)
        facts = f"dBFS in bands of 1/{curves.bands_per_octave:g} octave, over the whole take"
        head(page, top_px, "Spectra", facts + ("; faint: the quietest passages" if noise else ""))
        panel = MarkedPanel(
            page,
            left_px=style.MARGIN_PX,
            top_px=top_px + panel_top_px,
            width_px=INNER_PX,
            height_px=SPECTRUM_PX,
            across=frequency_scale(curves),
            up=_scale(curves),
        )
        panel.grid_of_hertz(below_px=ROWS_GAP_PX + ROW_PX * len(rows) + 10.0)
        _draw_spectra(panel, curves)
        for index, row in enumerate(rows):
            _draw_row(page, top_px + rows_top_px + ROW_PX * (index + 0.5), row, panel.across)

    return Section(rows_top_px + ROW_PX * len(rows) + NUMBERS_PX + SECTION_PX, draw)


def _draw_spectra(panel: MarkedPanel, curves: TakeCurves) -> None:
    """Noise below, the sources above it, dots where hum and boom stand."""
    panel.grid_up(DB_STEP, rest=0.0)
    strokes = [
        Stroke(
            curves.frequency_hz, source.noise_spectrum_dbfs, NOISE_COLOURS[index], 1.3, SOURCE_LINES[index][1]
        )
        for index, source in reversed(list(enumerate(curves.sources)))
        if source.noise_spectrum_dbfs is not None
    ]
    for index, source in reversed(list(enumerate(curves.sources))):
        if source.spectrum_dbfs is not None:
            colour, dashes, width_px = SOURCE_LINES[index]
            name = style.shortened(style.printable(source.name), style.SMALL_PT, NAME_PX, bold=True)
            strokes.append(
                Stroke(
                    curves.frequency_hz,
                    source.spectrum_dbfs,
                    colour,
                    width_px,
                    dashes,
                    name=name,
                    bold_name=True,
                )
            )
    dots = [_dots(source, curves.frequency_hz, panel) for source in curves.sources]
    panel.draw(strokes, dots=[dot for some in dots for dot in some])
    for some, (colour, _, _) in zip(dots, SOURCE_LINES, strict=True):
        if some:
            across, up = np.array(some).T
            panel.dots(across, up, colour=colour, size_px=DOT_PX)


def _dots(source: SourceTake, frequency_hz: Reals, panel: MarkedPanel) -> list[tuple[float, float]]:
    """Where hum and boom of a source stand, in hertz and dBFS, as far as the panel reaches."""
    points = [(line.frequency_hz, line.level_dbfs) for line in source.hum if line.level_dbfs is not None]
    if source.spectrum_dbfs is not None:
        points += [
            (boom.frequency_hz, float(np.interp(boom.frequency_hz, frequency_hz, source.spectrum_dbfs)))
            for boom in source.booms
        ]
    return [
        (across, up)
        for across, up in points
        if panel.across.lowest <= across <= panel.across.highest and panel.up.lowest <= up <= panel.up.highest
    ]


def _rows(source: SourceTake, colour: str) -> list[_Row]:
    """What stands out of a source at single frequencies."""
    name = style.shortened(style.printable(source.name), style.SMALL_PT, 160.0)
    rows = []
    if source.hum:
        hum_hz = np.sort([line.frequency_hz for line in source.hum])
        words = [number(round(float(hz), 1)) for hz in hum_hz]
        words[0] += " Hz"
        wide_hz = MARK_HZ_FRACTION * hum_hz
        rows.append(_Row("hum", f"hum in {name}", hum_hz - wide_hz, hum_hz + wide_hz, tuple(words), colour))
    if source.booms:
        booms = sorted(source.booms, key=lambda boom: boom.frequency_hz)
        centre_hz = np.array([boom.frequency_hz for boom in booms])
        half_hz = np.maximum(
            0.5 * np.array([boom.bandwidth_hz for boom in booms]), MARK_HZ_FRACTION * centre_hz
        )
        words = [f"{boom.frequency_hz:.0f} Hz, {boom.prominence_db:.0f} dB" for boom in booms]
        from_hz = np.maximum(centre_hz - half_hz, 0.5 * centre_hz)
        rows.append(_Row("boom", f"stands out in {name}", from_hz, centre_hz + half_hz, tuple(words), colour))
    return rows


def _draw_row(page: Page, middle_px: float, row: _Row, across: Scale) -> None:
    inside = (row.to_hz >= across.lowest) & (row.from_hz <= across.highest)
    marks = runs(
        INNER_PX * across.fraction(row.from_hz[inside]),
        INNER_PX * across.fraction(row.to_hz[inside]),
        width_px=INNER_PX,
    )
    words = [said for said, shown in zip(row.words, inside, strict=True) if shown]
    mark_row(
        page,
        left_px=style.MARGIN_PX,
        width_px=INNER_PX,
        middle_px=middle_px,
        kind=row.kind,
        marks=marks,
        words=[_mark_words(mark, words) for mark in marks],
        colour=row.colour,
        end=row.end,
    )


def _mark_words(mark: Run, words: list[str]) -> Words:
    said = words[mark.first : mark.first + mark.count]
    return Words("; ".join(said), said[0])


def _curves(curves: TakeCurves) -> list[Reals]:
    """All spectra there are."""
    return [
        curve
        for source in curves.sources
        for curve in (source.spectrum_dbfs, source.noise_spectrum_dbfs)
        if curve is not None
    ]


def _scale(curves: TakeCurves) -> Scale:
    """Steps of 12 dB that hold both spectra and their noise, to 96 dB below the highest."""
    known = [curve[np.isfinite(curve)] for curve in _curves(curves)]
    known = [curve for curve in known if curve.size]
    highest = DB_STEP * math.ceil((max(float(curve.max()) for curve in known) + 2.0) / DB_STEP)
    lowest = DB_STEP * math.floor(min(float(curve.min()) for curve in known) / DB_STEP)
    return Scale(min(max(lowest, highest - DEEPEST_DB), highest - LEAST_DB), highest)
