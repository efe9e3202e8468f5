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


def test_tops_have_to_agree() -> None:
    """Three that sink at one rate are believed, three of many rates or two are not."""
    tops = np.array([[1.0, 9.0, 0.50, 60.0], [2.0, 9.0, -0.52, 63.0], [3.0, 9.0, 0.49, 61.0]])
    assert len(agreeing(tops)) == 3
    assert len(agreeing(tops[:2])) == 0
    unlike = tops.copy()
    unlike[:, 3] = 60.0, 100.0, 150.0
    assert len(agreeing(unlike)) == 0
    louder = tops * np.array([1.0, 1.0, 7.0, 1.0])
    assert len(agreeing(np.concatenate([tops, louder]))) == 0
