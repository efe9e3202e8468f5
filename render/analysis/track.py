"""The relative delay of two sources along a take, whether it stays, drifts or jumps.

Stands behind `cross` and beside `location`. What filters and reflections the sources have, they have all through the
take; so the cross spectra of two segments differ by the change of delay alone, and their quotient shows it, sharp,
whatever the filters are. Each segment is compared with the sum of all others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from render.analysis.coherence import LOWEST_HZ, Flags, make_pooled
from render.analysis.cross import CrossSpectra, Spectrum32
from render.analysis.whitened import REACH_S, Band, refine, statistical_error_s
from render.audio.array import Reals, Samples32

HIGHEST_HZ = 8000.0
"""Enough for a delay of each segment to a tenth of a frame."""

LEAST_SIGNIFICANCE = 40.0
"""As for the whole take (`location`)."""

AT_HOME = 0.7
"""A segment stays where its neighbours are if the correlation there comes to this part of its highest peak: with few
notes it repeats every period, and the nearest peak is the one."""

HOME_S = 5e-4
"""How far a segment may be from its neighbours without being a jump: three times a drift of 60 ppm in 2.7 s."""

_FEWEST_BINS = 12
_REGULARISATION = 1.0
_STEADY_CORRELATION = 4.0  # bins of a line of a steady note share their error
_PASSES = 2


@dataclass(frozen=True, eq=False)
class Track:
    """Delay of the second source segment by segment, against the whole take.

    Attributes
    ----------
    middle_s : float64, shape (segments,)
    delay_s : float64, shape (segments,)
        Relative: the weighted mean over the known ones is 0. Not-a-number where not known.
    error_s : float64, shape (segments,)
        Standard error of each.
    known : bool, shape (segments,)
    """

    middle_s: Reals
    delay_s: Reals
    error_s: Reals
    known: Flags


@dataclass(frozen=True, eq=False)
class _Segments:
    """What is used of the cross spectra: a part of their bins, and how far each can be trusted."""

    frequency_hz: Reals
    number: NDArray[np.int64]
    first: Samples32
    second: Samples32
    cross: Spectrum32
    chance: Samples32
    weights: Reals
    trust: Samples32
    size_s: float


class _Sum:
    """Segments added up, each moved to where the others are."""

    def __init__(self, bins: int) -> None:
        self.power = np.zeros((3, bins))
        self.cross = np.zeros(bins, np.complex128)

    def add(self, part: _Segments, segment: int, delay_s: float, sign: float = 1.0) -> None:
        weight = float(part.weights[segment])
        self.power[0] += sign * weight * part.first[segment]
        self.power[1] += sign * weight * part.second[segment]
        self.power[2] += sign * weight**2 * part.chance[segment]
        self.cross += sign * weight * part.cross[segment] * np.exp(2j * np.pi * part.frequency_hz * delay_s)


def track_delay(spectra: CrossSpectra, *, weights: Reals) -> Track:
    """Relative delay of every segment.

    Parameters
    ----------
    spectra : CrossSpectra
    weights : float64, shape (segments,)
        How much each counts in the sum.

    Returns
    -------
    Track
        Nothing known where there are fewer than two segments that have something in common.
    """
    part = _prepare(spectra, weights)
    count = len(spectra.windows)
    delay_s, error_s = np.full(count, np.nan), np.full(count, np.nan)
    content: Reals = np.asarray(np.sum(part.trust, axis=1, dtype=np.float64))
    if count < 2 or not np.any(content > 0.0):
        return Track(spectra.middle_s, delay_s, error_s, np.zeros(count, np.bool_))
    start = int(np.argmax(content))
    delay_s[start] = 0.0
    total = _Sum(len(part.frequency_hz))
    total.add(part, start, 0.0)
    for order in (range(start + 1, count), range(start - 1, -1, -1)):
        home_s = 0.0
        for segment in order:
            found = _compare(part, segment, total, home_s=home_s)
            if found is not None:
                home_s = delay_s[segment] = found[0]
                total.add(part, segment, home_s)
    for _ in range(_PASSES):
        _once_more(part, total, delay_s, error_s)
    known = np.isfinite(delay_s) & np.isfinite(error_s)
    delay_s[~known] = np.nan
    if np.count_nonzero(known) < 2:
        known[:] = False
    else:
        delay_s -= float(np.average(delay_s[known], weights=content[known] + 1e-12))
    return Track(spectra.middle_s, delay_s, error_s, known)


def _once_more(part: _Segments, total: _Sum, delay_s: Reals, error_s: Reals) -> None:
    """Every known segment against the sum of all others, so that none is compared with itself."""
    known = [int(segment) for segment in np.flatnonzero(np.isfinite(delay_s))]
    for segment in known:
        total.add(part, segment, delay_s[segment], sign=-1.0)
        found = _compare(part, segment, total, home_s=float(delay_s[segment]))
        if found is not None:
            delay_s[segment], error_s[segment] = found
        else:
            error_s[segment] = np.nan
        total.add(part, segment, delay_s[segment])


def _prepare(spectra: CrossSpectra, weights: Reals) -> _Segments:
    begin, end = np.searchsorted(spectra.frequency_hz, (LOWEST_HZ, HIGHEST_HZ))
    some = slice(int(begin), int(end))
    frequency_hz = spectra.frequency_hz[some]

    first, second = spectra.first[:, some], spectra.second[:, some]
    cross, chance = spectra.cross[:, some], spectra.chance[:, some]
    trust = np.zeros(first.shape, np.float32)
    for segment in range(len(first)):
        one = make_pooled(
            frequency_hz,
            first[segment].astype(np.float64),
            second[segment].astype(np.float64),
            cross[segment].astype(np.complex128),
            chance[segment].astype(np.float64),
        )
        trust[segment] = np.where(one.usable, one.coherence, 0.0)
    return _Segments(
        frequency_hz=frequency_hz,
        number=np.rint(frequency_hz * spectra.size_s).astype(np.int64),
        first=first,
        second=second,
        cross=cross,
        chance=chance,
        weights=weights,
        trust=trust,
        size_s=spectra.size_s,
    )


def _compare(part: _Segments, segment: int, total: _Sum, *, home_s: float) -> tuple[float, float] | None:
    """Delay of a segment against the sum of others and its standard error; None if they do not tell."""
    others = make_pooled(part.frequency_hz, total.power[0], total.power[1], total.cross, total.power[2])
    weight = part.trust[segment] * np.where(others.usable, others.coherence, 0.0)
    some = weight > 0.0
    if np.count_nonzero(some) < _FEWEST_BINS:
        return None
    cross = part.cross[segment][some].astype(np.complex128)
    band = Band(
        frequency_hz=part.frequency_hz[some],
        phasor=cross / np.abs(cross) * others.phasor[some].conj(),
        weight=weight[some],
        noise=np.zeros(np.count_nonzero(some)),
        bin_correlation=_STEADY_CORRELATION,
    )
    size = fft.next_fast_len(4 * int(part.number[-1] + 1), real=True)
    spectrum = np.zeros(size // 2 + 1, np.complex128)
    spectrum[part.number[some]] = band.weight * band.phasor
    value = fft.irfft(spectrum, size) * (0.5 * size / float(np.sum(band.weight)))
    step_s = part.size_s / size
    reach = min(int(2.0 * REACH_S / step_s), size // 2 - 1)
    lags = np.arange(-reach, reach + 1)
    around = value[lags]
    best = int(np.argmax(around))
    home = np.flatnonzero(np.abs(lags * step_s - home_s) <= HOME_S)
    if len(home):
        near = int(home[np.argmax(around[home])])
        if around[near] >= AT_HOME * around[best]:
            best = near
    chance = band.bin_correlation * float(np.sum(band.weight**2)) / float(np.sum(band.weight)) ** 2
    if around[best] <= 0.0 or around[best] ** 2 < 0.5 * LEAST_SIGNIFICANCE * chance:
        return None
    delay_s = refine(band, sign=1, start_s=float(lags[best]) * step_s, reach_s=step_s)
    error_s = statistical_error_s(band, sign=1, delay_s=delay_s)
    return (delay_s, error_s) if math.isfinite(error_s) else None
