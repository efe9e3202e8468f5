"""Clipped tops that lean after a high-pass."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from render.analysis.clipping import measure_clipping
from render.analysis.tilted import agreeing
from tests.helpers.hard_sounds import few_bits
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


def _coupled(wave: NDArray[np.float64], corner_hz: float) -> NDArray[np.float64]:
    """Behind a capacitor: a first-order high-pass."""
    sections = signal.butter(1, corner_hz, "highpass", fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sections, wave, axis=0), np.float64)


def _played(seed: int) -> NDArray[np.float64]:
    wave = plucks(6.0, sample_rate_hz=RATE_HZ, seed=seed)
    return np.asarray(wave / np.abs(wave).max(0) + noise(len(wave), rms=1e-4, seed=seed), np.float64)


@pytest.mark.parametrize("corner_hz", [5.0, 10.0, 20.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_tops_that_lean_are_found(corner_hz: float, bits: int) -> None:
    """Cut by 3 dB, then through a coupling capacitor: told as clipped, at about the height, nearly where it was cut."""
    found = 0
    for seed in range(3):
        wave = _played(seed)
        cut = np.clip(wave, -0.7, 0.7)
        for channel, clipping in enumerate(
            measure_clipping(few_bits(0.6 * _coupled(cut, corner_hz), bits=bits), sample_rate_hz=RATE_HZ)
        ):
            found += clipping.count > 0
            places = np.flatnonzero(np.abs(wave[:, channel]) >= 0.7)
            for place in clipping.places:
                assert np.abs(places - place).min() <= 10
            if clipping.count:
                assert clipping.level_gain == pytest.approx(0.42, rel=0.25)
    assert found >= 5


def test_round_tops_behind_a_capacitor_are_left_alone() -> None:
    """The same playing without clipping."""
    for seed in range(3):
        audio = few_bits(0.6 * _coupled(_played(seed), 10.0), bits=16)
        assert [one.count for one in measure_clipping(audio, sample_rate_hz=RATE_HZ)] == [0, 0]


def test_shoulders_of_smooth_sound_are_left_alone() -> None:
    """Straight and sinking at one rate, but bending into the fall on both sides: nothing was cut off there."""
    t = np.arange(-40, 60)
    # a line of 13 frames that sinks by 30 per second, and cubes of what is beyond its ends
    shoulder = 0.5 * (1.0 - 30.0 / RATE_HZ * t)
    shoulder -= 4e-5 * (np.maximum(-t, 0.0) ** 3 + np.maximum(t - 12, 0.0) ** 3)
    cut = 0.5 * (1.0 - 30.0 / RATE_HZ * t)
    cut -= 0.01 * (np.maximum(-t, 0.0) + np.maximum(t - 12, 0.0))
    found = []
    for top in (shoulder, cut):
        wave = np.zeros(RATE_HZ)
        for begin, gain in ((9_000, 1.0), (21_000, -0.99), (34_000, 1.01)):
            wave[begin : begin + len(t)] = gain * np.maximum(top, 0.0)
        audio = few_bits(wave[:, np.newaxis], bits=24)
        found.append(measure_clipping(audio, sample_rate_hz=RATE_HZ)[0].count)
    assert found == [0, 3]


def _tops(rows: list[tuple[float, float, float]]) -> NDArray[np.float64]:
    """Of frames, height and rate."""
    return np.array([(100.0 * number, *row) for number, row in enumerate(rows)])


def test_tops_have_to_agree() -> None:
    """Two that sink at one rate are believed if they are long, short ones from three on, those of many rates never."""
    assert len(agreeing(_tops([(12.0, 0.50, 60.0), (9.0, -0.52, 60.1)]))) == 2
    short = [(5.0, 0.50, 60.0), (5.0, -0.52, 60.9), (5.0, 0.49, 60.4)]
    assert len(agreeing(_tops(short))) == 3
    assert len(agreeing(_tops(short[:2]))) == 0
    assert len(agreeing(_tops([(12.0, 0.50, 60.0), (9.0, -0.52, 100.0), (9.0, 0.51, 150.0)]))) == 0
    assert len(agreeing(_tops([]).reshape(0, 4))) == 0


def test_one_top_counts_once() -> None:
    """Found twice, from two slots, or played twice by a sampler, a top agrees with nothing but itself."""
    one = (12.0, 0.50, 60.0)
    twice = _tops([one, (11.0, 0.499, 60.1)])
    assert len(agreeing(twice)) == 2
    twice[1, 0] = twice[0, 0] + 1.0
    assert len(agreeing(twice)) == 0
    assert len(agreeing(_tops([one, one, one]))) == 0


def test_only_tops_near_the_highest_count() -> None:
    """Straight tops of soft notes say nothing, and take nothing away."""
    loud, soft = [(12.0, 0.50, 60.0), (9.0, -0.48, 60.1)], [(9.0, 0.10, 20.0 + 9.0 * n) for n in range(9)]
    assert len(agreeing(_tops([*loud, *soft]))) == 2
    assert len(agreeing(_tops(soft))) == 0


def test_a_take_that_is_clipped_throughout() -> None:
    """Fifty thousand tops are judged as three are, without comparing each with each."""
    random = np.random.default_rng(1)
    count = 50_000
    alike = list(
        zip(
            np.full(count, 6.0),
            random.uniform(0.48, 0.5, count),
            random.normal(60.0, 0.2, count),
            strict=True,
        )
    )
    assert len(agreeing(_tops(alike))) > 0.99 * count
    assert len(agreeing(_tops([(6.0, 0.5, rate) for rate in random.uniform(20.0, 190.0, count)]))) == 0


def test_long_tops_are_found_at_any_rate() -> None:
    """A low note cut by 6 dB stays at the limit for over a millisecond, twice as many frames at 96 kHz."""
    for rate_hz in (44_100, 96_000):
        t = np.arange(2 * rate_hz) / rate_hz
        wave = np.sin(2 * np.pi * 82.41 * t) * np.exp(-t) + 0.2 * np.sin(
            2 * np.pi * 164.9 * t + 1.0
        ) * np.exp(-2 * t)
        cut = np.clip(wave, -0.5, 0.5)
        sections = signal.butter(1, 8.0, "highpass", fs=rate_hz, output="sos")
        audio = 0.5 * signal.sosfilt(sections, cut)[:, np.newaxis] + noise(len(t), rms=1e-5, seed=5)[:, :1]
        (found,) = measure_clipping(audio.astype(np.float32), sample_rate_hz=rate_hz)
        assert found.count >= 10
        assert found.longest_frames > 0.001 * rate_hz
