"""How long a room's response is: until next to nothing of its energy is left."""

from __future__ import annotations

import math

import numpy as np

from render.audio.array import Complexes, Samples
from render.stages.room.law import NEPERS_PER_60_DB, DecayLaw

FALL_DB = 130.0
"""The compiler cuts at -100 dB of the whole recipe; this leaves it the choice."""

_MARGIN = 1.02
_BLOCK = 1024


def frames_to_fall(law: DecayLaw, passes: Complexes, *, sample_rate_hz: int) -> int:
    """Frames until what is left of a response's energy ought to be 130 dB below the whole.

    Every frequency is there with the energy that the passes leave it and dies by the law; the moment is
    found by halving. Chance may want a little more: two per cent and 50 ms are added.

    Parameters
    ----------
    law : DecayLaw
    passes : complex128, shape (bins,)
        From 0 to half the rate.
    sample_rate_hz : int

    Returns
    -------
    int
    """
    thinner = max(1, len(passes) // 4096)
    power = np.abs(passes[::thinner]) ** 2
    decay_s = law.decay_s(np.linspace(0.0, 0.5 * sample_rate_hz, len(power)))
    energy = power * decay_s
    allowed = float(energy.sum()) * 10.0 ** (-0.1 * FALL_DB)
    early_s, late_s = 0.0, FALL_DB / 60.0 * law.longest_s
    while late_s - early_s > 0.001:
        middle_s = 0.5 * (early_s + late_s)
        left = float(np.sum(energy * np.exp(-2.0 * NEPERS_PER_60_DB * middle_s / decay_s)))
        early_s, late_s = (middle_s, late_s) if left > allowed else (early_s, middle_s)
    return math.ceil((_MARGIN * late_s + 0.05) * sample_rate_hz)


def trimmed_frames(rows: Samples) -> int:
    """Frames after which the energy left, of all rows together, is 130 dB below the whole; whole blocks of 1024."""
    energies = [
        float(np.sum(rows[:, start : start + _BLOCK] ** 2)) for start in range(0, rows.shape[1], _BLOCK)
    ]
    allowed = math.fsum(energies) * 10.0 ** (-0.1 * FALL_DB)
    left = 0.0
    for index in range(len(energies) - 1, -1, -1):
        left += energies[index]
        if left > allowed:
            return int(min(rows.shape[1], (index + 1) * _BLOCK))
    return int(rows.shape[1])
