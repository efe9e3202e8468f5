from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.levels import LevelGauge, measure_levels
from render.analysis.stretches import each_stretch
from tests.helpers.rehearsal import Player, strings
from tests.helpers.signals import noise, sine


@pytest.mark.parametrize("sample_rate_hz", [8000, 11025, 44100, 48000, 192000])
@pytest.mark.parametrize("frames", [1, 5000, 131_000])
def test_plain_sums(sample_rate_hz: int, frames: int) -> None:
    """Peak, RMS and mean are those of all frames, at every rate and length."""
    audio = np.asarray(noise(frames, seed=2) + 0.01, np.float32)
    for channel, levels in enumerate(measure_levels(audio, sample_rate_hz=sample_rate_hz)):
        wave = audio[:, channel].astype(np.float64)
        assert levels.frames == frames
        assert levels.peak_gain == np.abs(wave).max()
        assert levels.rms_gain == pytest.approx(math.sqrt(np.mean(wave**2)), rel=1e-5)
        assert levels.dc == pytest.approx(wave.mean(), abs=1e-6)


def test_silence_and_nothing() -> None:
    """Silence, and a take without frames, have no level and no crest factor."""
    for frames in (0, 1, 1000):
        levels = measure_levels(np.zeros((frames, 2), np.float32), sample_rate_hz=48000)[1]
        assert levels.frames == frames
        assert levels.peak_dbfs == levels.rms_dbfs == -math.inf
        assert levels.dc == 0.0
        assert math.isnan(levels.crest_db)


def test_course_over_time() -> None:
    """A sound between two silences is seen where it is, a tenth of a second a step, the last step as long as it is."""
    audio = np.zeros((48000 + 1200, 2))
    audio[24000:28800] = sine(1000.0, duration_s=0.1, sample_rate_hz=48000, peak_dbfs=-6.0206)
    audio[48000:] = 0.25
    gauge = LevelGauge(sample_rate_hz=48000)
    for stretch in each_stretch(audio, sample_rate_hz=48000):
        gauge.add(stretch)
    curve = gauge.curve()
    assert curve.step_s == 0.1
    assert curve.rms_gain.shape == curve.peak_gain.shape == (11, 2)
    np.testing.assert_allclose(curve.rms_gain[:, 0], [0.0] * 5 + [0.35355] + [0.0] * 4 + [0.25], atol=1e-4)
    np.testing.assert_allclose(curve.peak_gain[:, 1], [0.0] * 5 + [0.5] + [0.0] * 4 + [0.25], atol=1e-4)
    assert LevelGauge(sample_rate_hz=48000).curve().rms_gain.shape == (0, 2)


def _plucks(seed: int, *, rests_s: float) -> NDArray[np.float64]:
    """Plucks that hold a mean of their own, of either sign, which decays with them; a rest at the end."""
    random = np.random.default_rng(seed)
    seconds = np.arange(48_000) / 48_000
    wave = np.zeros(round((16.0 + rests_s) * 48_000))
    for begin in random.uniform(0.0, 15.0, 40):
        pluck = random.uniform(0.2, 1.0) * np.exp(-3.0 * seconds) * (1.0 - seconds)
        first = round(begin * 48_000)
        mean = random.choice([-0.03, 0.06])
        wave[first : first + 48_000] += (
            0.2 * pluck * (np.sin(2.0 * np.pi * random.uniform(80.0, 500.0) * seconds) + 5.0 * mean)
        )
    return wave


@pytest.mark.parametrize("rests_s", [0.0, 4.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_mean_that_comes_and_goes_with_the_plucks_is_not_constant(seed: int, rests_s: float) -> None:
    """Of plucks with a mean of their own nothing is constant; what lies under them is, in part at least."""
    wave = _plucks(seed, rests_s=rests_s) + 1e-4 * np.random.default_rng(9).standard_normal(
        round((16.0 + rests_s) * 48_000)
    )
    audio = np.stack([wave, wave - 0.01], axis=1)
    unsteady, shifted = measure_levels(audio, sample_rate_hz=48000)
    assert abs(unsteady.dc) > 0.003
    assert abs(unsteady.constant) < 1e-4
    if rests_s:
        assert -0.011 < shifted.constant < -0.004


@pytest.mark.parametrize("dc", [0.005, -0.02])
@pytest.mark.parametrize("lead_s", [0.0, 3.0])
def test_a_constant_under_playing(dc: float, lead_s: float) -> None:
    """It is told under playing with and without rests, whatever digital silence stands before, and in a moment."""
    player = Player(lead_s=lead_s, tail_s=lead_s)
    wave = 0.7 * strings(12.0, sample_rate_hz=48000, seed=3, player=player) + dc
    audio = np.concatenate([np.zeros(48_000), wave])[:, np.newaxis]
    assert measure_levels(audio, sample_rate_hz=48000)[0].constant == pytest.approx(dc, rel=0.1)
    short = np.full((10_000, 1), dc)
    assert measure_levels(short, sample_rate_hz=48000)[0].constant == pytest.approx(dc)
