"""Seeded test signals, all `(frames, channels)` float64."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def sine(
    frequency_hz: float,
    *,
    duration_s: float,
    sample_rate_hz: int,
    peak_dbfs: float = 0.0,
    channels: int = 2,
    phase_deg: float = 0.0,
) -> NDArray[np.float64]:
    """A sine of constant level, the same in every channel."""
    frames = round(duration_s * sample_rate_hz)
    angle = 2.0 * np.pi * frequency_hz * np.arange(frames) / sample_rate_hz + np.deg2rad(phase_deg)
    return np.repeat((10.0 ** (peak_dbfs / 20.0) * np.sin(angle))[:, np.newaxis], channels, axis=1)


def noise(frames: int, *, channels: int = 2, seed: int = 1, rms: float = 0.1) -> NDArray[np.float64]:
    """Independent Gaussian noise in every channel."""
    return rms * np.random.default_rng(seed).standard_normal((frames, channels))


def impulse(frames: int, *, channels: int = 2, at: int = 0) -> NDArray[np.float64]:
    """One in every channel at frame `at`, zero elsewhere."""
    audio = np.zeros((frames, channels))
    audio[at] = 1.0
    return audio


def decaying_partials(
    frames: int,
    *,
    poles_per_s: NDArray[np.complex128],
    strengths: NDArray[np.complex128],
    sample_rate_hz: int,
) -> NDArray[np.float64]:
    """Real part of the sum of strength * exp(pole * t): many decaying partials at once, for one or more channels.

    Parameters
    ----------
    poles_per_s : complex128, shape (partials,)
        Decay per second as negative real part, 2 pi times hertz as imaginary part.
    strengths : complex128, shape (partials, channels)

    Returns
    -------
    float64, shape (frames, channels)
    """
    channels = strengths.shape[1]
    if not frames or not len(poles_per_s):
        return np.zeros((frames, channels))
    # exp(pole * (row * step + column)) is a product of two short tables: a matrix product, not a million sines.
    step = max(1, round(np.sqrt(frames)))
    rows = -(-frames // step)
    coarse = np.exp(np.outer(np.arange(rows) * (step / sample_rate_hz), poles_per_s))
    fine = np.exp(np.outer(poles_per_s, np.arange(step) / sample_rate_hz))
    table = np.concatenate([fine.real, -fine.imag])
    audio = np.empty((frames, channels))
    for channel in range(channels):
        weighted = coarse * strengths[:, channel]
        wave = np.concatenate([weighted.real, weighted.imag], axis=1) @ table
        audio[:, channel] = wave.reshape(-1)[:frames]
    return audio


def plucks(
    duration_s: float, *, sample_rate_hz: int, seed: int = 1, channels: int = 2
) -> NDArray[np.float64]:
    """Decaying partials at random moments, another mixture in every channel: something like a guitar."""
    random = np.random.default_rng(seed)
    frames = round(duration_s * sample_rate_hz)
    audio = np.zeros((frames, channels))
    instant_s = 0.05
    while instant_s < duration_s:
        first = round(instant_s * sample_rate_hz)
        fundamental_hz = 82.4069 * 2.0 ** (random.integers(0, 30) / 12.0)
        partial = np.arange(1, 1 + min(12, int(0.45 * sample_rate_hz / fundamental_hz)))
        weights = random.uniform(0.2, 1.0, (len(partial), channels)) / partial[:, np.newaxis]
        poles = -(1.0 + 0.7 * partial) + 2j * np.pi * partial * fundamental_hz
        # After 24 s even the first partial is below the last bit of a double.
        sounding = min(frames - first, 24 * sample_rate_hz)
        audio[first : first + sounding] += decaying_partials(
            sounding,
            poles_per_s=poles,
            strengths=np.asarray(-1j * weights, np.complex128),
            sample_rate_hz=sample_rate_hz,
        )
        instant_s += random.uniform(0.12, 0.4)
    return audio * (0.25 / float(np.abs(audio).max()))
