"""K-weighted energy per slot, out of the spectra of blocks that travel in pairs.

The engine weighs the mix with the spectra that its convolution has in hand anyway, `loudness` with spectra of its own.
Two blocks are one complex signal, and the bins lie as `two_step` lays them. The lowest quarter of the band is
transformed back at a quarter of the rate; what lies above is known from Parseval's theorem and shared out over the
slots. Where that is more than a small share of the energy, half the band is taken, then all of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.audio.array import Reals
from render.finish.k_weighting import k_weighting_response, k_weighting_run_in_frames
from render.finish.slots import slot_frames, sum_products
from render.finish.two_step import Spectrum, TwoStep, two_step

# Above this the curve is flat within 0.07 dB, so one number stands for it there.
FLAT_ABOVE_HZ = 4_000.0
# A band may be left out of the transform as long as it holds no more than this share of the weighted energy. The
# share is added again, so only its place inside the block is guessed: on plucked strings 0.0003 LU of integrated
# loudness, 0.004 LU of the largest momentary loudness.
LARGEST_SHARE = 2e-3


@dataclass(frozen=True)
class _Band:
    """The lowest part of the band, 1 / step of it: its transform, its weights, and one weight for all above it."""

    step: int
    transform: TwoStep
    weights: Spectrum
    power_above: float


def weigh_pairs(
    spectra: Spectrum,
    *,
    sample_rate_hz: int,
    first_valid_frame: int,
    valid_frames: int,
    largest_share: float = LARGEST_SHARE,
) -> Reals:
    """Sums of squares after K-weighting per slot.

    Parameters
    ----------
    spectra : complex64 or complex128, shape (2 channels, pairs, rows, columns)
        Transforms by `two_step` of pairs of finished blocks, the first as the real part and the second as the
        imaginary part; one row for a transform in plain order. Not changed.
    sample_rate_hz : int
    first_valid_frame : int
        Where in a block the slots begin: at least `k_weighting_run_in_frames` after the first frame that is not
        spoilt by the circular convolution.
    valid_frames : int
        A multiple of the slot.
    largest_share : float
        Part of a pair's weighted energy that may be left out of the transform. All pairs of a call are treated
        alike.

    Returns
    -------
    float64, shape (2 * pairs * slots, 3)
        Left x left, right x right, left x right: the slots of the first block of the first pair, of its second
        block, of the next pair, and so on.

    Raises
    ------
    ValueError
        If the shapes do not fit each other, or the run-in is too short.

    Notes
    -----
    Integrated loudness is within 0.0005 LU. For speed the columns should be a multiple of 8, the first valid frame
    and the slot multiples of 4.
    """
    _check(spectra, sample_rate_hz, first_valid_frame, valid_frames)
    _, pairs, rows, columns = spectra.shape
    double = spectra.dtype == np.complex128
    for step in _narrowings(columns, sample_rate_hz=sample_rate_hz, first_valid_frame=first_valid_frame):
        band = _band(rows, columns, step, sample_rate_hz=sample_rate_hz, double_precision=double)
        weighted = _low_part(spectra, band)
        energy, above = _energy(weighted), _energy_above(spectra, band)
        power, lost = energy[:, :2].sum(axis=1), above[:, :2].sum(axis=1)
        if step == 1 or (lost <= largest_share * (power + lost)).all():
            break
    band.transform.backward(weighted)
    first, slot = first_valid_frame // step, slot_frames(sample_rate_hz) // step
    wave = weighted.reshape(2, pairs, -1)[:, :, first : first + valid_frames // step]
    sums = np.stack([_slot_sums(wave.real, slot), _slot_sums(wave.imag, slot)], axis=1)
    # A transform of n / step bins comes back step times too large, and every value stands for step frames.
    sums /= step
    if step > 1:
        frames = rows * columns
        whole = (power / frames)[:, np.newaxis, np.newaxis]  # Parseval
        part = sums[..., 0] + sums[..., 1]
        part = np.divide(part, whole, out=np.zeros_like(part), where=whole > 0.0)
        sums += part[..., np.newaxis] * (above / frames)[:, np.newaxis, np.newaxis]
    return sums.reshape(-1, 3)


def _check(spectra: Spectrum, sample_rate_hz: int, first_valid_frame: int, valid_frames: int) -> None:
    if spectra.ndim != 4 or len(spectra) != 2:
        raise ValueError(f"spectra must have shape (2, pairs, rows, columns), not {spectra.shape}")
    slot, frames = slot_frames(sample_rate_hz), spectra.shape[2] * spectra.shape[3]
    if valid_frames % slot or valid_frames <= 0:
        raise ValueError(f"valid_frames must be a multiple of {slot}, not {valid_frames}")
    run_in = k_weighting_run_in_frames(sample_rate_hz)
    if not run_in <= first_valid_frame <= frames - valid_frames:
        raise ValueError(
            f"first_valid_frame must be {run_in} to {frames - valid_frames}, not {first_valid_frame}"
        )


def _narrowings(columns: int, *, sample_rate_hz: int, first_valid_frame: int) -> list[int]:
    """By how much the band may be narrowed: narrowest first, the full band last."""
    slot = slot_frames(sample_rate_hz)
    return [
        step
        for step in (4, 2, 1)
        if step == 1
        or (
            sample_rate_hz >= 2 * step * FLAT_ABOVE_HZ
            and columns % (2 * step) == 0
            and first_valid_frame % step == 0
            and slot % step == 0
        )
    ]


@lru_cache(maxsize=16)
def _band(rows: int, columns: int, step: int, *, sample_rate_hz: int, double_precision: bool) -> _Band:
    """Prepare a band; the wide ones are seldom needed."""
    narrow = two_step(rows, columns // step, double_precision=double_precision)
    bins = narrow.bins()
    hz = np.abs(bins) * (sample_rate_hz / (rows * columns))
    response = k_weighting_response(hz.ravel(), sample_rate_hz=sample_rate_hz).reshape(hz.shape)
    weights = np.where(bins < 0, response.conj(), response).astype(narrow.forth.dtype)
    weights.flags.writeable = False
    middle_hz = np.array([(1.0 / step + 1.0) * sample_rate_hz / 4.0])
    above = k_weighting_response(middle_hz, sample_rate_hz=sample_rate_hz)
    return _Band(step, narrow, weights, float(abs(above[0]) ** 2))


def _low_part(spectra: Spectrum, band: _Band) -> Spectrum:
    """Weighted bins of the lowest part, both signs."""
    if band.step == 1:
        return spectra * band.weights
    half = band.transform.columns // 2
    low = np.empty((*spectra.shape[:2], *band.weights.shape), spectra.dtype)
    np.multiply(spectra[..., :half], band.weights[:, :half], out=low[..., :half])
    np.multiply(spectra[..., -half:], band.weights[:, half:], out=low[..., half:])
    return low


def _energy(spectra: Spectrum) -> Reals:
    """Left x left, right x right, left x right, summed over bins; shape (pairs, 3).

    Not by a dot product of the linear algebra library: its last bits depend on the number of processors.
    """
    left, right = _parts(spectra)
    pairs, rows, columns = left.shape
    sums = sum_products(left.reshape(-1, columns), right.reshape(-1, columns))
    return np.asarray(sums.reshape(pairs, rows, 3).sum(axis=1), np.float64)


def _energy_above(spectra: Spectrum, band: _Band) -> Reals:
    """The same of what the low part leaves out, with one weight for all of it."""
    half = band.transform.columns // 2
    if band.step == 1:
        return np.zeros((spectra.shape[1], 3))
    return _energy(spectra[..., half : spectra.shape[3] - half]) * band.power_above


def _parts(spectra: Spectrum) -> NDArray[Any]:
    """Real and imaginary parts side by side, as rows of real numbers."""
    return spectra.view(np.float32 if spectra.dtype == np.complex64 else np.float64)


def _slot_sums(wave: NDArray[Any], slot: int) -> Reals:
    """Sums of products per slot, shape (pairs, slots, 3)."""
    left, right = np.ascontiguousarray(wave).reshape(2, -1, slot)
    return sum_products(left, right).reshape(wave.shape[1], -1, 3)
