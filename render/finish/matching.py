"""One loudness for several versions of a passage, without a limiter: by gain alone, as high as every peak allows.

Beside the chain: a listening page is made of it. A limiter would work more on one version than on another, and
would be heard as the difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from render.finish.k_weighting import two_practices_lu
from render.finish.level import AIM_BELOW_DB
from render.finish.loudness import integrated_loudness_lufs
from render.finish.slots import SlotPowers

_ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Unmatched:
    """A version before matching: its sums per slot, fades included, and its true peak."""

    slots: SlotPowers
    true_peak_dbtp: float


def matching_gain_db(slots: SlotPowers, *, loudness_lufs: float) -> float | None:
    """Gain that brings a version to a loudness.

    Parameters
    ----------
    slots : SlotPowers
    loudness_lufs : float
        -70 to 0; met half-way between the two practices of weighting at this sample rate.

    Returns
    -------
    float or None
        To a billionth of a decibel; None where loudness is undefined (less than 400 ms, silence).

    Raises
    ------
    ValueError
        If the loudness is outside its range.
    """
    if not -70.0 <= loudness_lufs <= 0.0:
        raise ValueError(f"loudness_lufs must be -70 to 0, not {loudness_lufs}")
    aim = loudness_lufs + 0.5 * two_practices_lu(slots.sample_rate_hz)
    gain_db = _first_gain_db(slots, aim)
    if gain_db is None:
        return None
    for _ in range(_ROUNDS):  # the absolute gate moves against the signal with the gain
        after = integrated_loudness_lufs(slots, gain_db=gain_db)
        gain_db += 0.0 if after is None else aim - after
    return round(gain_db, 9)


def highest_common_loudness_lufs(
    versions: Sequence[Unmatched], *, at_most_lufs: float, max_true_peak_dbtp: float
) -> float:
    """The highest loudness at which no version exceeds the ceiling by gain alone.

    Parameters
    ----------
    versions : sequence of Unmatched
        Those without a loudness are passed over.
    at_most_lufs : float
        -70 to 0.
    max_true_peak_dbtp : float
        -60 to 0.

    Returns
    -------
    float
        `at_most_lufs` where the peaks allow it; rounded down to a thousandth.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    if not -60.0 <= max_true_peak_dbtp <= 0.0:
        raise ValueError(f"max_true_peak_dbtp must be -60 to 0, not {max_true_peak_dbtp}")
    if not -70.0 <= at_most_lufs <= 0.0:
        raise ValueError(f"at_most_lufs must be -70 to 0, not {at_most_lufs}")
    loudness = at_most_lufs
    for version in versions:
        gain_db = matching_gain_db(version.slots, loudness_lufs=loudness)
        if gain_db is None:
            continue
        over_db = version.true_peak_dbtp + gain_db - (max_true_peak_dbtp - AIM_BELOW_DB)
        if over_db > 0.0:
            loudness = max(-70.0, math.floor((loudness - over_db) * 1000.0) / 1000.0)
    return loudness


def _first_gain_db(slots: SlotPowers, aim_lufs: float) -> float | None:
    """A gain to begin with; what lies below the absolute gate as it is may lie above it once it is raised."""
    for raised_db in (0.0, 30.0, 60.0):
        before = integrated_loudness_lufs(slots, gain_db=raised_db)
        if before is not None:
            return raised_db + aim_lufs - before
    return None
