"""One attempt at a gain: the ceiling holds after it, and it is measured as it is."""

from __future__ import annotations

import numpy as np
import pytest

from render.finish.limiter import LimitedPassage
from render.finish.limiting import Limiting
from render.finish.loudness import integrated_loudness_lufs, measure_slots
from render.finish.passage import Passage
from render.finish.slots import measure_block_peaks
from render.finish.true_peak import read_cells
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


def _limiting(audio: np.ndarray, *, aim_gain: float, gain_db: float) -> Limiting:
    store = np.asfortranarray(audio)
    slots = measure_slots(store, sample_rate_hz=RATE_HZ)
    peaks = measure_block_peaks(store, sample_rate_hz=RATE_HZ)
    return Limiting(
        Passage(store, 0, len(store)), slots, block_peaks=peaks, aim_gain=aim_gain, gain_db=gain_db
    )


def _square(seed: int) -> np.ndarray:
    """Next to half the rate, switched on and off: what interpolators agree on least."""
    cycles = np.random.default_rng(seed).uniform(0.3, 0.49, 2)
    time = np.arange(20_000)[:, np.newaxis]
    return np.asarray(0.5 * np.sign(np.sin(2.0 * np.pi * cycles * time + 0.3)) * (np.sin(time / 900.0) > 0.0))


@pytest.mark.parametrize("kind", ["plucks", "noise", "square-1", "square-4", "square-5"])
def test_after_an_attempt_the_aim_is_met_everywhere(kind: str) -> None:
    """All cells are read, not only those that were touched; the highest is what is told."""
    if kind == "plucks":
        audio = plucks(1.0, sample_rate_hz=RATE_HZ)
    elif kind == "noise":
        audio = noise(24_000, seed=2, rms=0.08)
    else:
        audio = _square(int(kind[-1]))
    limiting = _limiting(audio, aim_gain=0.2, gain_db=3.0)
    attempt = limiting.attempt(3.0)
    assert attempt.curve.max_reduction_db > 1.0
    limited = LimitedPassage(limiting.passage, attempt.curve)
    gain = 10.0 ** (3.0 / 20.0)
    read = read_cells(limited, np.arange(-10, len(audio) // 16 + 10), sample_rate_hz=RATE_HZ)
    assert read.highest_guarded * gain <= 0.2 * 10.0 ** (0.0021 / 20.0)
    assert limiting.true_peak_gain(attempt) == pytest.approx(read.highest_reading, rel=1e-9)


def test_slots_of_an_attempt_are_those_of_the_limited_sound() -> None:
    """Against the sound itself, multiplied and measured whole; the guess beforehand is near."""
    audio = plucks(2.0, sample_rate_hz=RATE_HZ, seed=3)
    limiting = _limiting(audio, aim_gain=0.2, gain_db=4.0)
    attempt = limiting.attempt(4.0)
    gain = attempt.curve.windows(np.array([0]), len(audio))[0]
    whole = measure_slots(np.asfortranarray(audio * gain[:, np.newaxis]), sample_rate_hz=RATE_HZ)
    expected = integrated_loudness_lufs(whole, gain_db=4.0)
    assert attempt.loudness_lufs == pytest.approx(expected, abs=5e-4)
    assert attempt.slots.plain == pytest.approx(whole.plain, rel=1e-4, abs=1e-6)
    assert limiting.expected_loudness_lufs(4.0) == pytest.approx(expected, abs=0.2)


def test_a_higher_gain_than_was_searched_for_is_searched_again() -> None:
    """Cells that were below the aim at the first gain are found at the next."""
    audio = plucks(1.0, sample_rate_hz=RATE_HZ, seed=4)
    once = _limiting(audio, aim_gain=0.2, gain_db=0.0)
    at_once = _limiting(audio, aim_gain=0.2, gain_db=5.0)
    low = once.attempt(0.0)
    high, expected = once.attempt(5.0), at_once.attempt(5.0)
    assert high.curve.max_reduction_db == pytest.approx(low.curve.max_reduction_db + 5.0, abs=0.01)
    assert high.curve.gain == pytest.approx(expected.curve.gain, abs=1e-3)


def test_nothing_over_leaves_all_as_it_is() -> None:
    """The slots are the very same, and the peak is told."""
    audio = plucks(1.0, sample_rate_hz=RATE_HZ, seed=5)
    limiting = _limiting(audio, aim_gain=0.9, gain_db=0.0)
    attempt = limiting.attempt(0.0)
    assert len(attempt.curve.gain) == 0
    assert attempt.slots is limiting.slots
    assert limiting.true_peak_gain(attempt) == pytest.approx(0.25, rel=0.02)
