"""Clipping told from loud playing."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.analysis.clipping import Clipping, ClippingGauge, measure_clipping
from render.analysis.stretches import Stretches
from tests.helpers.rehearsal import hiss, strings, two_sources

RATE_HZ = 48_000


@functools.lru_cache(maxsize=10)
def played(seed: int, *, seconds: float = 10.0) -> NDArray[np.float64]:
    """A pickup and a microphone with their noise; peaks at -3 dBFS. Not to be written into."""
    audio = two_sources(strings(seconds, sample_rate_hz=RATE_HZ, seed=seed), sample_rate_hz=RATE_HZ)
    audio = audio * (0.7 / np.abs(audio).max(axis=0))
    audio = audio + hiss(len(audio), sample_rate_hz=RATE_HZ, seed=seed)[: len(audio)]
    audio.setflags(write=False)
    return np.asarray(audio, np.float64)


def rounded(audio: NDArray[np.float64], bits: int) -> NDArray[np.float64]:
    """On the steps of a file of so many bits."""
    return np.asarray(np.rint(audio * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1))


def found(audio: NDArray[np.float64]) -> tuple[Clipping, ...]:
    """What the gauge says."""
    return measure_clipping(audio.astype(np.float32), sample_rate_hz=RATE_HZ)


@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("bits", [8, 16, 24])
def test_playing_is_not_clipping(seed: int, bits: int) -> None:
    """However loud, with files of any depth, normalised to full scale as well."""
    audio = played(seed)
    assert [clipping.count for clipping in found(rounded(audio, bits))] == [0, 0]
    assert [clipping.count for clipping in found(np.clip(rounded(audio / 0.75, bits), -1.0, 1.0))] == [0, 0]


@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("level", [1.0, 0.5, 0.05])
def test_tops_that_are_cut_are_found_at_any_level(seed: int, level: float) -> None:
    """By 3 dB, then turned down as far as one likes, and written with 24 bits; the level is told to a tenth of a dB."""
    limit = 0.7 * 10 ** (-3 / 20)
    audio = played(seed)
    cut = np.clip(audio, -limit, limit)
    for channel, clipping in enumerate(found(rounded(cut * level / limit, 24))):
        flat = np.abs(audio[:, channel]) >= limit
        tops = np.count_nonzero(flat[2:] & flat[1:-1] & flat[:-2] & ~np.append(False, flat[:-3]))
        assert tops >= 3
        assert clipping.count >= 0.75 * tops
        assert clipping.level_dbfs == pytest.approx(20 * np.log10(level), abs=0.1)


def test_places_are_where_tops_were_cut() -> None:
    """In two seconds of a take; elsewhere it is louder and whole."""
    audio = played(3).copy()
    part = slice(4 * RATE_HZ, 6 * RATE_HZ)
    limit = 0.6 * np.abs(audio[part]).max(axis=0)
    audio[part] = np.clip(audio[part], -limit, limit)
    for channel, clipping in enumerate(found(audio)):
        places = np.array(clipping.places)
        assert clipping.count == len(places) >= 5
        assert places.min() >= part.start
        assert places.max() < part.stop
        heights = np.abs(audio[places + 1, channel])
        assert heights == pytest.approx(limit[channel], rel=0.01)


@pytest.mark.parametrize("frequency_hz", [20.0, 30.0, 55.0, 110.0, 440.0, 1000.0, 5000.0])
@pytest.mark.parametrize("gain", [1.0, 0.1, 0.001])
def test_round_tops_are_no_plateaus(frequency_hz: float, gain: float) -> None:
    """Though the tops of a low sine, and of a soft one on the steps of a file, have long runs of equal samples."""
    wave = gain * np.sin(2 * np.pi * frequency_hz * np.arange(3 * RATE_HZ) / RATE_HZ + 0.3)
    audio = np.stack([wave, rounded(wave, 16)], axis=1)
    assert [clipping.count for clipping in found(audio)] == [0, 0]


@pytest.mark.parametrize("frequency_hz", [55.0, 110.0, 440.0, 1000.0])
def test_every_cut_top_of_a_sine_is_counted(frequency_hz: float) -> None:
    """Two a period, cut by 1 dB: each as long as the arc above the limit."""
    limit = 10 ** (-1 / 20)
    seconds = 2
    wave = np.clip(
        np.sin(2 * np.pi * frequency_hz * np.arange(seconds * RATE_HZ) / RATE_HZ + 0.3), -limit, limit
    )
    (clipping,) = found(wave[:, np.newaxis])
    assert clipping.count == pytest.approx(2 * frequency_hz * seconds, abs=2)
    assert clipping.duration_s == pytest.approx(seconds * 2 / np.pi * np.arccos(limit), rel=0.15)


def test_one_sided_clipping_counts() -> None:
    """An amplifier runs into one end first."""
    audio = played(2)
    assert all(clipping.count >= 5 for clipping in found(np.minimum(audio, 0.4 * audio.max(axis=0))))


@pytest.mark.parametrize(
    "audio",
    [
        np.zeros((RATE_HZ, 2)),
        np.full((RATE_HZ, 2), 0.01),
        np.ones((1, 2)),
        np.zeros((0, 2)),
        np.sign(np.random.default_rng(1).normal(size=(RATE_HZ, 2))),
    ],
)
def test_odd_sounds_make_no_trouble(audio: NDArray[np.float64]) -> None:
    """Silence, a constant, one frame, none, a wave of full-scale steps."""
    assert all(clipping.count >= 0 for clipping in found(audio))
    if len(np.unique(audio)) <= 1:
        assert [clipping.count for clipping in found(audio)] == [0, 0]


@given(st.integers(1, 40_000), st.integers(1, 90_000))
def test_the_result_does_not_depend_on_the_cuts(first: int, second: int) -> None:
    """Of a take into blocks."""
    audio = np.clip(played(5, seconds=4.0), -0.4, 0.4).astype(np.float32)
    stretches, gauge = Stretches(sample_rate_hz=RATE_HZ), ClippingGauge(sample_rate_hz=RATE_HZ)
    for block in np.split(audio, [min(first, len(audio)), min(first + second, len(audio))]):
        for stretch in stretches.add(block):
            gauge.add(stretch)
    for stretch in stretches.finish():
        gauge.add(stretch)
    assert gauge.result() == measure_clipping(audio, sample_rate_hz=RATE_HZ)
