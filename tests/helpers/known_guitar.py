"""A guitar with two sources of which everything is known: strings of `plucks`, closed-form filters on the microphone.

What is suggested for it is judged by a plain transform of the whole sound, written apart from what `render` measures.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tests.helpers.plucks import Path, Scene, play_scene

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]

RATE_HZ = 48_000
LOW_HZ, MIDDLE_HZ = (71.0, 354.0), (400.0, 2000.0)
THIRDS_HZ = tuple(80.0 * 2.0 ** (step / 3.0) for step in range(7))


@dataclass(frozen=True)
class Known:
    """What was done to the microphone: booms (frequency, dB, q), a low shelf (corner, dB), a delay."""

    booms: tuple[tuple[float, float, float], ...] = ()
    shelf: tuple[float, float] = (250.0, 0.0)
    delay_s: float = 0.0
    pickup_peaks: tuple[tuple[float, float, float], ...] = ()
    gain: float = 1.0
    hum: tuple[float, float] = (0.0, 0.0)
    noise_rms: tuple[float, float] = (1e-4, 1e-4)
    pickup_high_pass_hz: tuple[float, ...] = field(default=(25.0,))


def play_known(known: Known, *, seed: int, duration_s: float = 16.0, rate_hz: int = RATE_HZ) -> Reals:
    """Sound of pickup and microphone, shape (frames, 2)."""
    scene = Scene(
        (
            Path(peaks=known.pickup_peaks, high_pass_hz=known.pickup_high_pass_hz),
            Path(high_pass_hz=known.pickup_high_pass_hz),
        ),
        noise_rms=known.noise_rms,
        hum=known.hum,
    )
    audio = play_scene(scene, duration_s=duration_s, sample_rate_hz=rate_hz, seed=seed).astype(np.float64)
    path = Path(peaks=known.booms, delay_s=known.delay_s, gain=known.gain)
    audio[:, 1] = filtered(
        audio[:, 1], lambda hz: path.response(hz) * low_shelf_response(hz, *known.shelf), rate_hz=rate_hz
    )
    return np.asarray(0.5 * audio / np.abs(audio).max(), np.float64)


def low_shelf_response(frequency_hz: Reals, corner_hz: float, gain_db: float) -> Complexes:
    """Low shelf of the Audio EQ Cookbook, analogue, q 0.707."""
    s, a, q = 1j * frequency_hz / corner_hz, 10.0 ** (gain_db / 40.0), np.sqrt(0.5)
    return np.asarray(
        a * (s**2 + s * np.sqrt(a) / q + a) / (a * s**2 + s * np.sqrt(a) / q + 1.0), np.complex128
    )


def filtered(sound: Reals, response: Callable[[Reals], Complexes], *, rate_hz: int = RATE_HZ) -> Reals:
    """A sound behind an analogue response, with half a second for what rings."""
    size = fft.next_fast_len(len(sound) + rate_hz // 2, real=True)
    frequency_hz: Reals = np.asarray(np.arange(size // 2 + 1) * (rate_hz / size), np.float64)
    product = np.multiply(np.fft.rfft(sound, size), response(frequency_hz))
    return np.asarray(np.fft.irfft(product, size)[: len(sound)], np.float64)


def balance_db(pickup: Reals, microphone: Reals, *, rate_hz: int = RATE_HZ) -> tuple[float, Reals]:
    """Microphone against pickup, each against its middle band: the low band, and its seven third octaves."""
    power = np.abs(np.fft.rfft(np.stack([pickup, microphone], axis=1), axis=0)) ** 2
    frequency_hz = np.arange(len(power)) * (rate_hz / len(pickup))

    def band(low_hz: float, high_hz: float) -> Reals:
        return np.asarray(power[(frequency_hz >= low_hz) & (frequency_hz < high_hz)].sum(axis=0), np.float64)

    def level(low_hz: float, high_hz: float) -> float:
        against = band(low_hz, high_hz) / band(*MIDDLE_HZ)
        return float(10.0 * np.log10(against[1] / against[0]))

    half = 2.0 ** (1.0 / 6.0)
    return level(*LOW_HZ), np.array([level(hz / half, hz * half) for hz in THIRDS_HZ])


def random_known(random: np.random.Generator) -> Known:
    """A microphone in a body: air and top resonance, a shelf, a way to go."""
    booms: Sequence[tuple[float, float, float]] = (
        (
            float(random.uniform(90.0, 125.0)),
            float(random.uniform(5.0, 14.0)),
            float(random.uniform(4.0, 10.0)),
        ),
        (
            float(random.uniform(170.0, 240.0)),
            float(random.uniform(0.0, 9.0)),
            float(random.uniform(3.0, 8.0)),
        ),
    )
    return Known(
        booms=tuple(booms),
        shelf=(float(random.uniform(150.0, 350.0)), float(random.uniform(-3.0, 8.0))),
        delay_s=float(random.uniform(2e-4, 9e-4)),
        gain=float(10.0 ** random.uniform(-0.7, 0.3)),
    )
