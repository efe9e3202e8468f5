"""Which passages of a take stand for it: the one most like the whole, and the one with its loudest playing.

Beside the chain: what is chosen is rendered and compared. Read from third octaves over time (`bands`), so that one
pass over a capture decides, whatever recipes follow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from render.audio.array import Reals

SHORT_TERM_S = 3.0
"""Length of what is called loudest: short-term loudness of EBU Tech 3341."""

MOMENTARY_S = 0.4
GATE_DB = -20.0
"""Moments so far below the mean are pauses: they are left out of what is typical (as of EBU Tech 3342's gate)."""

HEARD_BAND_DB = -50.0
"""Bands so far below the strongest do not decide."""

QUANTILES = (0.1, 0.3, 0.5, 0.7, 0.95)
_STEPS_AN_EXCERPT = 40
_MOST_VALUES = 1 << 22


@dataclass(frozen=True)
class ChosenWindows:
    """Windows with which excerpts begin; `loudest` is None where the typical one holds the loudest playing too."""

    typical: int
    loudest: int | None


def choose_windows(power: Reals, weighted: Reals, *, hop_s: float, excerpt_s: float) -> ChosenWindows:
    """Choose two passages of equal length.

    Parameters
    ----------
    power : float64, shape (windows, bands)
        Mean squares of the take in third octaves, window by window.
    weighted : float64, shape (windows,)
        Mean squares weighted as loudness is.
    hop_s : float
        From one window to the next, greater than 0.
    excerpt_s : float
        Length wanted, greater than 0.

    Returns
    -------
    ChosenWindows
        Both lie inside the take as far as it is longer than the excerpt. They have at most half an excerpt in common;
        where the take has no room for that there is one, with the loudest three seconds in it.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    Notes
    -----
    Loudest: in the middle of the excerpt lie the three seconds with the most weighted power. Typical: the passage whose
    shape of spectrum and whose distribution of momentary loudness are nearest to the whole take's: root mean square of
    the differences in dB over bands that count, plus that over five quantiles. A spectrum is the mean of its levels in
    dB here: one loud chord does not stand for all. Only steps of a fortieth of an excerpt
    are tried. Common practice, no source.
    """
    for name, value in (("hop_s", hop_s), ("excerpt_s", excerpt_s)):
        if not value > 0.0:
            raise ValueError(f"{name} must be greater than 0, not {value}")
    if power.ndim != 2 or weighted.shape != power.shape[:1]:
        raise ValueError(f"power and weighted must have as many windows, not {power.shape}, {weighted.shape}")
    length = max(1, round(excerpt_s / hop_s))
    last = max(0, len(power) - length)
    if last == 0 or not np.any(weighted > 0.0):
        return ChosenWindows(0, None)
    at, span = _loudest(weighted, hop_s=hop_s)
    loudest = min(max(at + span // 2 - length // 2, 0), last)
    starts = np.unique(np.append(np.arange(0, last, max(1, length // _STEPS_AN_EXCERPT)), [loudest, last]))
    misfit = _spectrum_misfit(power, starts, length) + _loudness_misfit(weighted, starts, length, hop_s=hop_s)
    apart = np.abs(starts - loudest) * 2 >= length
    if not apart.any():
        holds = ((starts <= at) & (at + span <= starts + length)) | (starts == loudest)
        return ChosenWindows(int(starts[holds][np.argmin(misfit[holds])]), None)
    return ChosenWindows(int(starts[apart][np.argmin(misfit[apart])]), loudest)


def _loudest(weighted: Reals, *, hop_s: float) -> tuple[int, int]:
    """Where the loudest seconds begin, and how many windows they are."""
    span = min(len(weighted), max(1, round(SHORT_TERM_S / hop_s)))
    return int(np.argmax(_sums(weighted, span))), span


def _sums(values: Reals, span: int) -> Reals:
    """Sums over so many neighbours, along the first axis."""
    total = np.concatenate([np.zeros_like(values[:1]), np.cumsum(values, axis=0)])
    return np.asarray(total[span:] - total[:-span], np.float64)


def _spectrum_misfit(power: Reals, starts: Reals, length: int) -> Reals:
    """Root mean square difference in dB of each passage's spectrum, its level aside, from the whole's."""
    whole = power.mean(axis=0)
    counts = whole > whole.max() * 10.0 ** (HEARD_BAND_DB / 10.0)
    levels = _db(np.maximum(power[:, counts], whole[counts] * 10.0 ** (GATE_DB / 10.0)))
    total = np.concatenate([np.zeros_like(levels[:1]), np.cumsum(levels, axis=0)])
    difference = (total[starts + length] - total[starts]) / length - levels.mean(axis=0)
    return _rms(difference - difference.mean(axis=1, keepdims=True))


def _loudness_misfit(weighted: Reals, starts: Reals, length: int, *, hop_s: float) -> Reals:
    """Root mean square difference in dB of quantiles of momentary loudness from those of the whole's playing."""
    span = min(length, max(1, round(MOMENTARY_S / hop_s)))
    floor = float(weighted.mean()) * 10.0 ** (GATE_DB / 10.0)
    moments = _sums(weighted, span) / span
    wanted = np.quantile(_db(moments[moments > floor]), QUANTILES)
    levels = _db(np.maximum(moments, floor))
    each = length - span + 1
    at_once = max(1, _MOST_VALUES // each)
    views = sliding_window_view(levels, each)
    found = [
        np.quantile(views[starts[first : first + at_once]], QUANTILES, axis=1).T
        for first in range(0, len(starts), at_once)
    ]
    return _rms(np.concatenate(found) - wanted)


def _db(power: Reals) -> Reals:
    return np.asarray(10.0 * np.log10(power), np.float64)


def _rms(rows: Reals) -> Reals:
    return np.asarray(np.sqrt(np.mean(rows**2, axis=1)), np.float64)
