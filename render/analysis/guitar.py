"""One guitar from all its takes: both sources' long-term spectra put together, and where both carry the guitar.

Every take counts by how long it sounds, each brought to the same level first, so that a loud take does not speak for
all. The relation between the two sources is that of each take; their shapes are averaged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.balance import FINE_HZ, FINE_TOP_HZ, LINES_HZ, TakeBalance
from render.analysis.moves import median
from render.audio.array import Reals
from render.units import db_from_power

LEAST_SOUND_S = 5.0
"""Less sound than this shows a few notes, not a guitar."""

SHARED_FRACTION = 0.2
"""A third octave carries the guitar in both sources if this share of its power is the same in both. Noise and rumble
share nothing; a microphone that hears every string by another way still shares more."""

THIRDS_HZ: Reals = 1000.0 * 2.0 ** (np.arange(-14, 14) / 3.0)
"""Middles of the third octaves, 39 Hz to 20 kHz."""

LOW_BAND_HZ = (71.0, 354.0)
"""The third octaves from 80 to 315 Hz."""

MIDDLE_BAND_HZ = (400.0, 2000.0)

_HUM_HALF_HZ = 1.5  # a line of a two-second Hann window reaches 1 Hz to each side; mains wander a little


class UnfitError(ValueError):
    """Nothing can be measured; the text says why."""


@dataclass(frozen=True, eq=False)
class Guitar:
    """Both sources of one guitar, pickup first.

    Attributes
    ----------
    shape : float64, shape (2, lines)
        Long-term power without noise and hum; each source with 1 in the middle band.
    shared : float64, shape (2, lines)
        The part of it that both have in common.
    onset : float64, shape (2, lines)
        Mean power of onsets, scaled as each take; zeros if strings are never struck.
    level_db : tuple of float
        Microphone against pickup in the middle band, take by take.
    takes : tuple of float64, shape (2, lines)
        Every take's own power, for what has to hold take by take.
    usable : bool, shape (thirds,)
        Third octaves in which both sources carry the guitar.
    """

    shape: Reals
    shared: Reals
    onset: Reals
    level_db: tuple[float, ...]
    takes: tuple[Reals, ...]
    usable: NDArray[np.bool_]

    @property
    def usable_lines(self) -> NDArray[np.bool_]:
        """The lines of usable third octaves."""
        third = third_of_lines()
        inside = (third >= 0) & (third < len(THIRDS_HZ))
        return np.asarray(inside & self.usable[np.clip(third, 0, len(THIRDS_HZ) - 1)])


def third_of_lines() -> NDArray[np.int64]:
    """Number of the third octave of every line; beyond the ends where there is none."""
    return np.asarray(np.rint(3.0 * np.log2(LINES_HZ / THIRDS_HZ[0])), np.int64)


def in_thirds(power: Reals) -> Reals:
    """Power of lines, shape (..., lines), summed to third octaves, shape (..., thirds)."""
    third = third_of_lines()
    sums = np.zeros((*power.shape[:-1], len(THIRDS_HZ)))
    for number in range(len(THIRDS_HZ)):
        sums[..., number] = power[..., third == number].sum(axis=-1)
    return sums


def in_band(power: Reals, band_hz: tuple[float, float], *, where: NDArray[np.bool_]) -> Reals:
    """Power of the chosen lines of a band, shape (...)."""
    low_hz, high_hz = band_hz
    chosen = where & (low_hz <= LINES_HZ) & (high_hz > LINES_HZ)
    return np.asarray(power[..., chosen].sum(axis=-1), np.float64)


def without_hum(power: Reals, hum_hz: Sequence[float]) -> Reals:
    """Power with every line of hum replaced by what lies beside it."""
    cleaned = power.copy()
    for line_hz in hum_hz:
        if line_hz > FINE_TOP_HZ - 4.0 * FINE_HZ:
            continue
        hit = np.abs(LINES_HZ - line_hz) <= _HUM_HALF_HZ
        beside = ~hit & (np.abs(LINES_HZ - line_hz) <= 2.0 * _HUM_HALF_HZ)
        cleaned[..., hit] = np.minimum(cleaned[..., hit], cleaned[..., beside].mean(axis=-1, keepdims=True))
    return cleaned


def combine_takes(takes: Sequence[TakeBalance], *, hum_hz: Sequence[Sequence[float]] = ()) -> Guitar:
    """Put the takes of one guitar together.

    Parameters
    ----------
    takes : sequence of TakeBalance
        With the pickup as first source.
    hum_hz : sequence of sequence of float, optional
        Lines of hum of each take, left out of the balance.

    Returns
    -------
    Guitar

    Raises
    ------
    UnfitError
        If there is too little sound, a source is silent, or the sources have nothing in common.
    """
    sound_s = sum(take.sound_s for take in takes)
    if sound_s < LEAST_SOUND_S:
        raise UnfitError(f"there are only {sound_s:.1f} s of sound; {LEAST_SOUND_S:.0f} s are needed")
    lines = [*hum_hz, *[()] * (len(takes) - len(hum_hz))]
    cleaned = [without_hum(take.guitar, hum) for take, hum in zip(takes, lines, strict=True)]
    shared = [np.minimum(take.shared, power) for take, power in zip(takes, cleaned, strict=True)]
    weights = np.array([take.sound_s for take in takes]) / sound_s
    everywhere = np.ones(len(LINES_HZ), np.bool_)
    middles = np.array([in_band(power, MIDDLE_BAND_HZ, where=everywhere) for power in cleaned])
    for source, name in enumerate(("pickup", "microphone")):
        if not np.all(middles[:, source] > 0.0):
            raise UnfitError(f"the {name} is silent")

    def mean(arrays: Sequence[Reals]) -> Reals:
        return np.asarray(
            sum(w * a / m[:, np.newaxis] for w, a, m in zip(weights, arrays, middles, strict=True)),
            np.float64,
        )

    shape, common = mean(cleaned), mean(shared)
    usable = np.all(in_thirds(common) >= SHARED_FRACTION * np.maximum(in_thirds(shape), 1e-30), axis=0)
    middle = (MIDDLE_BAND_HZ[0] < THIRDS_HZ) & (MIDDLE_BAND_HZ[1] > THIRDS_HZ)
    if not np.any(usable & middle):
        raise UnfitError(
            "the two sources have nothing in common in the middle of the band: two recordings of one guitar?"
        )
    return Guitar(
        shape=shape,
        shared=common,
        onset=mean([take.onset for take in takes]),
        level_db=tuple(db_from_power(float(one[1] / one[0])) for one in middles),
        takes=tuple(cleaned),
        usable=usable,
    )


def excess_db(guitar: Guitar, *, microphone: Reals | None = None, pickup: Reals | None = None) -> Reals:
    """Microphone against pickup in third octaves, each against its own middle band, shape (thirds,).

    Parameters
    ----------
    guitar : Guitar
    microphone, pickup : float64, shape (lines,), optional
        Power responses of what is done to them.

    Returns
    -------
    float64
        In dB; not-a-number where one of them does not carry the guitar.
    """
    done = _done(guitar, microphone, pickup)
    thirds = in_thirds(done) / _middle(guitar, done)[:, np.newaxis]
    level_db = np.full(len(THIRDS_HZ), np.nan)
    known = guitar.usable & np.all(thirds > 0.0, axis=0)
    level_db[known] = 10.0 * np.log10(thirds[1, known] / thirds[0, known])
    return level_db


def low_excess_db(
    guitar: Guitar, *, microphone: Reals | None = None, pickup: Reals | None = None
) -> float | None:
    """Energy of the low band, microphone against pickup, each against its own middle band; None if not carried."""
    done = _done(guitar, microphone, pickup)
    low = in_band(done, LOW_BAND_HZ, where=guitar.usable_lines) / _middle(guitar, done)
    return db_from_power(float(low[1] / low[0])) if np.all(low > 0.0) else None


def side_to_mid_db(guitar: Guitar, *, mid: Reals, side: Reals, mid_source: int = 0) -> tuple[float, ...]:
    """Power of the side against the mid, take by take, with power responses of what is done to each."""
    return tuple(
        db_from_power(float((take[1 - mid_source] * side).sum() / (take[mid_source] * mid).sum()))
        for take in guitar.takes
    )


def typical_level_db(guitar: Guitar) -> float:
    """Microphone against pickup in the middle band: the median of the takes."""
    return median(guitar.level_db)


def _done(guitar: Guitar, microphone: Reals | None, pickup: Reals | None) -> Reals:
    done = guitar.shape.copy()
    for source, response in enumerate((pickup, microphone)):
        if response is not None:
            done[source] *= response
    return done


def _middle(guitar: Guitar, power: Reals) -> Reals:
    return in_band(power, MIDDLE_BAND_HZ, where=guitar.usable_lines)
