"""The hard edge of a pickup: where its attacks stand out between 1 and 4.5 kHz, and a cut that tames it.

Two things must agree: the attacks stand out against the pickup's own trend, and against the microphone, which hears
the same strings. What only one of them shows belongs to the strings, or to the microphone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.guitar import THIRDS_HZ, Guitar, in_thirds
from render.analysis.moves import EDGE_CUT_DB, EDGE_HZ, EDGE_Q, PeakMove, rounded_db, rounded_hz, rounded_q
from render.audio.array import Reals

TREND_HZ = (300.0, 9000.0)
"""Third octaves from which the trend is taken, those of the edge left out."""

LEAST_EDGE_DB = 2.0
"""What stands out less is left as it is."""

TAKEN_FRACTION = 2.0 / 3.0
"""Not all of it: the edge is what tells notes apart."""

LEAST_CUT_DB = 1.5


@dataclass(frozen=True, eq=False)
class Edge:
    """What was found of the attacks.

    Attributes
    ----------
    cut : PeakMove or None
    stands_out_db : float
        The highest point of what both comparisons show; 0 where nothing does.
    at_hz : float
        Where it is; 0 where nothing stands out.
    thirds_hz, own_db, against_db : float64, shape (bands,)
        Attacks against their own trend, and against the microphone's attacks; smoothed over neighbours.
    """

    cut: PeakMove | None
    stands_out_db: float
    at_hz: float
    thirds_hz: Reals
    own_db: Reals
    against_db: Reals


NO_EDGE = Edge(None, 0.0, 0.0, np.zeros(0), np.zeros(0), np.zeros(0))


def find_edge(guitar: Guitar) -> Edge:
    """Look for an emphasis of the pickup's attacks.

    Parameters
    ----------
    guitar : Guitar

    Returns
    -------
    Edge
        Its cut takes two thirds of what stands out, at most 5 dB, with q from 0.7 to 2. No cut where less than 2 dB
        stand out, or no string was struck.
    """
    onset = in_thirds(guitar.onset)
    low_hz, high_hz = TREND_HZ
    used = (low_hz < THIRDS_HZ) & (high_hz > THIRDS_HZ) & np.all(onset > 0.0, axis=0)
    hz = THIRDS_HZ[used]
    inside = (EDGE_HZ[0] * 0.95 < hz) & (EDGE_HZ[1] > hz)
    if np.count_nonzero(inside) < 3 or np.count_nonzero(hz < EDGE_HZ[0]) < 3:
        return NO_EDGE
    # per octave, not per third: bands hold more lines the higher they lie
    level_db = 10.0 * np.log10(onset[:, used] / hz)
    own_db = _smooth(level_db[0] - _trend_db(hz, level_db[0], inside, bent=True))
    against = level_db[0] - level_db[1]
    against_db = _smooth(against - _trend_db(hz, against, inside, bent=False))
    both_db = np.where(inside, np.minimum(own_db, against_db), -np.inf)
    top = int(np.argmax(both_db))
    stands_out_db = float(both_db[top])
    if stands_out_db < LEAST_EDGE_DB:
        return Edge(
            None,
            max(stands_out_db, 0.0),
            float(hz[top]) if stands_out_db > 0.0 else 0.0,
            hz,
            own_db,
            against_db,
        )
    centre_hz, octaves = _place(hz, np.minimum(own_db, against_db), top)
    cut_db = rounded_db(min(TAKEN_FRACTION * stands_out_db, EDGE_CUT_DB))
    # a peaking cut of q is 1.4 / q octaves wide at half its decibels
    q = rounded_q(float(np.clip(1.4 / max(octaves, 0.1), *EDGE_Q)))
    cut = (
        PeakMove(rounded_hz(float(np.clip(centre_hz, *EDGE_HZ))), -cut_db, q)
        if cut_db >= LEAST_CUT_DB
        else None
    )
    return Edge(cut, stands_out_db, centre_hz, hz, own_db, against_db)


def _trend_db(
    hz: Reals, level_db: Reals, inside: np.ndarray[tuple[int], np.dtype[np.bool_]], *, bent: bool
) -> Reals:
    """Line over the octaves through what lies outside the edge.

    Bent for a source by itself: strings fall off the more steeply the higher, and a straight line from below to above
    would make an edge of every string. Two sources share that, so their difference has a straight trend.
    """
    octave = np.log2(hz / 1000.0)
    enough_above = np.count_nonzero(hz > EDGE_HZ[1]) >= 2
    line = np.polyfit(octave[~inside], level_db[~inside], 2 if bent and enough_above else 1)
    return np.asarray(np.polyval(line, octave), np.float64)


def _smooth(level_db: Reals) -> Reals:
    """Over the neighbours: an edge is half an octave broad or more, a peak of one string is not."""
    padded = np.pad(level_db, 1, mode="edge")
    return np.asarray(0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:], np.float64)


def _place(hz: Reals, level_db: Reals, top: int) -> tuple[float, float]:
    """Middle of what lies above half of the top, and how many octaves it spans."""
    above = level_db >= 0.5 * level_db[top]
    low, high = top, top
    while low > 0 and above[low - 1]:
        low -= 1
    while high < len(hz) - 1 and above[high + 1]:
        high += 1
    weight = np.maximum(level_db[low : high + 1], 0.0)
    centre = float(np.average(np.log2(hz[low : high + 1]), weights=weight))
    return 2.0**centre, (high - low + 1) / 3.0
