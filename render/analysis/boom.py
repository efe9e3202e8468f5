"""Resonances of the body that one source hears and the other does not: frequency, height, width.

Beside the chain, before anything is mixed. The ratio of two long-term spectra knows nothing of what was played, since
both sources heard it; what is left is the difference of the two paths. In the low band, where a body has few modes far
apart, that difference is a smooth slope and peaks of one shape, and those are fitted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.frames import each_spectra
from render.analysis.low_band import PADDED, LowFrames, Lows
from render.audio.array import AnySamples, Reals

LOWEST_HZ, HIGHEST_HZ = 60.0, 500.0
"""Where a resonance booms: from below the lowest air resonance of a body to where modes become many."""

LEAST_DB = 4.0
"""What stands out by less is within what strings, plucking place and chance make of a ratio."""

MOST = 4
"""Air, top, back and one more: after that it is no longer a boom but the sound of the instrument."""

LEAST_COHERENCE = 0.5
"""Bins where the two sources agree less hold noise, or a room: their ratio says nothing."""

FEWEST_FRAMES = 6
"""With fewer frames (about 8 s) coherence is chance."""

_CELLS_PER_OCTAVE = 48
_FIT_HZ = (50.0, 700.0)
_QUALITY = 1.5, 60.0
_RESONANT = 4.0, 55.0
_SETTLED = 1e-5  # a step that betters the fit by less than this share is the last
"""Qualities of what is told: broader is a slope of the source, narrower no body has (wood and air lose more)."""


@dataclass(frozen=True)
class Resonance:
    """One resonance that stands out.

    Attributes
    ----------
    frequency_hz : float
    prominence_db : float
        Height over the slope around it.
    quality : float
        Of the resonance: height falls as 1 / (1 + (quality * (f / f0 - f0 / f))**2).
    bandwidth_hz : float
        Between the points 3 dB below the peak.
    """

    frequency_hz: float
    prominence_db: float
    quality: float

    @property
    def bandwidth_hz(self) -> float:
        """Closed form: 1 + (g - 1) / (1 + (q v)^2) = g / 2 with g the peak as a power, v = bandwidth / frequency."""
        peak = 10.0 ** (self.prominence_db / 10.0)
        return self.frequency_hz / self.quality * math.sqrt((peak - 1.0) / (0.5 * peak - 1.0) - 1.0)

    @property
    def peaking_q(self) -> float:
        """The `q` of a peaking stage of gain `-prominence_db` that takes it away exactly."""
        return float(self.quality / 10.0 ** (self.prominence_db / 40.0))


class BoomGauge:
    """Adds up powers and products of two sources in the low band; takes the frames of a `LowFrames`.

    Parameters
    ----------
    low : LowFrames
        Of a take of two channels.
    """

    def __init__(self, low: LowFrames) -> None:
        self._frequency_hz = low.frequency_hz[::PADDED]
        self._power = np.zeros((2, len(self._frequency_hz)))
        self._product = np.zeros(len(self._frequency_hz), np.complex128)
        self._frames = 0

    def add(self, frames: Lows) -> None:
        """Take the next frames, shape (frames, 2, bins)."""
        bins = frames[..., ::PADDED]
        if bins.shape[1] != 2:
            raise ValueError(f"frames must have 2 channels, not {bins.shape[1]}")
        self._power += np.sum(bins.real**2 + bins.imag**2, axis=0, dtype=np.float64)
        self._product += np.sum(bins[:, 1] * np.conj(bins[:, 0]), axis=0, dtype=np.complex128)
        self._frames += len(frames)

    def result(self, *, source: int = 1, without_hz: tuple[float, ...] = ()) -> tuple[Resonance, ...]:
        """Resonances of one source against the other, the highest first.

        Parameters
        ----------
        source : int
            0 or 1; the other is what it is compared with.
        without_hz : tuple of float
            Lines of hum: 1 Hz to both sides is left out.

        Returns
        -------
        tuple of Resonance
            Empty also where there is too little to go by.
        """
        if source not in (0, 1):
            raise ValueError(f"source = {source}: must be 0 or 1")
        if self._frames < FEWEST_FRAMES:
            return ()
        curve = _ratio(
            self._frequency_hz,
            self._power[1 - source],
            self._power[source],
            self._product,
            without_hz=without_hz,
        )
        return _resonances(curve)


@dataclass(frozen=True, eq=False)
class _Curve:
    """Ratio of two spectra in narrow cells: where each is (octaves from 1 Hz), its level, how sure."""

    octave: Reals
    level_db: Reals
    weight: Reals


def _ratio(
    frequency_hz: Reals,
    below: Reals,
    above: Reals,
    product: NDArray[np.complex128],
    *,
    without_hz: tuple[float, ...],
) -> _Curve:
    """Ratio in cells of a 48th octave, of what both sources hear alike, placed where the sound in it lies."""
    both = below * above
    with np.errstate(divide="ignore", invalid="ignore"):
        coherence = np.where(both > 0.0, (product.real**2 + product.imag**2) / both, 0.0)
    use = (frequency_hz >= _FIT_HZ[0]) & (frequency_hz <= _FIT_HZ[1]) & (coherence >= LEAST_COHERENCE)
    for line_hz in without_hz:
        use &= np.abs(frequency_hz - line_hz) > 1.0
    if not use.any():
        return _Curve(np.zeros(0), np.zeros(0), np.zeros(0))
    octave = np.log2(frequency_hz[use])
    _, cell = np.unique(np.rint(octave * _CELLS_PER_OCTAVE).astype(np.intp), return_inverse=True)
    amount = np.sqrt(both[use])

    def summed(values: Reals) -> Reals:
        return np.asarray(np.bincount(cell, weights=values), dtype=np.float64)

    sure = np.minimum(coherence[use] / (1.02 - coherence[use]), 20.0)
    return _Curve(
        octave=summed(amount * octave) / summed(amount),
        level_db=10.0 * np.log10(summed(above[use]) / summed(below[use])),
        weight=summed(amount * sure) / summed(amount),
    )


def _resonances(curve: _Curve) -> tuple[Resonance, ...]:
    """Peaks one after the other, all fitted again with each that is added."""
    if len(curve.octave) < 24:
        return ()
    peaks = np.zeros((0, 3))
    model = _fit(curve, np.zeros(4), peaks)
    for _ in range(MOST + 1):
        start = _highest(curve, curve.level_db - model.level_db)
        if start is None:
            break
        model = _fit(curve, model.slope, np.vstack([model.peaks, start]))
    found = [
        Resonance(float(2.0**octave), float(height_db), float(2.0**quality))
        for octave, height_db, quality in model.peaks
        if LOWEST_HZ <= 2.0**octave <= HIGHEST_HZ
        and height_db >= LEAST_DB
        and _RESONANT[0] <= 2.0**quality <= _RESONANT[1]
    ]
    return tuple(sorted(found, key=lambda one: -one.prominence_db)[:MOST])


def _highest(curve: _Curve, rest_db: Reals) -> Reals | None:
    """Start of one more peak: where three neighbours together stand out most, how wide, or None."""
    inside = (curve.octave >= math.log2(LOWEST_HZ)) & (curve.octave <= math.log2(HIGHEST_HZ))
    near = np.abs(curve.octave[:, np.newaxis] - curve.octave) <= 1.6 / _CELLS_PER_OCTAVE
    together = np.array([_weighted_median(rest_db[row], curve.weight[row]) for row in near])
    together[~inside | (near.sum(axis=1) < 2)] = -math.inf
    at = int(np.argmax(together))
    if together[at] < 0.6 * LEAST_DB:
        return None
    half = together >= 0.5 * together[at]
    left = right = at
    while left > 0 and half[left - 1]:
        left -= 1
    while right < len(half) - 1 and half[right + 1]:
        right += 1
    width = max(curve.octave[right] - curve.octave[left], 1.0 / _CELLS_PER_OCTAVE)
    quality = np.clip(1.44 / width, 2.0, 40.0)
    return np.array([curve.octave[at], together[at], math.log2(quality)])


def _weighted_median(values: Reals, weight: Reals) -> float:
    order = np.argsort(values)
    sums = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(sums, 0.5 * sums[-1])])


@dataclass(frozen=True, eq=False)
class _Model:
    """Slope of third degree, peaks (octave, height in dB, quality in octaves), and the fitted curve at the cells."""

    slope: Reals
    peaks: Reals
    level_db: Reals


def _fit(curve: _Curve, start: Reals, peaks: Reals) -> _Model:
    """Slope and peaks by damped least squares from a start of both, far outliers counting less (Huber's weights)."""
    base = curve.octave - math.log2(200.0)
    slope = np.stack([base**power for power in range(4)], axis=1)
    values = np.concatenate([start, peaks.reshape(-1)])
    home = values.copy()
    for count, threshold_db in ((12, 6.0), (25, 2.0)):
        values = _descend(curve, slope, values, home, rounds=count, threshold_db=threshold_db)
    level_db, _ = _curve_of(values, slope, curve.octave)
    return _Model(slope=values[:4], peaks=values[4:].reshape(-1, 3), level_db=level_db)


def _descend(
    curve: _Curve, slope: Reals, values: Reals, home: Reals, *, rounds: int, threshold_db: float
) -> Reals:
    """Levenberg-Marquardt steps."""
    damping, best, cost = 1e-2, values, math.inf
    for _ in range(rounds):
        level_db, gradient = _curve_of(values, slope, curve.octave)
        rest_db = curve.level_db - level_db
        far = np.maximum(np.abs(rest_db), 1e-9)
        weight = curve.weight * np.minimum(1.0, threshold_db / far)
        here = float(np.sum(curve.weight * np.where(far < threshold_db, 0.5 * far**2, threshold_db * far)))
        if here <= cost:
            settled = here >= (1.0 - _SETTLED) * cost
            cost, best, damping = here, values, 0.4 * damping
            if settled:
                break
        else:
            values, damping = best, 8.0 * damping
            level_db, gradient = _curve_of(values, slope, curve.octave)
            rest_db = curve.level_db - level_db
            weight = curve.weight * np.minimum(1.0, threshold_db / np.maximum(np.abs(rest_db), 1e-9))
        normal = gradient.T @ (weight[:, np.newaxis] * gradient)
        normal[np.diag_indices_from(normal)] *= 1.0 + damping
        normal[np.diag_indices_from(normal)] += 1e-6
        values = _within(values + np.linalg.solve(normal, gradient.T @ (weight * rest_db)), home)
    return best


def _within(values: Reals, home: Reals) -> Reals:
    """Keep peaks near where they were seen, heights positive, qualities possible."""
    kept = values.copy()
    kept[4::3] = np.clip(kept[4::3], home[4::3] - 0.2, home[4::3] + 0.2)
    kept[5::3] = np.clip(kept[5::3], 0.1, 40.0)
    kept[6::3] = np.clip(kept[6::3], math.log2(_QUALITY[0]), math.log2(_QUALITY[1]))
    return kept


def _curve_of(values: Reals, slope: Reals, octave: Reals) -> tuple[Reals, Reals]:
    """The curve of these values, and its derivative by each of them."""
    at, height_db, quality = values[4:].reshape(-1, 3).T[..., np.newaxis]
    distance = octave - at  # shape (peaks, cells), as all that follows
    detuning = 2.0 * np.sinh(math.log(2.0) * distance)  # f / f0 - f0 / f
    peak, q = 10.0 ** (height_db / 10.0), 2.0**quality
    off_tune = np.square(q * detuning)
    share = 1.0 / (1.0 + off_tune)
    power = 1.0 + (peak - 1.0) * share
    by_share = 10.0 / math.log(10.0) * (peak - 1.0) / power
    by_square = -2.0 * math.log(2.0) * by_share * share**2  # share by (q v)^2, and log 2 of all that follows
    by_at = -2.0 * by_square * q**2 * detuning * np.cosh(math.log(2.0) * distance)
    by_height = peak * share / power
    by_quality = by_square * off_tune
    level_db = slope @ values[:4] + 10.0 * np.log10(power).sum(axis=0)
    gradient = np.stack([by_at, by_height, by_quality], axis=1).reshape(-1, len(octave))
    return np.asarray(level_db), np.concatenate([slope, gradient.T], axis=1)


def measure_boom(audio: AnySamples, *, sample_rate_hz: float, source: int = 1) -> tuple[Resonance, ...]:
    """Resonances of one source of a whole take against the other.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, 2)
    sample_rate_hz : float
    source : int
        0 or 1.

    Returns
    -------
    tuple of Resonance
        The highest first, at most `MOST`.
    """
    low = LowFrames(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    gauge = BoomGauge(low)
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(low.add(spectra))
    return gauge.result(source=source)
