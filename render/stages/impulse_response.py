"""Impulse-response files: any rate, any level, any silence before them, made a stage of a chain.

What a player may rely on:

- *Time.* The main arrival of the response (its first peak within 3 dB of the largest) is time zero: a file
  with silence before it, or with the latency of a converter, does not come late.
  What lies before the main arrival, as in a response of linear phase, is kept and comes earlier.
- *Level.* The response is brought to 0 dB: the mean of its power from 50 Hz to 10 kHz, every octave counting
  the same, is 1. Files of any level sound about as loud as no file; a gain stage beside it sets the rest.
  A single impulse, of whatever level, is a wire.
- *Polarity* is the file's own.
- *Length.* Silence at both ends is cut; nothing is faded or windowed.

`wet_fraction` mixes dry and convolved, both with their main arrival at time zero, so that they add and do not
comb.
"""

from __future__ import annotations

import math

import numpy as np
import scipy.fft
import soxr
from numpy.typing import ArrayLike

from render.audio.array import Samples, as_samples
from render.stages.fir import Fir
from render.stages.prototype import checked
from render.units import gain_from_db

LEVEL_BAND_HZ = (50.0, 10000.0)
"""Where the level of a response is measured."""

ONSET_DB = -80.0
"""What comes before the first frame of this level, against the largest, is silence or the noise of a file."""

MARGIN_S = 0.005
"""So much is kept before that frame."""

FLOOR_DB = -150.0
"""What is below this at either end in the end is cut."""

_NEAR_LARGEST_DB = -3.0
_RESAMPLER_REACH_FRAMES = 256  # of the lower rate; measured: below -170 dB after 140


def prepare_impulse_response(
    samples: ArrayLike, *, file_rate_hz: int, sample_rate_hz: int, wet_fraction: float
) -> Fir:
    """Make the samples of a file a response at the rate of a take, as the module describes.

    Parameters
    ----------
    samples : float, shape (frames, channels)
        One or two channels. Two keep their balance and their time against each other.
    file_rate_hz, sample_rate_hz : int
        Rate of the file and of the take, 1000 to 1536000 Hz.
    wet_fraction : float
        0 (dry only: a wire) to 1 (convolved only): ``(1 - wet_fraction) * dry + wet_fraction * convolved``.

    Returns
    -------
    Fir
        float64, channels as the file; time zero is the main arrival.
        Resampled (soxr, its highest quality) so that the frequency response is kept, not the height of the
        samples; the main arrival stays on a frame. Flat within 0.01 dB up to 0.45 of the lower rate,
        time exact.
        Above half the rate of the file there is nothing: of a file of 44.1 kHz in a take of 96 kHz only the
        dry part is left there.

    Raises
    ------
    ValueError
        If there are no samples, more than two channels, values that are not finite, only zeros, nothing in
        `LEVEL_BAND_HZ`, or a number out of its range.
    """
    file_rate = round(checked("file_rate_hz", file_rate_hz, lowest=1000, highest=1536000, unit="Hz"))
    rate = round(checked("sample_rate_hz", sample_rate_hz, lowest=1000, highest=1536000, unit="Hz"))
    wet = checked("wet_fraction", wet_fraction, lowest=0.0, highest=1.0)
    response, arrival = _trimmed(_checked_samples(samples), file_rate)
    response = response / np.abs(response).max()  # first, so that a single impulse becomes 1 without rounding
    response = response / _mean_gain(response, arrival, file_rate)
    if file_rate != rate:
        response, arrival = _resampled(response, arrival, file_rate, rate)
    taps = wet * response
    taps[arrival] += 1.0 - wet
    return _cut(taps, arrival)


def _checked_samples(samples: ArrayLike) -> Samples:
    """Refuse what is no impulse response."""
    response = as_samples(samples, name="samples")
    frames, channels = response.shape
    if frames == 0 or channels == 0:
        raise ValueError(f"samples has shape {response.shape}: must hold at least one frame")
    if channels > 2:
        raise ValueError(f"samples has {channels} channels: must have 1 or 2")
    if not response.any():
        raise ValueError("samples holds only zeros: must hold an impulse response")
    return response


def _trimmed(response: Samples, file_rate: int) -> tuple[Samples, int]:
    """Cut the silence before a response and the zeros behind it; also tell the frame of its main arrival."""
    height = np.abs(response).max(axis=1)
    largest = float(height.max())
    first = int(np.argmax(height >= largest * gain_from_db(ONSET_DB)))
    first = max(0, first - math.ceil(MARGIN_S * file_rate))
    last = len(height) - int(np.argmax(height[::-1] > 0.0))
    arrival = int(np.argmax(height >= largest * gain_from_db(_NEAR_LARGEST_DB)))
    while arrival + 1 < last and height[arrival + 1] > height[arrival]:
        arrival += 1
    return response[first:last], arrival - first


def _mean_gain(response: Samples, arrival: int, file_rate: int) -> float:
    """Root of the mean power over `LEVEL_BAND_HZ`, octaves and channels alike; exactly 1 for an impulse."""
    lowest_hz, highest_hz = LEVEL_BAND_HZ
    highest_hz = min(highest_hz, 0.45 * file_rate)
    frames = scipy.fft.next_fast_len(max(len(response), math.ceil(file_rate / 2.0)), real=True)
    period = np.zeros((frames, response.shape[1]))
    period[: len(response)] = response
    # from time zero, so that a single impulse has a spectrum of ones without rounding
    spectrum = scipy.fft.rfft(np.roll(period, -arrival, axis=0), axis=0)
    frequency_hz = np.arange(len(spectrum)) * (file_rate / frames)
    band = (frequency_hz >= lowest_hz) & (frequency_hz <= highest_hz)
    weight = 1.0 / frequency_hz[band]
    power = (spectrum[band].real ** 2 + spectrum[band].imag ** 2).mean(axis=1)
    gain = math.sqrt(float((weight * power).sum()) / float(weight.sum()))
    if gain <= 1e-6 * float(np.abs(spectrum).max()):
        raise ValueError(f"samples holds nothing from {lowest_hz:g} to {highest_hz:g} Hz: level unknown")
    return gain


def _resampled(response: Samples, arrival: int, file_rate: int, rate: int) -> tuple[Samples, int]:
    """Bring a response to another rate, its main arrival from one whole frame to another."""
    common = math.gcd(file_rate, rate)
    file_step, step = file_rate // common, rate // common
    reach = math.ceil(_RESAMPLER_REACH_FRAMES * max(1.0, file_rate / rate))
    # frame n * file_step of the file falls on frame n * step of the take
    count = math.ceil((arrival + reach) / file_step)
    padded = np.zeros((count * file_step - arrival + len(response) + reach, response.shape[1]))
    start = count * file_step - arrival
    padded[start : start + len(response)] = response
    resampled = np.asarray(soxr.resample(padded, file_rate, rate, quality="VHQ"), dtype=np.float64)
    return resampled * (file_rate / rate), count * step


def _cut(taps: Samples, arrival: int) -> Fir:
    """Cut what is below `FLOOR_DB` at both ends, never time zero."""
    height = np.abs(taps).max(axis=1)
    heard = np.flatnonzero(height > height.max() * gain_from_db(FLOOR_DB))
    first = min(int(heard[0]), arrival)
    last = max(int(heard[-1]), arrival) + 1
    return Fir(taps=np.ascontiguousarray(taps[first:last]), lead_frames=arrival - first)
