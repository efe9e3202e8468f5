"""What a first recipe may do to a source, and how far: only moves of ordinary size.

Numbers only. What a move does to a frequency is the business of `stages`: whoever fits moves is handed a `Respond`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from render.analysis.boom import Resonance
from render.audio.array import Reals

MICROPHONE_HIGH_PASS_HZ = (30.0, 200.0)
"""Above 200 Hz a high-pass takes tone, not boom: the open G string lies at 196 Hz."""

PICKUP_HIGH_PASS_HZ = (30.0, 80.0)
"""Half an octave below the lowest notes of baritone (42 Hz and up) and ordinary guitars."""

HIGH_PASS_SLOPES = (12, 18)

SHELF_CUT_DB = 8.0
SHELF_HZ = (100.0, 400.0)
SHELF_Q = 0.6

RESONANCE_CUT_DB = 10.0
"""Deeper, a note that falls on the resonance would be missing: 10 dB is half as loud to the ear."""

RESONANCE_Q = (0.7, 14.0)
"""From a hump of two octaves to the narrowest body resonances; what is narrower is a string."""

RESONANCE_HZ = (60.0, 400.0)
MOST_RESONANCES = 4

EDGE_CUT_DB = 5.0
EDGE_Q = (0.7, 2.0)
EDGE_HZ = (1000.0, 4500.0)
"""Where the hard edge of a saddle pickup lies; the cut takes no more than two thirds of what stands out."""

HUM_Q = (30.0, 60.0)
"""30 is 1.7 Hz wide at 50 Hz: mains wander by a tenth of that. 60 where a note lies close."""

MOST_HUM_LINES = 4

GAIN_DB = (-24.0, 12.0)
"""Of the side source: past this, the recorder's own gains should be set anew."""

WIDTH_DB = (-20.0, 0.0)
DEFAULT_WIDTH_DB = -8.0
"""Side against mid. At -8 dB one loudspeaker loses 10 lg(1 + 10^-0.8) = 0.64 LU; at 0 dB it would be 3, at -20 dB the
picture is nearly mono."""


@dataclass(frozen=True)
class HighPassMove:
    """Take away what lies below."""

    cutoff_hz: float
    slope_db_per_octave: int


@dataclass(frozen=True)
class ShelfMove:
    """Lower everything below a corner."""

    corner_hz: float
    gain_db: float
    q: float = SHELF_Q


@dataclass(frozen=True)
class PeakMove:
    """Lower a band around a centre."""

    centre_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True)
class NotchMove:
    """Take one frequency out."""

    centre_hz: float
    q: float


Move = HighPassMove | ShelfMove | PeakMove | NotchMove
Respond = Callable[[Move, Reals], Reals]
"""Power response of a move at some frequencies."""


def merge_resonances(takes: Sequence[Sequence[Resonance]], *, apart: float = 1.04) -> list[Resonance]:
    """One guitar's resonances from those found take by take.

    Parameters
    ----------
    takes : sequence of sequence of Resonance
        What each take showed.
    apart : float
        Ratio of frequencies up to which two are the same; above 1.

    Returns
    -------
    list of Resonance
        Those of at least half of the takes, most prominent first; each figure is the median over the takes.
    """
    every = sorted(
        ((number, one) for number, take in enumerate(takes) for one in take),
        key=lambda pair: pair[1].frequency_hz,
    )
    groups: list[dict[int, Resonance]] = []
    lowest_hz = 0.0
    for number, one in every:
        if not groups or one.frequency_hz > lowest_hz * apart:
            groups.append({})
            lowest_hz = one.frequency_hz
        before = groups[-1].get(number)
        if before is None or before.prominence_db < one.prominence_db:  # a take has one say
            groups[-1][number] = one
    merged = [
        Resonance(
            median([one.frequency_hz for one in group.values()]),
            median([one.prominence_db for one in group.values()]),
            median([one.quality for one in group.values()]),
        )
        for group in groups
        if 2 * len(group) >= len(takes)
    ]
    return sorted(merged, key=lambda one: -one.prominence_db)


def median(values: Sequence[float]) -> float:
    """Middle of some numbers."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


def rounded_hz(frequency_hz: float) -> float:
    """A frequency as one would dial it in: whole hertz below 400, two digits above."""
    if frequency_hz < 400.0:
        return float(round(frequency_hz))
    step = math.pow(10.0, math.floor(math.log10(frequency_hz)) - 1)
    return float(round(frequency_hz / step) * step)


def rounded_db(level_db: float) -> float:
    """A level in steps of half a decibel; never minus zero."""
    return round(2.0 * level_db) / 2.0 + 0.0


def rounded_q(q: float) -> float:
    """Q with a digit that can be heard."""
    return round(q, 1)
