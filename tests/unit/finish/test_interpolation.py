"""The interpolators and the bounds on what they can read."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.finish.interpolation import HALF_FRAMES, _taps, interpolation_bounds, read_windows

Audio = NDArray[np.float64]


def _windows(rows: int, cell: int, *, seed: int) -> Audio:
    return np.random.default_rng(seed).standard_normal((rows, cell + 2 * HALF_FRAMES))


def _limits(rows: Audio, cell: int) -> tuple[Audio, Audio]:
    """Both bounds for windows around cells."""
    bounds = interpolation_bounds()
    peak = np.abs(rows).max(axis=1)
    bend = np.abs(np.diff(rows, 2, axis=1)).max(axis=1)
    near = np.abs(rows[:, HALF_FRAMES : HALF_FRAMES + cell + 1]).max(axis=1)
    return bounds.peak * peak, near + bounds.ramp * peak + bounds.bend * bend


@pytest.mark.parametrize("cell", [7, 16])
def test_readings_stay_within_both_bounds(cell: int) -> None:
    """On noise, on smooth waves, and on the worst signs for every interpolator and phase."""
    worst = np.concatenate([np.sign(taps) for taps in _taps()])
    worst = np.pad(worst, ((0, 0), (cell // 2, cell - cell // 2 - 1)))
    time = np.arange(cell + 2 * HALF_FRAMES)
    waves = np.array(
        [np.sin(2.0 * np.pi * f * time + p) for f in np.linspace(0.0, 0.5, 40) for p in (0.1, 1.2)]
    )
    for rows in (_windows(300, cell, seed=1), worst, waves, np.cumsum(_windows(100, cell, seed=2), axis=1)):
        reading, guarded = read_windows(rows.astype(np.float32), cell)
        by_peak, by_bend = _limits(rows, cell)
        assert (reading <= guarded).all()
        assert (guarded <= by_peak * (1.0 + 1e-6)).all()
        assert (guarded <= by_bend * (1.0 + 1e-6)).all()


def test_the_first_bound_is_nearly_reached() -> None:
    """The worst signs of the main interpolator come to more than three quarters of it: it is no idle bound."""
    worst = np.pad(np.sign(_taps()[0]), ((0, 0), (8, 7)))
    reading, _ = read_windows(worst.astype(np.float32), 16)
    assert reading.max() > 0.75 * interpolation_bounds().peak


@pytest.mark.parametrize("frequency", [0.001, 0.1, 0.25, 0.4, 0.45, 0.48])
def test_tops_of_sines_are_found(frequency: float) -> None:
    """Wherever the samples lie: within 0.002 dB up to 0.48 of the rate, guarded within 0.06 dB up to 0.4."""
    cell = 40
    time = np.arange(cell + 2 * HALF_FRAMES)[np.newaxis]
    centre = HALF_FRAMES + 20.0 + np.linspace(-0.5, 0.5, 33)[:, np.newaxis]
    rows = np.cos(2.0 * np.pi * frequency * (time - centre)).astype(np.float32)
    reading, guarded = read_windows(rows, cell)
    assert 20.0 * np.log10(reading) == pytest.approx(np.zeros(33), abs=0.002)
    if frequency <= 0.4:
        assert 20.0 * np.log10(guarded) == pytest.approx(np.zeros(33), abs=0.06)


def test_samples_are_read_exactly() -> None:
    """The main interpolator passes through them: a reading is never below the largest sample of the cell."""
    rows = _windows(200, 16, seed=3).astype(np.float32)
    reading, _ = read_windows(rows, 16)
    samples = np.abs(rows[:, HALF_FRAMES : HALF_FRAMES + 16]).max(axis=1)
    assert (reading >= samples * (1.0 - 1e-9)).all()


def test_rows_do_not_depend_on_their_neighbours() -> None:
    """Whatever else is in the same call."""
    rows = _windows(50, 16, seed=4).astype(np.float32)
    reading, guarded = read_windows(rows, 16)
    for count in (1, 3, 17):
        some = read_windows(rows[:count], 16)
        assert some[0] == pytest.approx(reading[:count], rel=1e-13)
        assert some[1] == pytest.approx(guarded[:count], rel=1e-13)
