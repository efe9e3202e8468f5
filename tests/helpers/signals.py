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
        seconds = np.arange(frames - first) / sample_rate_hz
        fundamental_hz = 82.4069 * 2.0 ** (random.integers(0, 30) / 12.0)
        for partial in range(1, 13):
            if partial * fundamental_hz > 0.45 * sample_rate_hz:
                break
            wave = np.exp(-seconds * (1.0 + 0.7 * partial)) * np.sin(
                2 * np.pi * partial * fundamental_hz * seconds
            )
            audio[first:] += wave[:, np.newaxis] * random.uniform(0.2, 1.0, channels) / partial
        instant_s += random.uniform(0.12, 0.4)
    return audio * (0.25 / float(np.abs(audio).max()))
