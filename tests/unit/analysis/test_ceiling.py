"""Clipping of bright sound: tops of one or two samples that end at one height."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.clipping import Clipping, measure_clipping
from tests.helpers.hard_sounds import few_bits

RATE_HZ = 48_000


def _slapped(seed: int) -> NDArray[np.float64]:
    """Slaps on muted strings: bursts of noise whose tops are a sample long; peak 1."""
    random = np.random.default_rng(seed)
    wave = np.zeros(6 * RATE_HZ)
    for first in range(RATE_HZ // 4, len(wave) - RATE_HZ // 4, RATE_HZ // 4):
        t = np.arange(RATE_HZ // 5) / RATE_HZ
        burst = np.convolve(random.standard_normal(len(t)), [0.3, 1.0, 0.3], "same")
        burst *= np.exp(-t / 0.02) * np.minimum(1.0, t / 0.001)
        wave[first : first + len(t)] += float(random.uniform(0.3, 1.0)) * burst
    return np.asarray(wave / np.abs(wave).max(), np.float64)


def _measured(wave: NDArray[np.float64]) -> Clipping:
    (found,) = measure_clipping(wave[:, np.newaxis].astype(np.float32), sample_rate_hz=RATE_HZ)
    return found


@pytest.mark.parametrize("gain", [1.0, 0.2])
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_bright_sound_cut_by_6_db(bits: int, gain: float) -> None:
    """Told at its level and where it is, though hardly a top is three samples long; the same without a cut is not."""
    random = np.random.default_rng(7)
    for seed in range(3):
        wave = _slapped(seed)
        cut, whole = gain * np.clip(wave, -0.5, 0.5), 0.5 * gain * wave
        if bits < 32:
            cut, whole = (few_bits(one, bits=bits, random=random) for one in (cut, whole))
        found = _measured(cut)
        assert found.count >= 10
        assert found.level_gain == pytest.approx(0.5 * gain, rel=0.01)
        over = np.flatnonzero(np.abs(wave) >= 0.498)
        assert all(np.abs(over - place).min() <= 1 for place in found.places)
        assert _measured(whole).count == 0


def test_on_one_side_only() -> None:
    """A stage that is biased wrongly cuts above zero alone."""
    found = _measured(0.8 * np.minimum(_slapped(4), 0.4))
    assert found.upper_count >= 10
    assert found.lower_count == 0


def test_noise_after_the_clipping() -> None:
    """A converter behind the stage that clips leaves its noise on the tops."""
    random = np.random.default_rng(3)
    cut = np.clip(_slapped(5), -0.4, 0.4)
    assert _measured(cut + 1e-4 * random.standard_normal(len(cut))).count >= 10


def test_single_samples_at_one_height_are_no_clipping() -> None:
    """A limiter that looks ahead brings the highest sample of every burst to its ceiling, and no other."""
    wave = _slapped(6)
    bursts = wave.reshape(-1, RATE_HZ // 4)
    limited = 0.5 * bursts / np.maximum(np.abs(bursts).max(-1, keepdims=True), 0.5)
    assert np.count_nonzero(np.abs(limited) == 0.5) >= 5
    assert _measured(limited.ravel()).count == 0


@pytest.mark.parametrize("tone_hz", [5647.06, 6000.0, 9600.0, 3429.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_steady_tones_are_no_clipping(tone_hz: float, bits: int) -> None:
    """Turns of a tone that meet the samples alike have pairs as high as each other all along."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    for phase in (0.0, 0.25, 0.5):
        wave = 0.5 * np.sin(2 * np.pi * (tone_hz * t + 0.5 * tone_hz / RATE_HZ + phase))
        assert _measured(few_bits(wave, bits=bits)).count == 0


@pytest.mark.parametrize("seed", range(4))
def test_hum_alone(seed: int) -> None:
    """A dead input: so many samples near the highest level that they are not all kept, and the highest after them."""
    random = np.random.default_rng(seed)
    t = np.arange(14 * RATE_HZ) / RATE_HZ
    wave = 0.01 * np.sin(2 * np.pi * 50.0 * t) * (1.0 + 1e-5 * t) + 1e-6 * random.standard_normal(len(t))
    wave[-10:] *= 1.000_2
    assert _measured(wave).count == 0
