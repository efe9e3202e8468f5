from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from render.analysis.clipping import measure_clipping
from tests.helpers.hard_sounds import CLEAN, clean_sound, few_bits
from tests.helpers.signals import noise, sine

Wave = NDArray[np.float64]
RATE_HZ = 48000


def _count(audio: Wave | NDArray[np.float32], rate: int = RATE_HZ) -> int:
    return sum(one.count for one in measure_clipping(np.asarray(audio, np.float32), sample_rate_hz=rate))


@pytest.mark.parametrize("level_db", [0.0, -6.0, -30.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_counts_every_flat_top(level_db: float, bits: int) -> None:
    """A sine cut by 2 dB is found at any level: each top once, with its length, height and places."""
    gain = 10.0 ** (level_db / 20.0)
    audio = few_bits(
        0.999 * gain * np.minimum(sine(220.0, duration_s=1.0, sample_rate_hz=RATE_HZ), 0.7943), bits=bits
    )
    found = measure_clipping(audio, sample_rate_hz=RATE_HZ)[0]
    assert found.count == 220
    assert found.upper_count == 220
    assert found.lower_count == 0
    assert found.level_gain == pytest.approx(0.999 * gain * 0.7943, rel=2e-3)
    assert found.per_minute == pytest.approx(220 * 60)
    share = np.arccos(0.7943) / np.pi
    assert found.duration_s == pytest.approx(share, rel=0.05)
    assert abs(found.places[0] - (0.25 - share / 2) * RATE_HZ / 220.0) < 2


def test_found_under_dither() -> None:
    """What was clipped, turned down and dithered to 16 bits is not flat to the step, and found."""
    random = np.random.default_rng(5)
    audio = few_bits(
        0.25 * np.clip(sine(150.0, duration_s=2.0, sample_rate_hz=RATE_HZ), -0.85, 0.85),
        bits=16,
        random=random,
    )
    assert measure_clipping(audio, sample_rate_hz=RATE_HZ)[1].count > 500


def test_found_behind_the_filter_of_a_converter() -> None:
    """Tops cut before a converter at twice the rate ripple a little after its filter, and are found."""
    fast = np.clip(sine(180.0, duration_s=1.0, sample_rate_hz=2 * RATE_HZ), -0.8, 0.8)
    audio = 0.5 * signal.resample_poly(fast, 1, 2, axis=0, window=("kaiser", 10.0))
    assert _count(audio) > 300


def test_tops_far_apart_at_the_highest_level() -> None:
    """Two notes seconds apart, cut by 1 dB before a converter at twice the rate and in its noise: told together.

    Each of their tops alone is not flat enough to be believed.
    """
    t = np.arange(10 * RATE_HZ) / (2 * RATE_HZ)
    wave = np.zeros(len(t))
    for first_s, tone_hz in ((0.2, 97.0), (4.2, 146.0)):
        since = np.maximum(t - first_s, 0.0)
        wave += np.sin(2 * np.pi * tone_hz * since) * np.exp(-30.0 * since) * (1.0 - np.exp(-2000.0 * since))
        wave += 0.3 * np.sin(2 * np.pi * 2.9 * tone_hz * since) * np.exp(-40.0 * since)
    wave /= np.abs(wave).max()
    random = np.random.default_rng(0)
    whole, cut = (
        0.5 * signal.resample_poly(one, 1, 2)[:, np.newaxis] + 2e-4 * random.standard_normal((len(t) // 2, 1))
        for one in (wave, np.clip(wave, -0.9, 0.9))
    )
    assert _count(whole.astype(np.float32)) == 0
    (found,) = measure_clipping(cut.astype(np.float32), sample_rate_hz=RATE_HZ)
    assert found.count >= 2
    assert found.level_dbfs == pytest.approx(-6.9, abs=0.1)
    assert max(found.places) - min(found.places) > 3 * RATE_HZ


@pytest.mark.parametrize("dc", [-0.015, 0.05])
def test_noise_on_a_constant_voltage(dc: float) -> None:
    """Its heights are all within a share of the voltage, and it is not flat."""
    for seed in range(4):
        audio = dc + 5e-5 * np.random.default_rng(seed).standard_normal((10 * RATE_HZ, 1))
        assert _count(audio.astype(np.float32)) == 0


def test_clipping_beside_a_constant_voltage() -> None:
    """Cut tops are found with a voltage under the sound."""
    cut = np.clip(sine(180.0, duration_s=1.0, sample_rate_hz=RATE_HZ), -0.8, 0.8)
    assert _count(0.1 + 0.5 * cut) > 300


def test_one_long_top_is_enough() -> None:
    """A single knock that is cut is found."""
    time = np.arange(24000) / RATE_HZ
    wave = np.exp(-time / 0.02) * np.sin(2 * np.pi * 120.0 * time)
    audio = np.zeros((26000, 2))
    audio[2000:] = np.stack([np.minimum(wave, 0.6), wave], axis=1)
    left, right = measure_clipping(audio, sample_rate_hz=RATE_HZ)
    assert (left.count, right.count) == (1, 0)


def test_touching_full_scale_is_loud_playing() -> None:
    """Peaks that reach full scale for a sample or two are no clipping."""
    audio = np.clip(sine(3000.0, duration_s=1.0, sample_rate_hz=RATE_HZ, phase_deg=10.0) * 1.002, -1.0, 1.0)
    assert _count(few_bits(audio, bits=24)) == 0


@pytest.mark.parametrize("frequency_hz", [20.0, 30.0, 82.4, 997.0, 8000.0, 12000.0])
@pytest.mark.parametrize("level_db", [-0.1, -20.0, -60.0])
@pytest.mark.parametrize("bits", [8, 16, 24])
def test_sines_are_round(frequency_hz: float, level_db: float, bits: int) -> None:
    """Sines of any frequency and level are not clipped, however many equal samples their tops have."""
    audio = sine(frequency_hz, duration_s=0.5, sample_rate_hz=RATE_HZ, peak_dbfs=level_db)
    assert _count(few_bits(audio, bits=bits)) == 0


@pytest.mark.parametrize("rate", [8000, 48000, 192000])
@pytest.mark.parametrize("value", [0.0, 1.0, -0.3])
def test_standing_still_is_no_clipping(rate: int, value: float) -> None:
    """Silence and a constant have no tops; nor has a single frame."""
    assert _count(np.full((rate // 4, 2), value), rate) == 0
    assert _count(np.full((1, 2), value), rate) == 0


@pytest.mark.parametrize("kind", sorted(CLEAN))
def test_clean_sound_is_left_alone(kind: str) -> None:
    """Steep, soft, limited, coarse: no clean sound is clipped."""
    for seed, rate in ((50, 48000), (51, 44100)):
        assert _count(clean_sound(kind, 4.0, sample_rate_hz=rate, seed=seed), rate) == 0


@pytest.mark.parametrize("rms", [0.001, 0.1])
@pytest.mark.parametrize("bits", [8, 16])
def test_noise_is_left_alone(rms: float, bits: int) -> None:
    """Noise has no flat tops."""
    assert _count(few_bits(noise(RATE_HZ * 4, rms=rms), bits=bits)) == 0


@pytest.mark.parametrize("bits", [16, 24])
def test_a_single_top_that_is_flat_to_the_bit(bits: int) -> None:
    """One loud top among softer ones, cut by half a decibel: found, and as long as it is flat; uncut it is not."""
    loud = np.exp(-(((np.arange(RATE_HZ) - 24_000) / 2_000.0) ** 2))
    wave = 0.8 * loud * np.cos(2.0 * np.pi * 50.0 * (np.arange(RATE_HZ) - 24_000) / RATE_HZ)
    height = 0.8 * 10.0 ** (-0.5 / 20.0)
    steps = 2.0 ** (bits - 1)
    for cut, expected in ((height, 1), (1.0, 0)):
        audio = np.round(np.minimum(wave, cut) * steps) / steps
        (found,) = measure_clipping(audio[:, np.newaxis].astype(np.float32), sample_rate_hz=RATE_HZ)
        assert found.count == expected
    flat = np.count_nonzero(wave > height)
    (found,) = measure_clipping(
        np.minimum(wave, height)[:, np.newaxis].astype(np.float32), sample_rate_hz=RATE_HZ
    )
    assert abs(found.longest_frames - flat) <= 2


def test_tops_that_are_come_to_slowly() -> None:
    """A low note cut by less than a tenth of a decibel nears its flat top within the room left for dither."""
    t = np.arange(2 * 48_000) / 48_000
    sound = np.sin(2 * np.pi * 100.0 * t) * np.exp(-3.0 * t) * np.minimum(1.0, t / 0.002)
    sound += 0.05 * np.sin(2 * np.pi * 730.0 * t) * np.exp(-2.0 * t)
    sound *= 1.01 / np.abs(sound).max()
    cut = np.round(32_768.0 * np.clip(sound, -1.0, 32_767 / 32_768)) / 32_768
    found = measure_clipping(cut[:, np.newaxis].astype(np.float32), sample_rate_hz=48_000)[0]
    assert found.count == 2
    assert found.longest_frames == 12
    assert found.level_gain == pytest.approx(1.0, abs=1e-4)
