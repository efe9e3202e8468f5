"""Long transforms in two steps: the bins of any other FFT, in an order that undoes itself."""

from __future__ import annotations

import numpy as np
import pytest

from render.finish.two_step import two_step
from tests.helpers.signals import noise


@pytest.mark.parametrize(("rows", "columns"), [(16, 16), (16, 48), (80, 96), (1, 250)])
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
@pytest.mark.parametrize(("rows", "columns"), [(96, 160), (1, 15_360)])
def test_there_and_back_again(rows: int, columns: int, double_precision: bool) -> None:
    """The way back undoes the way there, to the precision of the numbers, any number of signals at a time."""
    transform = two_step(rows, columns, double_precision=double_precision)
    signals = (noise(2 * rows * columns) @ np.array([1.0, 1j])).reshape(1, 2, rows, columns)
    there = signals.astype(np.complex128 if double_precision else np.complex64)

    transform.forward(there)
    transform.backward(there)

    assert np.abs(there - signals).max() < (1e-14 if double_precision else 1e-6)
