"""Notes at exactly equal distances are told from mains hum, and hum is found under them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.frames import each_spectra
from render.analysis.hum import measure_hum
from render.analysis.hum_rhythm import Comb, FineSpectra, find_combs
from render.analysis.low_band import LowFrames
from tests.helpers.rehearsal import hum
from tests.helpers.signals import noise

RATE_HZ = 8000
Wave = NDArray[np.float64]
STRINGS_HZ = (82.41, 110.0, 146.83, 196.0, 246.94, 329.63)


def _note(frequency_hz: float, random: np.random.Generator) -> Wave:
    seconds = np.arange(2 * RATE_HZ) / RATE_HZ
    wave = np.zeros(len(seconds))
    for partial in range(1, 11):
        phase = float(random.uniform(0.0, 2.0 * np.pi))
        decay = float(random.uniform(1.0, 2.5)) + 0.3 * partial
        wave += (
            np.exp(-decay * seconds)
            * np.sin(2.0 * np.pi * partial * frequency_hz * seconds + phase)
            / partial
        )
    return 0.1 * wave


def _played(
    period_s: float,
    *,
    seed: int,
    notes: int = 1,
    begin_s: float = 1.0,
    end_s: float = 15.0,
    duration_s: float = 18.0,
    loose_s: float = 0.0,
) -> Wave:
    """A cycle of notes, each the same sound again; `loose_s`: how far each is from its time."""
    random = np.random.default_rng(seed)
    bank = [_note(float(one), random) for one in random.choice(STRINGS_HZ, notes, replace=False)]
    wave = np.zeros(round((duration_s + 2.5) * RATE_HZ))
    for index in range(int((end_s - begin_s) / period_s)):
        at_s = begin_s + index * period_s + loose_s * float(random.uniform(-1.0, 1.0))
        first = max(0, round(at_s * RATE_HZ))
        wave[first : first + 2 * RATE_HZ] += bank[index % notes]
    wave = wave[: round(duration_s * RATE_HZ)]
    return np.stack([wave, 0.5 * wave], axis=1) + noise(len(wave), seed=seed, rms=1e-5)


def _found(take: Wave) -> list[bool | None]:
    return [one.present for one in measure_hum(take, sample_rate_hz=RATE_HZ)]


@pytest.mark.parametrize("notes", [1, 4])
@pytest.mark.parametrize("period_s", [0.05, 1 / 15, 1 / 12, 0.1, 0.125, 0.15, 0.2])
def test_notes_timed_by_a_machine(period_s: float, notes: int) -> None:
    """One note or four in turn, a second of rest before and after: no hum, whatever multiples they fall on."""
    for seed in range(3):
        assert _found(_played(period_s, seed=seed, notes=notes)) == [False, False]


@pytest.mark.parametrize("period_s", [0.05, 1 / 12, 0.1, 0.125])
def test_notes_without_a_rest(period_s: float) -> None:
    """The same from the first moment to the last: the lines where no mains is are enough to tell."""
    for seed in range(3):
        take = _played(period_s, seed=seed, begin_s=0.0, end_s=18.0)
        assert _found(take) == [False, False]


@pytest.mark.parametrize(
    "shares_db",
    [{1: -50.0, 2: -60.0, 3: -55.0}, {1: -65.0, 2: -45.0, 4: -55.0}, {1: -65.0, 3: -45.0, 5: -55.0}],
)
@pytest.mark.parametrize("mains_hz", [50.07, 59.94])
def test_hum_under_notes_timed_by_a_machine(mains_hz: float, shares_db: dict[int, float]) -> None:
    """With a rest hum is found under them, its frequency too, also led by the second or third multiple."""
    for seed in (0, 2):
        take = _played(0.1, seed=seed, end_s=12.0)
        take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=mains_hz, shares_db=shares_db)[:, np.newaxis]
        for one in measure_hum(take, sample_rate_hz=RATE_HZ):
            assert one.present
            assert one.frequency_hz == pytest.approx(mains_hz, abs=0.02)


@pytest.mark.parametrize("mains_hz", [50.07, 59.94])
def test_hum_without_a_rest(mains_hz: float) -> None:
    """Under ten notes a second without end hum is told by standing out, and no line of theirs with it."""
    take = _played(0.1, seed=1, begin_s=0.0, end_s=18.0)
    take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=mains_hz, shares_db={1: -49.0, 2: -60.0})[
        :, np.newaxis
    ]
    softer = measure_hum(take, sample_rate_hz=RATE_HZ)[1]
    assert softer.frequency_hz == pytest.approx(mains_hz, abs=0.02)
    assert [line.multiple for line in softer.lines] == [1]
    assert softer.level_dbfs == pytest.approx(-49.0, abs=2.0)


def test_hum_on_a_line_of_the_rhythm() -> None:
    """Mains at exactly 50 Hz under ten notes a second: each line at its level, as the rests tell it."""
    levels_dbfs = {1: -50.0, 2: -45.0, 3: -48.0}
    take = _played(0.1, seed=2, end_s=12.0)
    take += hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=50.0, shares_db=levels_dbfs)[:, np.newaxis]
    softer = measure_hum(take, sample_rate_hz=RATE_HZ)[1]
    assert [line.multiple for line in softer.lines] == [1, 2, 3]
    for line in softer.lines:
        assert line.level_dbfs == pytest.approx(levels_dbfs[line.multiple], abs=1.5)


def test_a_held_note_is_no_hum_of_the_other_source() -> None:
    """One source hums; the other holds a note on the seventh multiple: told of the first alone."""
    seconds = np.arange(14 * RATE_HZ) / RATE_HZ
    note = 0.02 * np.exp(-0.02 * seconds) * np.sin(2.0 * np.pi * 350.28 * seconds)
    take = np.stack([0.1 * note, note], axis=1) + noise(len(seconds), rms=1e-4)
    take[:, 0] += hum(
        len(seconds), sample_rate_hz=RATE_HZ, mains_hz=50.04, shares_db={1: -50.0, 2: -56.0, 3: -53.0}
    )
    assert _found(take) == [True, False]


def _combs(take: Wave) -> tuple[Comb, ...]:
    low = LowFrames(sample_rate_hz=RATE_HZ)
    frames = np.concatenate([low.add(spectra) for spectra in each_spectra(take, sample_rate_hz=RATE_HZ)])
    fine = FineSpectra(low, channels=2)
    for first in (0, 8):
        fine.add(frames[first : first + 8, 0], channel=0)
    return find_combs(fine.of(0))


@pytest.mark.parametrize(("period_s", "notes"), [(0.05, 1), (0.1, 1), (0.125, 4), (1 / 6, 3), (0.2, 4)])
def test_rate_of_a_machine(period_s: float, notes: int) -> None:
    """The rate of the whole cycle is among those found, to a ten-thousandth."""
    rates_hz = np.array([comb.rate_hz for comb in _combs(_played(period_s, seed=2, notes=notes))])
    expected_hz = 1.0 / (period_s * notes)
    assert float(np.abs(rates_hz / expected_hz - 1.0).min()) < 1e-4


def test_notes_timed_by_hand_have_no_rate() -> None:
    """A hundredth of a second to either side, and there is no comb."""
    for seed in range(6):
        assert _combs(_played(0.15, seed=seed, loose_s=0.01)) == ()
