"""How far the two sources of a take carry the same sound, and how much later one is, over frequency and time."""

from __future__ import annotations

import math

import numpy as np

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Scale, Stroke, nice_step
from render.pictures.layout import HEAD_PX, LINE_PX, Section
from render.pictures.marks import MarkedPanel, clock_words
from render.pictures.page import Page
from render.pictures.take_curves import Drift, Likeness, TakeCurves
from render.pictures.take_parts import INNER_PX, frequency_scale, head, time_scale, words_section
from render.pictures.words import fixed

NAME = "The two sources together"
COHERENCE_PX = 84
DELAY_PX = 112
DRIFT_PX = 84
CAPTION_PX = 24
NUMBERS_PX = 20
GAP_PX = 18
BOTTOM_PX = 24
LEAST_SPAN_MS = 0.4


def likeness_section(curves: TakeCurves) -> Section:
    """Coherence, relative delay over frequency, and over time if it is given."""
    likeness = curves.likeness
    if likeness is None or not len(likeness.frequency_hz):
        return words_section(NAME, "They cannot be compared in this take.", space_px=BOTTOM_PX)
    coherence_top_px = HEAD_PX + LINE_PX + CAPTION_PX
    delay_top_px = coherence_top_px + COHERENCE_PX + GAP_PX + CAPTION_PX
    known = bool(np.any(np.isfinite(likeness.relative_delay_ms))) or likeness.delay_ms is not None
    bottom_px = (delay_top_px + DELAY_PX if known else coherence_top_px + COHERENCE_PX) + NUMBERS_PX
    drift = likeness.drift if likeness.drift is not None and len(likeness.drift.at_s) else None
    drift_top_px = bottom_px + GAP_PX + CAPTION_PX
    if drift is not None:
        bottom_px = drift_top_px + DRIFT_PX + NUMBERS_PX

    def draw(page: Page, top_px: float) -> None:
        head(page, top_px, NAME, _answer(curves, likeness))
        _draw_coherence(page, top_px + coherence_top_px, curves, likeness, numbered=not known)
        if known:
            _draw_delay(page, top_px + delay_top_px, curves, likeness)
        if drift is not None:
            _draw_drift(page, top_px + drift_top_px, curves, drift)

    return Section(bottom_px + BOTTOM_PX, draw)


def _answer(curves: TakeCurves, likeness: Likeness) -> str:
    """Delay and polarity of the take in words."""
    first, second = (
        style.shortened(style.printable(source.name), style.TEXT_PT, 150.0) for source in curves.sources
    )
    delay_ms = likeness.delay_ms
    if delay_ms is None:
        told = np.any(np.isfinite(likeness.relative_delay_ms))
        words = "No reliable delay between them" + ("" if told else ": nowhere have they enough in common")
    else:
        doubt_ms = likeness.uncertainty_ms
        about = "" if doubt_ms is None else f", give or take {_ms(doubt_ms)}"
        later = f"{second} comes {_ms(abs(delay_ms))} {'later' if delay_ms > 0.0 else 'earlier'} than {first}"
        words = (
            f"{first} and {second} come together{about}" if round(delay_ms, 3) == 0.0 else f"{later}{about}"
        )
    if likeness.polarity is not None:
        words += "; same polarity" if likeness.polarity == 1 else "; opposite polarity"
    return words


def _ms(value_ms: float) -> str:
    return f"{fixed(value_ms, 3)} ms"


def _draw_coherence(
    page: Page, top_px: float, curves: TakeCurves, likeness: Likeness, *, numbered: bool
) -> None:
    panel = MarkedPanel(
        page,
        left_px=style.MARGIN_PX,
        top_px=top_px,
        width_px=INNER_PX,
        height_px=COHERENCE_PX,
        across=frequency_scale(curves),
        up=Scale(0.0, 1.0),
    )
    dotted = "" if likeness.enough is None else "; dotted: enough to tell a delay"
    panel.caption(
        f"what they have in common (coherence): 1 where both carry the same sound, 0 where nothing is shared{dotted}"
    )
    panel.grid_up(0.25)
    panel.grid_of_hertz(below_px=15.0 if numbered else None)
    strokes = [Stroke(likeness.frequency_hz, likeness.coherence, style.INK, style.LINE_PX)]
    if likeness.enough is not None:
        ends = np.array([panel.across.lowest, panel.across.highest])
        strokes.insert(0, Stroke(ends, np.full(2, likeness.enough), style.QUIET_INK, 1.2, (1.2, 1.8)))
    panel.draw(strokes)


def _draw_delay(page: Page, top_px: float, curves: TakeCurves, likeness: Likeness) -> None:
    second = style.shortened(style.printable(curves.sources[1].name), style.SMALL_PT, 150.0)
    band_ms = _band(likeness)
    scale = _delay_scale(likeness.relative_delay_ms, band_ms)
    panel = MarkedPanel(
        page,
        left_px=style.MARGIN_PX,
        top_px=top_px,
        width_px=INNER_PX,
        height_px=DELAY_PX,
        across=frequency_scale(curves),
        up=scale,
    )
    told = "; shaded: the take's delay, give or take its uncertainty" if band_ms else ""
    panel.caption(f"how much later {second} is, in ms, where they have enough in common{told}")
    if band_ms:
        panel.tint(*band_ms)
    panel.grid_of_hertz(below_px=15.0)
    panel.grid_up(nice_step(scale.highest - scale.lowest, most=5), rest=0.0)
    strokes = [Stroke(likeness.frequency_hz, likeness.relative_delay_ms, style.INK, style.LINE_PX)]
    if likeness.delay_ms is not None:
        ends = np.array([panel.across.lowest, panel.across.highest])
        strokes.insert(0, Stroke(ends, np.full(2, likeness.delay_ms), style.ACCENT, style.LINE_PX))
    panel.draw(strokes)
    _lone_dots(panel, likeness.frequency_hz, likeness.relative_delay_ms)


def _draw_drift(page: Page, top_px: float, curves: TakeCurves, drift: Drift) -> None:
    second = style.shortened(style.printable(curves.sources[1].name), style.SMALL_PT, 150.0)
    scale = _delay_scale(drift.delay_ms, None)
    panel = MarkedPanel(
        page,
        left_px=style.MARGIN_PX,
        top_px=top_px,
        width_px=INNER_PX,
        height_px=DRIFT_PX,
        across=time_scale(curves),
        up=scale,
    )
    panel.caption(f"how much later {second} is, in ms, over the time of the take{_drift_words(drift)}")
    panel.grid_of_times(below_px=15.0)
    panel.grid_up(nice_step(scale.highest - scale.lowest, most=4), rest=0.0)
    if drift.jump_at_s is not None:
        panel.upright(drift.jump_at_s, colour=style.ACCENT, dashes=(3.0, 2.0))
        panel.beside(drift.jump_at_s, "jump", colour=style.ACCENT)
    panel.draw([Stroke(drift.at_s, drift.delay_ms, style.INK, style.LINE_PX)])
    _lone_dots(panel, drift.at_s, drift.delay_ms)


def _drift_words(drift: Drift) -> str:
    """What is told of the curve: how fast it leans, where it jumps."""
    told = []
    rate = drift.parts_per_million
    if rate is not None:
        later = "later" if rate > 0.0 else "earlier"
        told.append(f"gets {later} by {abs(rate):.1f} parts per million")
    if drift.jump_ms is not None and drift.jump_at_s is not None:
        jump = fixed(drift.jump_ms, 2, signed=True)
        told.append(f"jumps by {jump} ms near {clock_words(drift.jump_at_s)}")
    return f"; it {' and '.join(told)}" if told else ""


def _band(likeness: Likeness) -> tuple[float, float] | None:
    """The take's delay give or take its uncertainty."""
    if likeness.delay_ms is None:
        return None
    doubt_ms = likeness.uncertainty_ms or 0.0
    return likeness.delay_ms - doubt_ms, likeness.delay_ms + doubt_ms


def _delay_scale(delay_ms: Reals, band_ms: tuple[float, float] | None) -> Scale:
    """Holds nearly all of the delays, and the answer; together with zero if that is near."""
    known = delay_ms[np.isfinite(delay_ms)]
    ends = list(band_ms or ())
    if known.size:
        ends += [float(np.percentile(known, 4.0)), float(np.percentile(known, 96.0))]
    lowest, highest = min(ends, default=0.0), max(ends, default=0.0)
    spare = 0.5 * max(LEAST_SPAN_MS - (highest - lowest), 0.2 * (highest - lowest))
    lowest, highest = lowest - spare, highest + spare
    if lowest > 0.0 and lowest < highest - lowest:
        lowest = 0.0
    if highest < 0.0 and -highest < highest - lowest:
        highest = 0.0
    step = nice_step(highest - lowest, most=5)
    return Scale(step * math.floor(lowest / step + 1e-9), step * math.ceil(highest / step - 1e-9))


def _lone_dots(panel: MarkedPanel, across: Reals, up: Reals) -> None:
    """Dots where a single point stands between gaps, since a line of one point shows nothing."""
    known = np.concatenate([[False], np.isfinite(up), [False]])
    lone = known[1:-1] & ~known[:-2] & ~known[2:]
    lone &= (across >= panel.across.lowest) & (across <= panel.across.highest)
    lone[lone] &= (up[lone] >= panel.up.lowest) & (up[lone] <= panel.up.highest)
    if lone.any():
        panel.dots(across[lone], up[lone], colour=style.INK, size_px=5.0)
