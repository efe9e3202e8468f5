"""Loudness sums and true peaks of a sound that comes block by block."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.finish.block_meter import BlockMeter
from render.finish.loudness import measure_slots
from render.finish.true_peak import true_peak_gain

RATE_HZ = 48_000


def fading(frames: int, *, seed: int = 1) -> NDArray[np.float32]:
    """Two sources of falling noise, the second 20 dB softer."""
    rng = np.random.default_rng(seed)
    audio = rng.normal(size=(frames, 2)) * 0.1 * np.array([1.0, 0.1])
    return np.asarray(audio * np.exp(-np.arange(frames) / RATE_HZ)[:, np.newaxis], np.float32)


@pytest.mark.parametrize("frames", [1, 100, 960, 48_000, 122 * 960, 122 * 960 + 60, 300_000])
def test_the_true_peak_is_that_of_a_mix_store(frames: int) -> None:
    """Found in blocks as it is found at once, at the edges of the file too."""
    audio = fading(frames, seed=frames)
    meter = BlockMeter(sample_rate_hz=RATE_HZ)
    meter.add(audio)
    meter.finish()
    assert meter.true_peak_gain == pytest.approx(true_peak_gain(audio, sample_rate_hz=RATE_HZ), rel=1e-6)


@pytest.mark.parametrize("frames", [100, 48_000, 200_000])
def test_the_sums_are_those_of_a_finished_file(frames: int) -> None:
    """Slot by slot, within what the stretches of the two measurements leave to the weighting filter."""
    audio = fading(frames)
    meter = BlockMeter(sample_rate_hz=RATE_HZ)
    meter.add(audio)
    sums = meter.finish()
    wanted = measure_slots(audio, sample_rate_hz=RATE_HZ)
    assert sums.plain == pytest.approx(wanted.plain, rel=1e-5, abs=1e-9)
    assert sums.weighted[:, :2] == pytest.approx(wanted.weighted[:, :2], rel=0.02, abs=1e-6)
    assert meter.true_peak_gain == pytest.approx(true_peak_gain(audio, sample_rate_hz=RATE_HZ), rel=1e-6)


@settings(max_examples=25)
@given(st.lists(st.integers(1, 30_000), min_size=1, max_size=4), st.sampled_from([8000, 11_025]))
def test_the_figures_do_not_depend_on_the_cuts(lengths: list[int], rate_hz: int) -> None:
    """To the last bit."""
    audio = fading(sum(lengths))
    in_parts, at_once = BlockMeter(sample_rate_hz=rate_hz), BlockMeter(sample_rate_hz=rate_hz)
    at_once.add(audio)
    at = 0
    for length in lengths:
        in_parts.add(audio[at : at + length])
        at += length
    assert np.array_equal(in_parts.finish().weighted, at_once.finish().weighted)
    assert in_parts.true_peak_gain == at_once.true_peak_gain


def test_a_meter_without_frames_reads_nothing() -> None:
    """No slot, no peak."""
    meter = BlockMeter(sample_rate_hz=RATE_HZ)
    assert len(meter.finish().weighted) == 0
    assert meter.true_peak_gain == 0.0


def test_a_meter_takes_two_channels() -> None:
    """Nothing else."""
    with pytest.raises(ValueError, match=r"block must have shape \(frames, 2\), not \(5, 3\)"):
        BlockMeter(sample_rate_hz=RATE_HZ).add(np.zeros((5, 3)))
