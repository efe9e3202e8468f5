"""Whether a take stops while it still sounds: the recorder was stopped before the last chord had died away.

Read from the course of the level (`levels`) and the noise floor (`noise`). A note that still rings is there in every
moment of the last half second; the knock of a key that stops the recorder is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from render.analysis.levels import LevelCurve
from render.analysis.noise import Noise

LAST_S = 0.5
LEAST_S = 2.0

RINGING_DB = 25.0
"""At the end at most so far below the playing: softer, a fade hides it."""

OVER_NOISE_DB = 12.0
UNKNOWN_NOISE_DB = 12.0
"""Where the playing never rests, and the noise is not known: so near to the playing it is no noise."""


def measure_cut_off(
    curve: LevelCurve, noises: Sequence[Noise], *, dc: Sequence[float] = (0.0, 0.0)
) -> float | None:
    """How far below its playing a take still sounds when it stops.

    Parameters
    ----------
    curve : LevelCurve
        Of all sources.
    noises : sequence of Noise
        One a source.
    dc : sequence of float
        Constant part of each source, full scale 1: it does not sound.

    Returns
    -------
    float or None
        In dB, of the source that rings most; None if it has died away, or is too near to the noise to tell.
    """
    steps = round(LAST_S / curve.step_s)
    if len(curve.rms_gain) * curve.step_s < LEAST_S:
        return None
    with np.errstate(divide="ignore"):
        power = np.square(curve.rms_gain[-steps:].astype(np.float64)) - np.square(dc)
        last_dbfs = 10.0 * np.log10(np.maximum(power, 0.0)).min(axis=0)
    below = [
        noise.playing_dbfs - float(level_dbfs)
        for noise, level_dbfs in zip(noises, last_dbfs, strict=True)
        if math.isfinite(noise.playing_dbfs) and _rings(noise, float(level_dbfs))
    ]
    return min(below, default=None)


def _rings(noise: Noise, level_dbfs: float) -> bool:
    below_db = noise.playing_dbfs - level_dbfs
    if not noise.settled:
        return below_db < UNKNOWN_NOISE_DB
    return below_db < RINGING_DB and level_dbfs > noise.level_dbfs + OVER_NOISE_DB
