"""Mains hum: found where it is, told from notes, its lines at their level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.frames import SpectralFrames
from render.analysis.hum import Hum, HumGauge, measure_hum
from render.analysis.low_band import LowFrames, hann_gain
from tests.helpers.rehearsal import Player, hiss, hum, strings, two_sources
from tests.helpers.signals import noise, sine

RATE_HZ = 8000
Wave = NDArray[np.float64]

KINDS = {
    "coil": {1: 0.0, 2: -9.0, 3: -3.0, 4: -18.0, 5: -8.0, 7: -13.0, 9: -18.0},
    "first only": {1: 0.0},
    "odd": {1: 0.0, 3: -6.0, 5: -12.0},
    "rectifier": {2: 0.0, 4: -4.0, 6: -8.0, 8: -12.0, 10: -15.0},
    "buzz": {multiple: -2.0 * multiple for multiple in range(1, 11)},
}


def _levels(kind: str, dbfs: float) -> dict[int, float]:
    """Lines of a kind of hum whose powers add up to a level."""
    shares = KINDS[kind]
    whole = 10.0 * math.log10(sum(10.0 ** (share / 10.0) for share in shares.values()))
    return {multiple: share - whole + dbfs for multiple, share in shares.items()}


def _take(seed: int, duration_s: float, player: Player) -> Wave:
    frames = round(duration_s * RATE_HZ)
    guitar = two_sources(
        strings(duration_s, sample_rate_hz=RATE_HZ, seed=seed, player=player), sample_rate_hz=RATE_HZ
    )
    return guitar + hiss(frames, sample_rate_hz=RATE_HZ, seed=seed)


def _ring(frequency_hz: float, *, duration_s: float = 30.0, decay_s: float = 15.0) -> Wave:
    """One note with its partials, ringing through a whole take."""
    seconds = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    wave = np.zeros(len(seconds))
    for partial in range(1, 9):
        wave += (
            np.exp(-6.9078 / decay_s * (1.0 + 0.2 * partial) * seconds)
            * np.cos(2.0 * np.pi * partial * frequency_hz * seconds)
            / partial
        )
    return two_sources(0.1 * wave, sample_rate_hz=RATE_HZ) + noise(len(seconds), seed=3, rms=1e-4)


@pytest.mark.parametrize("kind", ["coil", "first only", "buzz"])
def test_hum_under_continuous_playing(kind: str) -> None:
    """20 s without a rest, hum 40 dB under the playing: found in both sources, and the mains told."""
    random, found, told = np.random.default_rng(5), 0, 0
    for seed in range(3):
        mains_hz = (50.0, 60.0)[seed % 2] + float(random.uniform(-0.2, 0.2))
        player = Player(tuning_hz=440.0 * 2.0 ** float(random.uniform(-0.04, 0.04)), lead_s=0.0, tail_s=0.0)
        take = _take(seed, 20.0, player)
        take += hum(
            len(take), sample_rate_hz=RATE_HZ, mains_hz=mains_hz, shares_db=_levels(kind, -60.0), seed=seed
        )[:, np.newaxis]
        for one in measure_hum(take, sample_rate_hz=RATE_HZ):
            found += bool(one.present)
            told += one.frequency_hz is not None and abs(one.frequency_hz - mains_hz) < 0.06
    assert found == told == 6


@pytest.mark.parametrize("kind", list(KINDS))
def test_hum_in_the_rests(kind: str) -> None:
    """40 s with three seconds of rest at the end: found, its level within 0.7 dB, no line that is not there."""
    random, found = np.random.default_rng(7), 0
    for seed in range(2):
        mains_hz = (60.0, 50.0)[seed % 2] + float(random.uniform(-0.2, 0.2))
        take = _take(seed + 20, 40.0, Player(lead_s=1.2, tail_s=4.0))
        levels = _levels(kind, -58.0)
        take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=mains_hz, shares_db=levels, seed=seed)[
            :, np.newaxis
        ]
        for one in measure_hum(take, sample_rate_hz=RATE_HZ):
            found += bool(one.present)
            assert one.level_dbfs == pytest.approx(-58.0, abs=0.7)
            assert {line.multiple for line in one.lines} <= set(levels)
    assert found == 4


@pytest.mark.parametrize(
    "tuning_hz", [440.0, 415.3, 440.0 * 100.0 / 97.999, 440.0 * 120.0 / 123.471, 440.0 * 60.0 / 61.735]
)
def test_playing_is_no_hum(tuning_hz: float) -> None:
    """Playing without hum, also tuned so that notes lie on multiples of the mains, a low string as a drone: none."""
    for seed, lowest in enumerate((35, 40)):
        player = Player(
            tuning_hz=tuning_hz,
            strings=(lowest, 45, 50, 55, 59, 64),
            thumb=2 + seed,
            lead_s=float(seed),
            ring_s=14.0,
        )
        found = measure_hum(_take(seed, 36.0, player), sample_rate_hz=RATE_HZ)
        assert [one.present for one in found] == [False, False]


@pytest.mark.parametrize(
    "frequency_hz", [49.0, 50.0, 60.0, 61.735, 97.999, 100.0, 120.0, 123.471, 150.0, 246.94, 250.0]
)
def test_one_note_that_rings(frequency_hz: float) -> None:
    """One note ringing for half a minute, on the grid or beside it, is no hum: it decays."""
    assert [one.present for one in measure_hum(_ring(frequency_hz), sample_rate_hz=RATE_HZ)] == [False, False]


@pytest.mark.parametrize("frequency_hz", [100.0, 120.2])
def test_sustained_tone_is_no_hum(frequency_hz: float) -> None:
    """A tone driven without end at twice the mains is what is played, not hum, even if nothing moves."""
    seconds = np.arange(30 * RATE_HZ) / RATE_HZ
    wave = sum(0.1 / k * np.sin(2.0 * np.pi * k * frequency_hz * seconds) for k in (1, 2, 3))
    take = np.stack([wave, wave], axis=1) + noise(len(seconds), rms=1e-4)
    assert [one.present for one in measure_hum(take, sample_rate_hz=RATE_HZ)] == [False, False]


def _strokes(period_s: float, *, duration_s: float = 30.0, seed: int = 0) -> Wave:
    """One thump on the body, again and again, as exactly as a machine does it: lines as sharp as those of hum."""
    random = np.random.default_rng(seed)
    seconds = np.arange(round(0.9 * period_s * RATE_HZ)) / RATE_HZ
    thump = np.zeros(len(seconds))
    for frequency_hz in random.uniform(60.0, 400.0, 4):
        thump += np.sin(2.0 * np.pi * frequency_hz * seconds) * np.exp(-seconds / random.uniform(0.02, 0.06))
    wave = np.zeros(round(duration_s * RATE_HZ))
    for begin in np.arange(0.2, duration_s - period_s, period_s):
        first = round(begin * RATE_HZ)
        wave[first : first + len(thump)] += 0.1 * thump
    return np.stack([wave, 0.5 * wave], axis=1) + noise(len(wave), seed=seed, rms=1e-5)


@pytest.mark.parametrize("period_s", [0.3, 0.4, 0.5])
def test_rhythm_of_a_machine_is_no_hum(period_s: float) -> None:
    """Strokes at exactly equal distances have a line on the mains, but it goes away between any two of them."""
    for seed in range(4):
        found = measure_hum(_strokes(period_s, seed=seed), sample_rate_hz=RATE_HZ)
        assert [one.present for one in found] == [False, False]


def test_hum_under_the_rhythm_of_a_machine() -> None:
    """The same strokes with hum: found where they hide it less; also if what is before and after was silenced."""
    for seed in range(4):
        take = 0.3 * _strokes(0.5, seed=seed)
        take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=60.03, shares_db=_levels("coil", -55.0))[
            :, np.newaxis
        ]
        edited = take.copy()
        edited[:RATE_HZ] = edited[-4 * RATE_HZ :] = 0.0
        edited[-6 * RATE_HZ : -4 * RATE_HZ] *= np.linspace(1.0, 0.0, 2 * RATE_HZ)[:, np.newaxis]
        for one in (take, edited):
            _, softer = measure_hum(one, sample_rate_hz=RATE_HZ)
            assert softer.frequency_hz == pytest.approx(60.03, abs=0.02)


@pytest.mark.parametrize(("mains_hz", "present"), [(49.8, True), (50.19, True), (49.6, False), (60.4, False)])
def test_mains_is_near_its_nominal_frequency(mains_hz: float, present: bool) -> None:
    """Steady lines farther from 50 or 60 Hz than the mains goes are no hum."""
    take = noise(20 * RATE_HZ, rms=1e-4)
    take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=mains_hz, shares_db=_levels("coil", -55.0))[
        :, np.newaxis
    ]
    assert [one.present for one in measure_hum(take, sample_rate_hz=RATE_HZ)] == [present, present]


def test_one_source_hums() -> None:
    """Hum in one source is told of that one only, with the frequency of the mains as it is."""
    take = _take(4, 30.0, Player())
    take[:, 1] += hum(
        len(take), sample_rate_hz=RATE_HZ, mains_hz=60.07, shares_db={1: -55.0, 2: -60.0, 3: -58.0}
    )
    first, second = measure_hum(take, sample_rate_hz=RATE_HZ)
    assert first == Hum(present=False)
    assert second.present
    assert second.mains_hz == 60.0
    assert second.frequency_hz == pytest.approx(60.07, abs=0.02)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_frames_of_the_low_band(rate_hz: int) -> None:
    """A sine reads its RMS level and its phase in the middle of every frame; what is above the band is gone."""
    frequency_hz = 100.07
    take = sine(frequency_hz, duration_s=7.0, sample_rate_hz=rate_hz, peak_dbfs=-20.0)
    take[:, 1] = sine(1100.0, duration_s=7.0, sample_rate_hz=rate_hz)[:, 0]
    low = LowFrames(sample_rate_hz=rate_hz)
    windows = SpectralFrames(sample_rate_hz=rate_hz)
    spectra = windows.add(take)
    assert spectra is not None
    frames = low.add(spectra)
    assert len(frames) >= 4
    near = round(frequency_hz / low.bin_hz)
    gain = hann_gain(np.array((frequency_hz - low.frequency_hz[near]) * low.frame_s))
    assert np.abs(frames[:, 0, near]) / gain == pytest.approx(0.1 / math.sqrt(2.0), rel=1e-5)
    instant = low.first_s + low.hop_s * np.arange(len(frames))
    expected = np.exp(1j * (2.0 * np.pi * frequency_hz * instant - np.pi / 2.0))
    assert frames[:, 0, near] / np.abs(frames[:, 0, near]) == pytest.approx(expected, abs=1e-4)
    assert float(np.abs(frames[:, 1]).max()) < 1e-5


def test_short_and_silent_takes() -> None:
    """Too short: cannot be told. Digital silence, one frame, constant voltage, full-scale square: nothing breaks."""
    frames = 20 * RATE_HZ
    square = np.where(np.arange(frames) % 160 < 80, 1.0, -1.0)[:, np.newaxis] * np.ones(2)
    for take, expected in (
        (noise(4 * RATE_HZ), None),
        (np.zeros((frames, 2)), None),
        (np.zeros((1, 2)), None),
        (np.ones((frames, 2)), False),
    ):
        assert {one.present for one in measure_hum(take, sample_rate_hz=RATE_HZ)} == {expected}
    assert len(measure_hum(square, sample_rate_hz=RATE_HZ)) == 2


def test_blocks_do_not_matter() -> None:
    """Handed over in blocks of any length, a take hums the same."""
    take = _take(8, 22.0, Player()).astype(np.float32)
    take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=50.0, shares_db={1: -50.0, 3: -55.0})[
        :, np.newaxis
    ]
    results = []
    for step in (1999, 50_000, len(take)):
        low, windows = LowFrames(sample_rate_hz=RATE_HZ), SpectralFrames(sample_rate_hz=RATE_HZ)
        gauge = HumGauge(low)
        for first in range(0, len(take), step):
            spectra = windows.add(take[first : first + step])
            if spectra is not None:
                gauge.add(low.add(spectra))
        results.append(gauge.result())
    for other in results[1:]:
        for one, same in zip(results[0], other, strict=True):
            assert one.present
            assert same.present
            assert one.level_dbfs == pytest.approx(same.level_dbfs, abs=0.001)
            assert one.frequency_hz == pytest.approx(same.frequency_hz, abs=0.001)
