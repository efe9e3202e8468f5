"""What a render can say of its two sources without looking at the take again: one of them dead, or both one signal.

The convolution adds up both sources on its way (`convolve.Measured.source_sums`). `drytake check` looks closer, and
tells a source that only hisses from one that hears the guitar softly.
"""

from __future__ import annotations

import numpy as np

from render.analysis.same_signal import SAME_SIGNAL_DB
from render.audio.array import Reals
from render.recipe.models import Recipe
from render.units import db_from_power

NEARLY_SILENT_DB = 50.0
"""So far under the other over a whole take there is crosstalk and hiss; a microphone turned down too far is heard."""

MORE = "drytake check tells more"


def remark_on_sources(recipe: Recipe, source_sums: Reals) -> str | None:
    """What a player should know of the two sources of a take.

    Parameters
    ----------
    recipe : Recipe
        Whose sources are meant.
    source_sums : float64, shape (parts, 3)
        Sums over the take of first x first, second x second, first x second.

    Returns
    -------
    str or None
        None if they are two sources of one guitar.
    """
    (one, first), (other, second) = recipe.sources.items()
    if first.channel == second.channel:
        return (
            f"{one} and {other} both read channel {first.channel}: the mix has one source only; give one of them "
            f"the other channel in the recipe {recipe.name}"
        )
    names = (f"{one} (channel {first.channel})", f"{other} (channel {second.channel})")
    power_first, power_second, product = np.sum(source_sums, axis=0).tolist()
    if power_first == 0.0 and power_second == 0.0:
        return f"no sound on {names[0]}, none on {names[1]}: look at cables and at the recorder's inputs"
    weaker = 0 if power_first < power_second else 1
    under_db = _apart_db(power_first, power_second)
    if under_db > NEARLY_SILENT_DB:
        what = (
            f"{names[weaker]} lies {under_db:.0f} dB under the other source (RMS, with its hiss), as good as silent"
            if np.isfinite(under_db)
            else f"no sound on {names[weaker]}"
        )
        return (
            f"{what}: the mix has {(other, one)[weaker]} alone; look at the cable, the battery and the recorder's "
            f"input ({MORE})"
        )
    left_over = max(1.0 - product * product / (power_first * power_second), 0.0)
    if left_over < 10.0 ** (SAME_SIGNAL_DB / 10.0):
        return (
            f"{names[0]} and {names[1]} hold the same signal: a mono cable, or a recorder set to one input; the mix "
            f"has one source only ({MORE})"
        )
    return None


def silent_source(recipe: Recipe, source_sums: Reals) -> str | None:
    """Name of a source that is silent, or as good as silent against the other; None if both are heard.

    Parameters
    ----------
    recipe : Recipe
    source_sums : float64, shape (parts, 3)
        As of `remark_on_sources`.
    """
    power_first, power_second, _ = np.sum(source_sums, axis=0).tolist()
    if max(power_first, power_second) > 0.0 and not _apart_db(power_first, power_second) > NEARLY_SILENT_DB:
        return None
    return list(recipe.sources)[0 if power_first < power_second else 1]


def _apart_db(power_first: float, power_second: float) -> float:
    """By how much one is stronger than the other, whichever it is; infinite if one is silent."""
    low, high = sorted((power_first, power_second))
    return db_from_power(high / low) if low else float(np.inf)
