"""Is a tail like noise? Echo density, likeness of two sides, evenness of the spectrum.

Stands beside the chain, like `decay`: three measures of what a network of delays does badly.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import fft

from render.analysis.decay import band_centres_hz, band_edges_hz
from render.audio.array import Reals, Samples, as_samples

BEYOND_ONE_SIGMA = math.erfc(math.sqrt(0.5))
"""Share of Gaussian noise past one standard deviation: 0.3173."""

NOISE_SPREAD_DB = 10.0 / math.log(10.0) * math.pi / math.sqrt(6.0)
"""Standard deviation of the level of Gaussian noise in single bins: that of the logarithm of an exponentially
distributed power, 5.57 dB."""


def measure_echo_density(
    response: Samples, *, sample_rate_hz: float, at_s: Reals, window_ms: float = 20.0
) -> Samples:
    """Normalised echo density: near 0 for few echoes, 1 for Gaussian noise.

    In a Hann window around a moment: the weight of what exceeds the window's own standard deviation, divided
    by the share that Gaussian noise has there.

    Parameters
    ----------
    response : float64, shape (frames, channels)
    sample_rate_hz : float
    at_s : float64, shape (moments,)
        Middles of the windows, from frame 0; beyond both ends the response counts as silence.
    window_ms : float
        Whole length, greater than 0; 20 to 30 is usual.

    Returns
    -------
    float64, shape (moments, channels)
        0 where all is silent.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] J. S. Abel and P. Huang, "A simple, robust measure of reverberation echo density", AES 121st Convention,
       2006, paper 6985.
    """
    samples = as_samples(response, name="response")
    if not window_ms > 0.0:
        raise ValueError(f"window_ms = {window_ms}: must be greater than 0")
    half = max(1, round(0.0005 * window_ms * sample_rate_hz))
    weight = np.hanning(2 * half + 3)[1:-1]
    weight /= weight.sum()
    density = np.zeros((len(at_s), samples.shape[1]))
    for moment, seconds in enumerate(at_s):
        first = round(float(seconds) * sample_rate_hz) - half
        begin, end = max(first, 0), min(first + len(weight), len(samples))
        if begin >= end:
            continue
        part, share = samples[begin:end], weight[begin - first : end - first, np.newaxis]
        sigma = np.sqrt(np.sum(share * part**2, axis=0))
        density[moment] = np.sum(share * (np.abs(part) > sigma), axis=0) / BEYOND_ONE_SIGMA
    return density


def measure_coherence(
    left_right: Samples, *, sample_rate_hz: float, lowest_hz: float = 500.0, highest_hz: float = 8000.0
) -> float:
    """Likeness of two responses: mean over third octaves of their normalised product.

    In each band abs(sum HL conj(HR)) / sqrt(sum abs2(HL) sum abs2(HR)), over the bins of one transform of the whole.

    Parameters
    ----------
    left_right : float64, shape (frames, 2)
    sample_rate_hz : float
    lowest_hz, highest_hz : float
        Nominal centres of the first and the last third octave; bands that end above half the rate are left out.

    Returns
    -------
    float
        1 for the same sound on both sides, whatever its level and polarity. Independent noises: near
        0.89 / sqrt(degrees of freedom of a band), not 0. Not-a-number if a side is silent in a band.
    """
    samples = as_samples(left_right, name="left_right", channels=2)
    size = fft.next_fast_len(len(samples), real=True)
    spectrum = fft.rfft(samples, size, axis=0)
    frequency_hz = np.arange(len(spectrum)) * (sample_rate_hz / size)
    values = []
    for centre_hz in band_centres_hz(lowest_hz, highest_hz, bands_per_octave=3):
        low_hz, high_hz = band_edges_hz(float(centre_hz), bands_per_octave=3)
        if high_hz > 0.5 * sample_rate_hz:
            break
        first, last = np.searchsorted(frequency_hz, (low_hz, high_hz))
        left, right = spectrum[first:last].T
        energy = float(np.sum(np.abs(left) ** 2) * np.sum(np.abs(right) ** 2))
        values.append(
            float(np.abs(np.sum(left * np.conj(right)))) / math.sqrt(energy) if energy > 0.0 else math.nan
        )
    return math.fsum(values) / len(values) if values else math.nan


def measure_level_spread_db(
    response: Samples, *, sample_rate_hz: float, lowest_hz: float = 500.0, highest_hz: float = 3000.0
) -> Reals:
    """Roughness of a spectrum: standard deviation of the levels of single bins against their third octave.

    The trend is the mean power between the edges of a third octave around each bin (rectangular on the frequency
    axis), so slopes and shelves do not count.

    Parameters
    ----------
    response : float64, shape (frames, channels)
        The tail alone: early reflections have a pattern of their own.
    sample_rate_hz : float
    lowest_hz, highest_hz : float

    Returns
    -------
    float64, shape (channels,)
        In dB: 5.6 for Gaussian noise (`NOISE_SPREAD_DB`), more where single modes ring.
    """
    samples = as_samples(response, name="response")
    size = fft.next_fast_len(len(samples), real=True)
    power = np.abs(fft.rfft(samples, size, axis=0)) ** 2
    frequency_hz = np.arange(len(power)) * (sample_rate_hz / size)
    inside = np.flatnonzero((frequency_hz >= lowest_hz) & (frequency_hz <= highest_hz))
    low_hz, high_hz = band_edges_hz(1.0, bands_per_octave=3)
    first = np.searchsorted(frequency_hz, frequency_hz[inside] * low_hz)
    last = np.searchsorted(frequency_hz, frequency_hz[inside] * high_hz, side="right")
    summed = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power, axis=0)])
    trend = (summed[last] - summed[first]) / (last - first)[:, np.newaxis]
    with np.errstate(divide="ignore", invalid="ignore"):
        level_db = 10.0 * np.log10(power[inside] / trend)
    return np.asarray(np.std(level_db, axis=0), dtype=np.float64)
