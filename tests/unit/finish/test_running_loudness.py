"""Loudness block by block: what the sound itself measures, and what others measure."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.finish.loudness import integrated_loudness_lufs, measure_slots
from render.finish.running_loudness import RunningLoudness, running_loudness_lufs
from tests.helpers.signals import plucks


def _wanted(audio: NDArray[np.float64], rate_hz: int, channel: int) -> float | None:
    """Of one channel, by the measurement that finished files have."""
    alone = np.zeros_like(audio)
    alone[:, 0] = audio[:, channel]
    return integrated_loudness_lufs(measure_slots(alone, sample_rate_hz=rate_hz))


def _library(audio: NDArray[np.float64], rate_hz: int, channel: int) -> float:
    """Of one channel, by libebur128."""
    meter = pyebur128.R128State(1, rate_hz, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(audio[:, channel]), len(audio))
    return float(pyebur128.get_loudness_global(meter))


def _sparse(rate_hz: int, seed: int) -> NDArray[np.float64]:
    """A few notes with bright attacks and long rests, which the gates cut through."""
    random, frames = np.random.default_rng(seed), 12 * rate_hz
    audio = 1e-5 * random.standard_normal((frames, 2))
    t = np.arange(2 * rate_hz) / rate_hz
    for onset_s in np.arange(0.5, 9.5, random.uniform(1.0, 2.0)):
        first = round(onset_s * rate_hz)
        tones = np.sin(2 * np.pi * random.uniform(80, 800) * t) * np.exp(-3.0 * t)
        attack = random.standard_normal(len(t)) * np.exp(-60.0 * t)
        audio[first : first + len(t)] += 0.03 * np.stack([tones + attack, 0.2 * tones + 2.0 * attack], axis=1)
    return audio


@pytest.mark.parametrize("rate_hz", [8000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_strings_measure_as_in_a_finished_file(rate_hz: int) -> None:
    """Each channel by itself, to 0.001 LU at every rate."""
    audio = plucks(5.0, sample_rate_hz=rate_hz, seed=3)
    for channel, found in enumerate(running_loudness_lufs(audio, sample_rate_hz=rate_hz)):
        assert found == pytest.approx(_wanted(audio, rate_hz, channel), abs=0.001)


@pytest.mark.parametrize("seed", range(6))
def test_sparse_notes_measure_as_by_libebur128(seed: int) -> None:
    """To 0.01 LU, where EBU Tech 3341 allows 0.1."""
    audio = _sparse(48_000, seed)
    for channel, found in enumerate(running_loudness_lufs(audio, sample_rate_hz=48_000)):
        assert found == pytest.approx(_library(audio, 48_000, channel), abs=0.01)


@settings(max_examples=25)
@given(cuts=st.lists(st.integers(0, 60_000), max_size=8), rate_hz=st.sampled_from((8000, 11_025, 48_000)))
def test_blocks_do_not_matter(cuts: list[int], rate_hz: int) -> None:
    """However the sound is cut into blocks, also into empty ones and in the middle of a hop."""
    audio = 0.1 * np.random.default_rng(1).standard_normal((60_000, 2))
    gauge = RunningLoudness(sample_rate_hz=rate_hz)
    for part in np.split(audio, sorted(cuts)):
        gauge.add(part)
    whole = running_loudness_lufs(audio, sample_rate_hz=rate_hz)
    assert gauge.loudness_lufs() == pytest.approx(whole, abs=1e-9)


def test_what_is_too_short_or_silent_has_no_loudness() -> None:
    """Less than 400 ms, or nothing above -70 LUFS."""
    assert running_loudness_lufs(np.full((100, 2), 0.1), sample_rate_hz=48_000) == (None, None)
    assert running_loudness_lufs(np.zeros((96_000, 2)), sample_rate_hz=48_000) == (None, None)
    assert RunningLoudness(sample_rate_hz=48_000).loudness_lufs() == (None, None)
    loud = 0.1 * np.random.default_rng(2).standard_normal((19_200, 1))
    assert running_loudness_lufs(loud[:-1], sample_rate_hz=48_000) == (None,)
    assert running_loudness_lufs(loud, sample_rate_hz=48_000)[0] is not None


def test_blocks_of_another_shape_are_refused() -> None:
    """With the shape that is wanted."""
    with pytest.raises(ValueError, match=r"block must have shape \(frames, 2\), not \(5, 3\)"):
        RunningLoudness(sample_rate_hz=48_000).add(np.zeros((5, 3)))
