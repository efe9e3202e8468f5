"""One signal on both tracks, or two sources of one sound: told by what a gain alone leaves over.

Stands behind `coherence`. A mono cable in a stereo socket, or a recorder that copies one input to both tracks, leaves
two tracks that differ by a gain and by noise. Two sources in one guitar differ in level from note to note.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.coherence import Pooled
from render.audio.array import Complexes, Reals

SAME_SIGNAL_DB = -35.0
"""One signal leaves less than this: half a decibel over a third of the power leaves more. Two sources of a guitar leave
-10 dB and more."""

MOST_DELAY_S = 1e-5
"""The two halves of a converter may differ by parts of a frame: up to half of one at 48 kHz is taken out first. A copy
that is a frame late or more is a delayed copy."""

MOST_DB = 0.0
LEAST_DB = -140.0

_FEWEST_BINS = 8


@dataclass(frozen=True)
class Likeness:
    """What is left of one source when the other, with the best gain, is taken from it.

    Attributes
    ----------
    residual_db : float
        In dB of the source, at most 0; noise that only one source has is not counted, nor half a frame of delay.
    gain_db : float
        Of the second source against the first.
    """

    residual_db: float
    gain_db: float

    @property
    def same_signal(self) -> bool:
        """Whether both tracks hold one signal (also where one is inverted)."""
        return self.residual_db < SAME_SIGNAL_DB


def measure_likeness(pooled: Pooled) -> Likeness | None:
    """How nearly both sources are one signal, over all frequencies that they have in common, by their power.

    Parameters
    ----------
    pooled : Pooled

    Returns
    -------
    Likeness or None
        None if they have nothing in common.

    Notes
    -----
    With noise on both tracks the gain at a frequency lies between abs(cross) / first, too small by the noise of the
    first source, and second / abs(cross), too large by that of the second. A frequency is at odds with the gain of
    all by its distance from that interval, and by its phase; what chance allows is taken off.
    """
    some = pooled.usable
    if np.count_nonzero(some) < _FEWEST_BINS:
        return None
    cross = _without_delay(pooled.cross[some], 2.0 * np.pi * pooled.frequency_hz[some])
    size = np.abs(cross)
    smaller, larger = np.log(size / pooled.first[some]), np.log(pooled.second[some] / size)
    share = size / np.sum(size)
    gain = _middle(0.5 * (smaller + larger), share)
    noise = pooled.chance[some] * (1.0 - pooled.coherence[some]) / np.maximum(pooled.coherence[some], 1e-12)
    off_level = np.maximum(0.0, np.maximum(smaller - gain, gain - larger))
    sign = 1.0 if float(np.sum(cross.real)) >= 0.0 else -1.0
    # Length of the difference of two phasors, at most 2.
    off_phase = np.abs(sign * cross / size - 1.0)
    odd = np.sum(share * (np.minimum(np.expm1(np.minimum(off_level, 1.0)), 1.0) ** 2 + off_phase**2))
    by_chance = 0.5 * float(np.sum(share * np.minimum(noise, 1.0)))
    residual = max(0.0, float(odd) - by_chance)
    residual_db = 10.0 * math.log10(residual) if residual > 0.0 else LEAST_DB
    return Likeness(
        residual_db=min(MOST_DB, max(LEAST_DB, residual_db)), gain_db=20.0 / math.log(10.0) * gain
    )


def _without_delay(cross: Complexes, omega: Reals) -> Complexes:
    """Turn a cross spectrum back by the delay, up to `MOST_DELAY_S`, that its phases have in the mean."""
    sign = 1.0 if float(np.sum(cross.real)) >= 0.0 else -1.0
    weight = np.abs(cross) * omega
    delay_s = -float(weight @ np.angle(sign * cross)) / max(float(weight @ omega), 1e-300)
    delay_s = min(MOST_DELAY_S, max(-MOST_DELAY_S, delay_s))
    return np.asarray(cross * np.exp(1j * omega * delay_s), np.complex128)


def _middle(values: Reals, share: Reals) -> float:
    """Weighted median."""
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(share[order]), 0.5)])
