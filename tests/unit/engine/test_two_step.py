"""Long transforms in two steps: the bins of any other FFT, in an order that undoes itself."""

from __future__ import annotations

import numpy as np
import pytest

from render.engine.two_step import choose_sides, two_step
from render.engine.weigh import steps_to_try, weigh_pair
from render.finish.k_weighting import k_weighting_run_in_frames
from render.finish.loudness import measure_slots
from render.finish.slots import slot_frames
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


@pytest.mark.parametrize(("rows", "columns"), [(16, 16), (16, 48), (80, 96)])
def test_bins_are_those_of_any_other_transform(rows: int, columns: int) -> None:
    """Against numpy's FFT, at the places that `bins` tells."""
    random = np.random.default_rng(1)
    signals = random.standard_normal((2, rows * columns)) + 1j * random.standard_normal((2, rows * columns))
    transform = two_step(rows, columns, double_precision=True)
    spectra = signals.reshape(2, rows, columns).copy()

    transform.forward(spectra)

    expected = np.fft.fft(signals, axis=-1)[:, transform.bins()]
    assert np.abs(spectra - expected).max() < 1e-11 * np.abs(expected).max()


@pytest.mark.parametrize("double_precision", [False, True])
def test_there_and_back_again(double_precision: bool) -> None:
    """The way back undoes the way there, to the precision of the numbers."""
    transform = two_step(96, 160, double_precision=double_precision)
    signals = (noise(96 * 160) @ np.array([1.0, 1j])).reshape(1, 96, 160)
    there = signals.astype(np.complex128 if double_precision else np.complex64)

    transform.forward(there)
    transform.backward(there)

    assert np.abs(there - signals).max() < (1e-14 if double_precision else 1e-6)


@pytest.mark.parametrize("bright", [False, True], ids=["strings", "noise"])
def test_weighing_a_pair_is_weighing_the_sound(bright: bool) -> None:
    """Energy per slot out of the pair's spectrum is that of the filtered sound, whatever the share of the treble."""
    run_in, slot = k_weighting_run_in_frames(RATE_HZ), slot_frames(RATE_HZ)
    rows, columns, hop = choose_sides(run_in, grid_frames=slot, shortest=131_072, frames_per_need=4.0)
    frames = rows * columns
    sound = noise(2 * hop) if bright else plucks(2 * hop / RATE_HZ, sample_rate_hz=RATE_HZ)[: 2 * hop]
    padded = np.concatenate([np.zeros((frames - hop, 2)), sound])
    transform = two_step(rows, columns, double_precision=True)
    pair = np.stack([padded[:frames, side] + 1j * padded[hop : hop + frames, side] for side in range(2)])
    spectra = pair.reshape(2, rows, columns)
    transform.forward(spectra)

    sums = weigh_pair(
        spectra,
        steps_to_try(transform, sample_rate_hz=RATE_HZ, first_valid_frame=frames - hop),
        sample_rate_hz=RATE_HZ,
        first_valid_frame=frames - hop,
        valid_frames=hop,
    )

    expected = measure_slots(sound, sample_rate_hz=RATE_HZ).weighted
    assert sums.shape == expected.shape
    assert np.allclose(sums[:, :2].sum(axis=0), expected[:, :2].sum(axis=0), rtol=2e-4)
    assert np.abs(sums - expected)[:, :2].max() < 0.01 * expected[:, :2].max()


def test_silence_weighs_nothing() -> None:
    """No division by the energy of nothing."""
    transform = two_step(96, 160, double_precision=False)
    spectra = np.zeros((2, 96, 160), np.complex64)
    valid = 10 * slot_frames(RATE_HZ)

    sums = weigh_pair(
        spectra,
        steps_to_try(transform, sample_rate_hz=RATE_HZ, first_valid_frame=96 * 160 - valid),
        sample_rate_hz=RATE_HZ,
        first_valid_frame=96 * 160 - valid,
        valid_frames=valid,
    )

    assert not sums.any()
