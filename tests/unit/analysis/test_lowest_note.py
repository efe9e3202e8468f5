"""Tests of the lowest note."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.balance import measure_balance
from render.analysis.guitar import combine_takes
from render.analysis.lowest_note import find_lowest_note_hz, high_pass_below_hz, note_name
from render.audio.array import Reals
from tests.helpers.known_guitar import RATE_HZ, Known, play_known


def _notes(lowest_hz: float, *, seconds: float = 12.0, seed: int = 1) -> Reals:
    """Plucked notes of a scale from the lowest upwards, seven partials each."""
    random = np.random.default_rng(seed)
    frames = int(seconds * RATE_HZ)
    sound = 1e-5 * random.standard_normal(frames)
    t = np.arange(int(1.5 * RATE_HZ)) / RATE_HZ
    for number, step in enumerate((0, 7, 12, 3, 15, 5, 0, 10)):
        first = int(number * 1.4 * RATE_HZ)
        hz = lowest_hz * 2.0 ** (step / 12.0)
        note = sum(np.sin(2 * np.pi * k * hz * t) / k * np.exp(-(1.0 + 0.3 * k) * t) for k in range(1, 8))
        stop = min(first + len(t), frames)
        sound[first:stop] += 0.2 * np.asarray(note)[: stop - first]
    return np.stack([sound, 0.7 * sound], axis=1)


def _found(audio: Reals) -> float | None:
    return find_lowest_note_hz(combine_takes([measure_balance(audio, sample_rate_hz=RATE_HZ)]))


@pytest.mark.parametrize("lowest_hz", [61.74, 65.41, 73.42, 82.41, 98.0, 110.0])
def test_the_lowest_note_is_found(lowest_hz: float) -> None:
    """From low B to a capo at the fifth fret, within a fifth of a semitone."""
    assert _found(_notes(lowest_hz)) == pytest.approx(lowest_hz, rel=0.012)


def test_steps_and_rumble_are_no_note() -> None:
    """Thumps at 45 Hz and noise below do not count, though they are louder."""
    audio = _notes(82.41)
    t = np.arange(RATE_HZ // 4) / RATE_HZ
    thump = 0.5 * np.sin(2 * np.pi * 45.0 * t) * np.exp(-25.0 * t)
    for second in range(1, 11):
        audio[second * RATE_HZ : second * RATE_HZ + len(t)] += thump[:, np.newaxis]

    assert _found(audio) == pytest.approx(82.41, rel=0.01)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_no_note(mains_hz: float) -> None:
    """A steady line at the mains frequency with its multiples is passed over."""
    audio = _notes(82.41)
    t = np.arange(len(audio)) / RATE_HZ
    hum = sum(0.01 / k * np.sin(2 * np.pi * k * mains_hz * t) for k in (1, 2, 3))
    audio += np.asarray(hum)[:, np.newaxis]

    assert _found(audio) == pytest.approx(82.41, rel=0.01)


def test_noise_has_no_lowest_note() -> None:
    """Nothing stands out of noise."""
    one = 0.1 * np.random.default_rng(1).standard_normal((8 * RATE_HZ, 1))

    assert _found(one * np.array([1.0, 0.5])) is None


def test_random_playing_stays_above_low_e() -> None:
    """Of strings in standard tuning nothing below low E is ever found."""
    for seed in range(3):
        found = _found(play_known(Known(), seed=seed, duration_s=8.0))
        assert found is not None
        assert 81.0 < found < 125.0


def test_high_pass_is_bounded() -> None:
    """Half an octave below the note, 30 to 80 Hz."""
    assert high_pass_below_hz(82.41) == 58.0
    assert high_pass_below_hz(36.7) == 30.0
    assert high_pass_below_hz(196.0) == 80.0


def test_names_of_notes() -> None:
    """A4 is 440 Hz."""
    assert [note_name(hz) for hz in (82.41, 110.0, 61.74, 440.0, 138.6)] == ["E2", "A2", "B1", "A4", "C#3"]
