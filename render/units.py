"""Decibels to gains, milliseconds to frames, moments to words: scalars only, and the one place that rounds."""

from __future__ import annotations

import math


def gain_from_db(level_db: float) -> float:
    """Amplitude factor of a level: 6.02 dB is 2."""
    return float(10.0 ** (level_db / 20.0))


def db_from_gain(gain: float) -> float:
    """Level of an amplitude factor; minus infinity for zero."""
    return 20.0 * math.log10(gain) if gain > 0.0 else -math.inf


def power_from_db(level_db: float) -> float:
    """Power ratio of a level: 3.01 dB is 2."""
    return float(10.0 ** (level_db / 10.0))


def db_from_power(power: float) -> float:
    """Level of a power ratio; minus infinity for zero."""
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def frames_from_s(duration_s: float, *, sample_rate_hz: int) -> int:
    """Nearest whole number of frames; halves go up, so that equal steps stay equal."""
    return math.floor(duration_s * sample_rate_hz + 0.5)


def frames_from_ms(duration_ms: float, *, sample_rate_hz: int) -> int:
    """Nearest whole number of frames; halves go up."""
    return math.floor(duration_ms * sample_rate_hz / 1000.0 + 0.5)


def clock(instant_s: float) -> str:
    """A moment as players read it: `0:07.4`, `12:30.0`, `1:02:03.0`."""
    tenths = round(instant_s * 10.0)
    minutes, tenths = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{tenths // 10:02d}.{tenths % 10}"
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"


def length_words(duration_s: float) -> str:
    """How long something is, as players say it: `27 s`, from a minute on `1:20` or `1:02:03`."""
    seconds = round(duration_s)
    return f"{seconds} s" if seconds < 60 else clock(float(seconds)).removesuffix(".0")
