"""Loudness and true peak of each source of a capture."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from render.finish.loudness import measure_slots
from render.finish.sources import SourceMeter, measure_source_levels
from render.finish.true_peak import true_peak_gain

RATE_HZ = 48_000


def noise(frames: int, *, seed: int = 1) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Two sources of falling noise, the second 20 dB softer."""
    rng = np.random.default_rng(seed)
    audio = rng.normal(size=(frames, 2)) * 0.1 * np.array([1.0, 0.1])
    return np.asarray(audio * np.exp(-np.arange(frames) / RATE_HZ)[:, np.newaxis], np.float32)


def test_each_source_is_measured_by_itself() -> None:
    """The same figures whatever the other one does."""
    audio = noise(5 * RATE_HZ)
    first, second = measure_source_levels(audio, sample_rate_hz=RATE_HZ)
    silent = audio.copy()
    silent[:, 0] = 0.0
    nothing, same = measure_source_levels(silent, sample_rate_hz=RATE_HZ)
    assert same == second
    assert (nothing.loudness_lufs, nothing.true_peak_gain) == (None, 0.0)
    assert first.loudness_lufs is not None
    assert second.loudness_lufs is not None
    assert first.loudness_lufs - second.loudness_lufs == pytest.approx(20.0, abs=0.3)


@pytest.mark.parametrize("frames", [1, 100, 960, 48_000, 122 * 960, 122 * 960 + 60, 300_000])
def test_the_true_peak_is_that_of_a_finished_file(frames: int) -> None:
    """Found in blocks as it is found at once, at the edges of the file too."""
    audio = noise(frames, seed=frames)
    for source, level in enumerate(measure_source_levels(audio, sample_rate_hz=RATE_HZ)):
        alone = np.zeros_like(audio)
        alone[:, 0] = audio[:, source]
        assert level.true_peak_gain == pytest.approx(true_peak_gain(alone, sample_rate_hz=RATE_HZ), rel=1e-6)


@given(st.lists(st.integers(1, 30_000), min_size=1, max_size=4), st.sampled_from([8000, 11_025]))
def test_the_figures_do_not_depend_on_the_cuts(lengths: list[int], rate_hz: int) -> None:
    """To the last bit."""
    audio = noise(sum(lengths))
    meter = SourceMeter(sample_rate_hz=rate_hz)
    at = 0
    for length in lengths:
        meter.add(audio[at : at + length])
        at += length
    assert meter.result() == measure_source_levels(audio, sample_rate_hz=rate_hz)


@pytest.mark.parametrize("frames", [1, 7000, 122 * 960 + 60])
def test_both_channels_together_are_measured_as_a_finished_file(frames: int) -> None:
    """All sums of the slots, the products of left and right too, and the higher of both peaks."""
    audio = noise(frames, seed=frames)
    meter = SourceMeter(sample_rate_hz=RATE_HZ)
    meter.add(audio)
    slots, whole = meter.finish(), measure_slots(audio, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(slots.weighted, whole.weighted, rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(slots.plain, whole.plain, rtol=1e-6, atol=1e-12)
    assert slots.frames == frames
    assert meter.true_peak_gain == pytest.approx(true_peak_gain(audio, sample_rate_hz=RATE_HZ), rel=1e-6)


def test_a_meter_without_frames_reads_nothing() -> None:
    """No loudness, no peak."""
    for level in SourceMeter(sample_rate_hz=RATE_HZ).result():
        assert (level.loudness_lufs, level.true_peak_gain) == (None, 0.0)


def test_a_meter_takes_two_channels() -> None:
    """Nothing else."""
    with pytest.raises(ValueError, match=r"block must have shape \(frames, 2\), not \(5, 3\)"):
        SourceMeter(sample_rate_hz=RATE_HZ).add(np.zeros((5, 3)))
