"""K-weighted energy per slot of a pair of blocks, out of the spectrum that the convolution has in hand.

The lowest quarter of the band is transformed back at a quarter of the rate, what lies above is known from Parseval's
theorem and shared out over the slots; where that is more than `LARGEST_SHARE` of the energy, half the band is taken,
then all of it. See `finish.k_weighting`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.audio.array import Reals
from render.engine.two_step import Spectrum, TwoStep, two_step
from render.finish.k_weighting import FLAT_ABOVE_HZ, LARGEST_SHARE, k_weighting_response
from render.finish.slots import slot_frames, sum_products


@dataclass(frozen=True)
class Band:
    """The lowest part of the band, 1 / step of it: its transform, its weights, and one weight for all above it."""

    step: int
    transform: TwoStep
    weights: Spectrum
    power_above: float


def steps_to_try(transform: TwoStep, *, sample_rate_hz: int, first_valid_frame: int) -> tuple[int, ...]:
    """By how much the band may be narrowed: narrowest first, the full band last."""
    slot = slot_frames(sample_rate_hz)
    return tuple(
        step
        for step in (4, 2, 1)
        if step == 1
        or (
            sample_rate_hz >= 2 * step * FLAT_ABOVE_HZ
            and transform.columns % (2 * step) == 0
            and first_valid_frame % step == 0
            and slot % step == 0
        )
    )


@lru_cache(maxsize=12)
def _band(rows: int, columns: int, step: int, *, sample_rate_hz: int, double_precision: bool) -> Band:
    """Prepare a band; the wide ones are seldom needed."""
    narrow = two_step(rows, columns // step, double_precision=double_precision)
    bins = narrow.bins()
    hz = np.abs(bins) * (sample_rate_hz / (rows * columns))
    response = k_weighting_response(hz.ravel(), sample_rate_hz=sample_rate_hz).reshape(hz.shape)
    weights = np.where(bins < 0, response.conj(), response).astype(narrow.forth.dtype)
    weights.flags.writeable = False
    middle_hz = np.array([(1.0 / step + 1.0) * sample_rate_hz / 4.0])
    above = k_weighting_response(middle_hz, sample_rate_hz=sample_rate_hz)
    return Band(step, narrow, weights, float(abs(above[0]) ** 2))


def weigh_pair(
    spectra: Spectrum,
    steps: tuple[int, ...],
    *,
    sample_rate_hz: int,
    first_valid_frame: int,
    valid_frames: int,
) -> Reals:
    """Sums of squares after K-weighting per slot, shape (2 blocks * slots, 3), in order of time.

    Parameters
    ----------
    spectra : complex, shape (2 channels, rows, columns)
        Not changed.
    steps : tuple of int
        See `steps_to_try`.
    sample_rate_hz, first_valid_frame, valid_frames : int
        Where in a block the slots lie.
    """
    _, rows, columns = spectra.shape
    double = spectra.dtype == np.complex128
    for step in steps:
        band = _band(rows, columns, step, sample_rate_hz=sample_rate_hz, double_precision=double)
        weighted = _low_part(spectra, band)
        energy, above = _energy(weighted), _energy_above(spectra, band)
        if step == 1 or above[:2].sum() <= LARGEST_SHARE * (energy + above)[:2].sum():
            break
    frames = rows * columns
    band.transform.backward(weighted)
    first, slot = first_valid_frame // step, slot_frames(sample_rate_hz) // step
    wave = weighted.reshape(2, -1)[:, first : first + valid_frames // step]
    sums = np.concatenate([_slot_sums(wave.real, slot), _slot_sums(wave.imag, slot)])
    # A transform of n / step bins comes back step times too large, and every value stands for step frames.
    sums /= step
    if step > 1 and energy[:2].sum() > 0.0:
        part = (sums[:, 0] + sums[:, 1]) / (energy[:2].sum() / frames)  # Parseval
        sums += part[:, np.newaxis] * (above / frames)
    return sums


def _low_part(spectra: Spectrum, band: Band) -> Spectrum:
    """Weighted bins of the lowest part, both signs."""
    if band.step == 1:
        return spectra * band.weights
    half = band.transform.columns // 2
    low = np.empty((2, *band.weights.shape), spectra.dtype)
    np.multiply(spectra[:, :, :half], band.weights[:, :half], out=low[:, :, :half])
    np.multiply(spectra[:, :, -half:], band.weights[:, half:], out=low[:, :, half:])
    return low


def _energy(spectra: Spectrum) -> Reals:
    """Left x left, right x right, left x right, summed over bins."""
    left, right = _parts(spectra)
    return np.asarray(sum_products(left, right).sum(axis=0), np.float64)


def _energy_above(spectra: Spectrum, band: Band) -> Reals:
    """The same of what the low part leaves out, with one weight for all of it."""
    half = band.transform.columns // 2
    if band.step == 1:
        return np.zeros(3)
    left, right = _parts(spectra)
    high = slice(2 * half, -2 * half)
    return np.asarray(sum_products(left[:, high], right[:, high]).sum(axis=0) * band.power_above, np.float64)


def _parts(spectra: Spectrum) -> tuple[NDArray[Any], NDArray[Any]]:
    """Real and imaginary parts of left and right as rows of real numbers."""
    parts = spectra.view(np.float32 if spectra.dtype == np.complex64 else np.float64)
    return parts[0], parts[1]


def _slot_sums(wave: NDArray[Any], slot: int) -> Reals:
    left, right = np.ascontiguousarray(wave).reshape(2, -1, slot)
    return sum_products(left, right)
