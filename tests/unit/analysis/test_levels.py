from __future__ import annotations

import math

import numpy as np
import pytest

from render.analysis.levels import LevelGauge, measure_levels
from render.analysis.stretches import each_stretch
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
