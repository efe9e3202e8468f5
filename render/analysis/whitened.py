"""The whitened correlation of two sources: where its main peak stands, how sharp, how sure.

Stands behind `coherence`. Every frequency gives its phase only, weighted by how far it can be trusted; where phases
agree on one delay, they add up to a peak (generalised cross-correlation [1]_).

Weights
-------
``gamma2 / (1 - gamma2 + e gamma2)``, gamma2 the magnitude-squared coherence. For e = 0 that is the maximum-likelihood
weight (Hannan and Thomson) over the length of the cross spectrum: best for a delayed copy with noise. For e = 1 it is
the phase transform weighted with the coherence: best where the sources have filters of their own, because then the
error of a phase is that of the filters and no longer shrinks with the noise. Which of the two it is, is read from the
residual phases.

References
----------
.. [1] C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time delay", IEEE Trans.
   ASSP 24(4), 1976, 320-327, Table I.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.analysis.coherence import Pooled
from render.audio.array import Complexes, Reals

REACH_S = 0.05
"""Delays looked for: up to this, either way. Sources in one guitar are within 2 ms, 17 m of air make 50 ms; a window
(0.17 s) still overlaps its delayed twin well enough."""

_FINER = 4  # lags to a period of the highest frequency, times two
_STEPS = 30
_RIVALS = 8
_CONVERGED = 1e-9  # of a period of the mean frequency
_MODEL_ERROR_SIGMA = 4.0


@dataclass(frozen=True, eq=False)
class Band:
    """What goes into the correlation: frequencies, whitened phases, weights, phase errors to be expected.

    Attributes
    ----------
    frequency_hz, weight, noise : float64, shape (bins,)
        `noise` is the variance of the phase, in square radians, that uncorrelated noise explains.
    phasor : complex128, shape (bins,)
    bin_correlation : float
        So many neighbouring bins count as one.
    """

    frequency_hz: Reals
    phasor: Complexes
    weight: Reals
    noise: Reals
    bin_correlation: float

    @property
    def mean_hz(self) -> float:
        """Root mean square frequency: it decides how sharp the peak is."""
        return float(np.sqrt(np.sum(self.weight * self.frequency_hz**2) / np.sum(self.weight)))


@dataclass(frozen=True)
class Peak:
    """Main peak of a whitened correlation.

    Attributes
    ----------
    delay_s : float
        Positive: the second source is later.
    sign : int
        1 or -1.
    height : float
        Of 1: all phases agree.
    opposite : float
        Largest value of the other sign, as a part of the main peak.
    rivals : tuple of (float, float)
        The next highest peaks of either sign, the highest first: where, against the main peak, in seconds, and how
        high, as a part of it.
    significance : float
        Square of the height over what random phases would give.
    """

    delay_s: float
    sign: int
    height: float
    opposite: float
    rivals: tuple[tuple[float, float], ...]
    significance: float


def choose_band(pooled: Pooled, *, regularisation: float = 1.0) -> Band | None:
    """Bins where both sources carry the same sound, weighted; None if there are hardly any.

    Parameters
    ----------
    pooled : Pooled
    regularisation : float
        The e of the weight, greater than 0 to 1.
    """
    some = pooled.usable
    if np.count_nonzero(some) < _FEWEST_BINS:
        return None
    gamma2, chance = pooled.coherence[some], pooled.chance[some]
    return Band(
        frequency_hz=pooled.frequency_hz[some],
        phasor=pooled.phasor[some],
        weight=gamma2 / (1.0 - gamma2 + regularisation * gamma2),
        # Variance of the phase of a cross spectrum of so many averages: Bendat & Piersol, Random Data, 4th ed., 9.2.
        noise=np.minimum(0.5 * chance * (1.0 - gamma2) / gamma2, np.pi**2 / 3.0),
        bin_correlation=pooled.bin_correlation,
    )


_FEWEST_BINS = 8


def correlate(band: Band, *, size_s: float) -> tuple[Reals, Reals]:
    """Whitened correlation over lag.

    Parameters
    ----------
    band : Band
    size_s : float
        Length of a window: one by the spacing of the bins.

    Returns
    -------
    lag_s, value : float64, shape (lags,)
        From -`REACH_S` to `REACH_S`; all phases agreeing give 1.
    """
    number = np.rint(band.frequency_hz * size_s).astype(np.int64)
    size = fft.next_fast_len(2 * _FINER * int(number[-1] + 1), real=True)
    spectrum = np.zeros(size // 2 + 1, np.complex128)
    spectrum[number] = band.weight * band.phasor
    # The angle falls with frequency for a positive delay: the peak of the inverse transform is at the delay.
    value = fft.irfft(spectrum, size) * (0.5 * size / float(np.sum(band.weight)))
    step_s = size_s / size
    reach = min(int(REACH_S / step_s), size // 2 - 1)
    lags = np.arange(-reach, reach + 1)
    return np.asarray(lags * step_s, np.float64), np.asarray(value[lags], np.float64)


def find_peak(band: Band, *, size_s: float) -> Peak:
    """Main peak of the whitened correlation, its place refined between lags."""
    lag_s, value = correlate(band, size_s=size_s)
    size = np.abs(value)
    best = int(np.argmax(size))
    sign = 1 if value[best] >= 0.0 else -1
    inner = size[1:-1]
    peaks = np.flatnonzero((inner >= size[:-2]) & (inner > size[2:])) + 1
    peaks = peaks[np.abs(peaks - best) > 1]
    peaks = peaks[np.argsort(-size[peaks])][:_RIVALS]
    opposite = float(np.max(-sign * value, initial=0.0))
    chance = 0.5 * band.bin_correlation * float(np.sum(band.weight**2)) / float(np.sum(band.weight)) ** 2
    return Peak(
        delay_s=refine(band, sign=sign, start_s=float(lag_s[best]), reach_s=float(lag_s[1] - lag_s[0])),
        sign=sign,
        height=float(size[best]),
        opposite=opposite / float(size[best]),
        rivals=tuple((float(lag_s[at] - lag_s[best]), float(size[at] / size[best])) for at in peaks),
        significance=float(size[best]) ** 2 / chance,
    )


def refine(band: Band, *, sign: int, start_s: float, reach_s: float) -> float:
    """Where the correlation is largest near a start, by evaluating it at finer and finer lags.

    The correlation is a sum of cosines, so it is known at every lag, not only on a grid: no parabola and none of its
    bias. Newton's method, falling back to halving the step where the curve is not convex.
    """
    turn = 2.0 * np.pi * band.frequency_hz
    weighted = sign * band.weight * band.phasor
    tolerance_s = _CONVERGED / max(band.mean_hz, 1.0)

    def slope_and_curvature(delay_s: float) -> tuple[float, float]:
        turned = weighted * np.exp(1j * turn * delay_s)
        return float(-np.sum(turn * turned.imag)), float(-np.sum(turn**2 * turned.real))

    low_s, high_s, here_s = start_s - reach_s, start_s + reach_s, start_s
    for _ in range(_STEPS):
        slope, curvature = slope_and_curvature(here_s)
        if slope > 0.0:
            low_s = here_s
        else:
            high_s = here_s
        step_s = -slope / curvature if curvature < 0.0 else np.copysign(reach_s, slope)
        there_s = here_s + step_s
        if not low_s < there_s < high_s:
            there_s = 0.5 * (low_s + high_s)
        moved_s, here_s = abs(there_s - here_s), there_s
        if moved_s < tolerance_s:
            break
    return here_s


def nearby_peak(band: Band, *, sign: int, near_s: float, reach_s: float) -> float:
    """Highest place of one sign within reach of a delay, for a part of the band."""
    lag_s = near_s + np.linspace(-reach_s, reach_s, 33)
    turned = np.exp(2j * np.pi * np.outer(lag_s, band.frequency_hz))
    value = sign * (turned @ (band.weight * band.phasor)).real
    return refine(band, sign=sign, start_s=float(lag_s[np.argmax(value)]), reach_s=reach_s / 16.0)


def statistical_error_s(band: Band, *, sign: int, delay_s: float) -> float:
    """Standard error of the peak's place, from the residual phases taken as independent noise.

    What the slope of the correlation at the peak varies by, over its curvature there: for a delayed copy, with the
    weights of maximum likelihood, that is the Cramer-Rao bound.
    """
    turn = 2.0 * np.pi * band.frequency_hz
    turned = sign * band.phasor * np.exp(1j * turn * delay_s)
    curvature = float(np.sum(band.weight * turn**2 * turned.real))
    if curvature <= 0.0:
        return float("inf")
    return float(np.sqrt(band.bin_correlation * np.sum((band.weight * turn * turned.imag) ** 2)) / curvature)


def unexplained_phase(band: Band, *, sign: int, delay_s: float) -> float:
    """Variance of the phase, in square radians, that noise does not explain: the sources' own filters.

    0 where the residual phases are within four standard deviations of what the coherence lets expect.
    """
    turned = sign * band.phasor * np.exp(2j * np.pi * band.frequency_hz * delay_s)
    total = float(np.sum(band.weight))
    residual = 2.0 * float(np.sum(band.weight * (1.0 - turned.real))) / total
    expected = float(np.sum(band.weight * band.noise)) / total
    independent = total**2 / (band.bin_correlation * float(np.sum(band.weight**2)))
    bound = expected * (1.0 + _MODEL_ERROR_SIGMA * np.sqrt(2.0 / independent))
    return residual - expected if residual > bound else 0.0
