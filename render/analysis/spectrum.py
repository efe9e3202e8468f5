"""What a response does to each frequency: level in dB, and how much later it comes out.

Stands beside the chain: it is told and drawn (`recipe plot`), never mixed.
Read at any frequencies, as they are or as means over bands of a part of an octave, the way hearing takes them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.audio.array import Reals, Samples, as_samples

FINEST_HZ = 0.25
"""Bins of the transform are at least so close: a hundredth of a semitone at 440 Hz, a third of one at 20 Hz."""

HEARD_DB = -240.0
"""What is below this, against the largest bin, is rounding: level minus infinity, no delay."""


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Level and group delay at some frequencies.

    Attributes
    ----------
    frequency_hz : float64, shape (points,)
    level_db : float64, shape (points, channels)
        0 dB is gain 1; minus infinity where nothing comes out.
    group_delay_s : float64, shape (points, channels)
        Against time zero, negative where earlier; not-a-number where nothing comes out.
    """

    frequency_hz: Reals
    level_db: Samples
    group_delay_s: Samples


def measure_spectrum(
    response: Samples,
    *,
    sample_rate_hz: float,
    frequency_hz: Reals,
    lead_frames: int = 0,
    bands_per_octave: float | None = None,
) -> Spectrum:
    """Level and group delay of an impulse response at given frequencies.

    Parameters
    ----------
    response : float64, shape (frames, channels)
    sample_rate_hz : float
        Greater than 0.
    frequency_hz : float64, shape (points,)
        0 to half the sample rate.
    lead_frames : int
        So many frames lie before time zero, 0 to frames - 1.
    bands_per_octave : float, optional
        Mean power over a band of constant relative width around each frequency: 3 for third octaves; above 0.
        Bands end at half the sample rate. None reads the frequency itself.

    Returns
    -------
    Spectrum

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    Notes
    -----
    With h the response and H its transform, power is ``abs(H)^2`` and group delay ``Re(F(n h) / H)``, that is
    ``Re(F(n h) conj(H)) / abs(H)^2``: no phase has to be unwrapped. Over a band numerator and denominator are summed,
    which makes the group delay the centre of gravity in time of the band's energy [1]_.
    Between bins (`FINEST_HZ`) both are straight lines: within 0.005 dB, but for the bottom of a notch.

    References
    ----------
    .. [1] L. Cohen, *Time-Frequency Analysis*, Prentice Hall, 1995, ch. 1.6, mean time from the spectrum's phase.
    """
    samples = as_samples(response, name="response")
    wanted_hz = np.asarray(frequency_hz, dtype=np.float64)
    _check(samples, sample_rate_hz, wanted_hz, lead_frames, bands_per_octave)
    frames = len(samples)
    size = 2 * fft.next_fast_len((max(2 * frames, int(sample_rate_hz / FINEST_HZ)) + 1) // 2, real=True)
    instant = np.arange(-lead_frames, frames - lead_frames)[:, np.newaxis]
    spectrum = fft.rfft(samples, size, axis=0)
    moment = fft.rfft(samples * instant, size, axis=0)
    power = spectrum.real**2 + spectrum.imag**2
    moment_power = spectrum.real * moment.real + spectrum.imag * moment.imag
    bin_hz = sample_rate_hz / size
    if bands_per_octave is None:
        power_at, moment_at = (_at(values, wanted_hz / bin_hz) for values in (power, moment_power))
    else:
        power_at, moment_at = (
            _band_means(values, wanted_hz / bin_hz, bands_per_octave) for values in (power, moment_power)
        )
    floor = power.max(axis=0, initial=0.0) * 10.0 ** (HEARD_DB / 10.0)
    heard = (power_at > floor) & (power_at > 0.0)
    level_db = np.full(power_at.shape, -np.inf)
    level_db[heard] = 10.0 * np.log10(power_at[heard])
    group_delay_s = np.full(power_at.shape, np.nan)
    group_delay_s[heard] = moment_at[heard] / power_at[heard] / sample_rate_hz
    return Spectrum(frequency_hz=wanted_hz, level_db=level_db, group_delay_s=group_delay_s)


def _at(values: Samples, position: Reals) -> Samples:
    """Values at positions between bins."""
    below = np.minimum(position.astype(np.int64), len(values) - 2)
    part = (position - below)[:, np.newaxis]
    return np.asarray((1.0 - part) * values[below] + part * values[below + 1], dtype=np.float64)


def _band_means(values: Samples, position: Reals, bands_per_octave: float) -> Samples:
    """Means over bands around positions; each bin is a step one bin wide, and counts by what of it is inside."""
    half = 2.0 ** (0.5 / bands_per_octave)
    low = position / half + 0.5  # bin k reaches from k to k + 1 on this scale
    high = np.minimum(position * half, len(values) - 1.0) + 0.5
    # never narrower than a bin: there the mean is the bin
    widen = np.maximum(1.0 - (high - low), 0.0) / 2.0
    low, high = np.maximum(low - widen, 0.0), np.minimum(high + widen, len(values))
    sums = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    return np.asarray((_at(sums, high) - _at(sums, low)) / (high - low)[:, np.newaxis], dtype=np.float64)


def _check(
    samples: Samples,
    sample_rate_hz: float,
    frequency_hz: Reals,
    lead_frames: int,
    bands_per_octave: float | None,
) -> None:
    if not sample_rate_hz > 0.0:
        raise ValueError(f"sample_rate_hz = {sample_rate_hz}: must be greater than 0")
    if frequency_hz.ndim != 1 or not np.all((frequency_hz >= 0.0) & (frequency_hz <= 0.5 * sample_rate_hz)):
        raise ValueError(f"frequency_hz must be one list of 0 to {0.5 * sample_rate_hz:g} Hz")
    if not 0 <= lead_frames < len(samples):
        raise ValueError(f"lead_frames = {lead_frames}: must be 0 to {len(samples) - 1}")
    if bands_per_octave is not None and not bands_per_octave > 0.0:
        raise ValueError(f"bands_per_octave = {bands_per_octave}: must be greater than 0")
