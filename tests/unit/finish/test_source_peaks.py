"""True peak of a source, looked for where its samples are high."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.finish.source_peaks import highest_between
from render.finish.true_peak import true_peak_gain
from tests.helpers.signals import noise, plucks, sine

RATE_HZ = 48_000
SLOT_FRAMES = 240


def found(sound: NDArray[np.float64]) -> float:
    """Over all slots that have enough around them, 100 at a time as in a stream."""
    wave = np.pad(sound, 480).astype(np.float32)
    highest = 0.0
    slots = np.arange(2, len(wave) // SLOT_FRAMES - 2)
    for some in np.array_split(slots, max(1, len(slots) // 100)):
        rows = wave[some[:, np.newaxis] * SLOT_FRAMES + np.arange(SLOT_FRAMES)]
        highest = highest_between(
            wave, slots=some, slot_frames=SLOT_FRAMES, highest_gain=max(highest, float(np.abs(rows).max()))
        )
    return highest


@pytest.mark.parametrize("seed", range(6))
def test_it_is_the_true_peak_of_a_finished_file(seed: int) -> None:
    """On strings and on white noise, to a hundredth of a dB."""
    for sound in (plucks(2.0, sample_rate_hz=RATE_HZ, seed=seed)[:, 0], noise(20_000, seed=seed)[:, 0]):
        faded = sound * np.hanning(len(sound))
        store = np.stack([faded, np.zeros(len(faded))], axis=1).astype(np.float32)
        wanted = true_peak_gain(np.asfortranarray(store), sample_rate_hz=RATE_HZ)
        assert 20 * np.log10(found(faded) / wanted) == pytest.approx(0.0, abs=0.01)


def test_between_the_samples_too() -> None:
    """A quarter of the rate at 45 degrees: samples 3 dB below the wave."""
    wave = sine(RATE_HZ / 4, duration_s=0.2, sample_rate_hz=RATE_HZ, phase_deg=45.0)[:, 0] * np.hanning(9600)
    assert 20 * np.log10(found(wave)) == pytest.approx(0.0, abs=0.02)
    assert 20 * np.log10(np.abs(wave).max()) == pytest.approx(-3.01, abs=0.01)
