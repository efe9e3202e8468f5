"""K-weighting of ITU-R BS.1770 at any sample rate, and its energy per slot out of a spectrum.

Sits beside the signal: nothing here is heard. The engine calls `weighted_slots_from_spectrum` with the spectra
that its convolution has in hand anyway, `loudness.measure_slots` with spectra of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from render.audio.array import Complexes, Reals
from render.finish.slots import slot_frames, sum_products, time_grid
from render.units import db_from_gain

Spectra: TypeAlias = NDArray[np.complex64] | NDArray[np.complex128]

# Analogue prototypes behind the two biquads that BS.1770-5 Annex 1 prints for 48 kHz (tables 1 and 2): the inverse
# bilinear transform of the tables, each section pre-warped at its own corner.
SHELF_HZ = 1681.974450955532
SHELF_Q = 0.7071752369554
SHELF_HIGH_GAIN = 1.5848647011309
SHELF_BAND_GAIN = 1.2587209302326
HIGH_PASS_HZ = 38.1354708761
HIGH_PASS_Q = 0.500327037325
HIGH_PASS_GAIN = 1.0049948987  # the table's numerator is 1, -2, 1, which is 0.0433 dB more than unity

RUN_IN_SLOTS = 3
# Above this the curve is flat within 0.07 dB, so one number stands for it there.
FLAT_ABOVE_HZ = 4_000.0
# A band may be left out of the transform as long as it holds no more than this share of the weighted energy. The
# share is added again, so only its place inside the block is guessed: on plucked strings 0.0003 LU of integrated
# loudness, 0.004 LU of the largest momentary loudness.
LARGEST_SHARE = 2e-3


@dataclass(frozen=True)
class Biquad:
    """Second-order section `(b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2)`."""

    b: tuple[float, float, float]
    a: tuple[float, float]


def design_k_weighting(sample_rate_hz: int) -> tuple[Biquad, Biquad]:
    """Shelf (the head) and high-pass of the K-weighting at a sample rate.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.

    Returns
    -------
    tuple of two Biquad
        Shelf, high-pass. At 48 kHz they are the printed tables.

    Raises
    ------
    ValueError
        If the sample rate is outside its range.

    Notes
    -----
    The standard asks for the same response at other rates. The numerator of the high-pass is therefore scaled
    with the prototype, not copied as 1, -2, 1, which would be off by up to 0.04 dB.

    References
    ----------
    .. [1] ITU-R BS.1770-5 (11/2023), Annex 1, tables 1 and 2.
    """
    time_grid(sample_rate_hz)
    k = math.tan(math.pi * SHELF_HZ / sample_rate_hz)
    a0 = 1.0 + k / SHELF_Q + k * k
    shelf = Biquad(
        b=(
            (SHELF_HIGH_GAIN + SHELF_BAND_GAIN * k / SHELF_Q + k * k) / a0,
            2.0 * (k * k - SHELF_HIGH_GAIN) / a0,
            (SHELF_HIGH_GAIN - SHELF_BAND_GAIN * k / SHELF_Q + k * k) / a0,
        ),
        a=(2.0 * (k * k - 1.0) / a0, (1.0 - k / SHELF_Q + k * k) / a0),
    )
    k = math.tan(math.pi * HIGH_PASS_HZ / sample_rate_hz)
    a0 = 1.0 + k / HIGH_PASS_Q + k * k
    b0 = HIGH_PASS_GAIN / a0
    high_pass = Biquad(
        b=(b0, -2.0 * b0, b0), a=(2.0 * (k * k - 1.0) / a0, (1.0 - k / HIGH_PASS_Q + k * k) / a0)
    )
    return shelf, high_pass


def k_weighting_response(frequency_hz: Reals, *, sample_rate_hz: int) -> Complexes:
    """Response of the digital K-weighting, exact.

    Parameters
    ----------
    frequency_hz : float64, shape (bins,)
        0 to half the sample rate.
    sample_rate_hz : int

    Returns
    -------
    complex128, shape (bins,)

    Raises
    ------
    ValueError
        If the sample rate is outside its range.
    """
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz, np.float64) / sample_rate_hz)
    response = np.ones_like(z)
    for section in design_k_weighting(sample_rate_hz):
        (b0, b1, b2), (a1, a2) = section.b, section.a
        response *= (b0 + z * (b1 + z * b2)) / (1.0 + z * (a1 + z * a2))
    return np.asarray(response, np.complex128)


def two_practices_lu(sample_rate_hz: int) -> float:
    """How much lower than here a meter reads that copies the numerator 1, -2, 1 at every sample rate.

    Both practices are in use, libebur128 has the copy. At 48 kHz they are one; at 96 kHz they are 0.022 LU apart,
    at 192 kHz 0.032 LU. A file that aims half of this above its target is right to 0.016 LU by either.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.

    Returns
    -------
    float
        LU; below 0 under 48 kHz.
    """
    _, high_pass = design_k_weighting(sample_rate_hz)
    return db_from_gain(high_pass.b[0])


def k_weighting_run_in_frames(sample_rate_hz: int) -> int:
    """Frames that a block must carry before its first valid one: what rings longer is below -125 dB.

    Three slots, 60 ms. An overlap-save block whose spectrum goes to `weighted_slots_from_spectrum` needs an
    overlap of the response's taps plus this.
    """
    return RUN_IN_SLOTS * slot_frames(sample_rate_hz)


@lru_cache(maxsize=16)
def _weights(sample_rate_hz: int, fft_frames: int, single: bool) -> Spectra:
    """K-weighting on the bins of a real transform; read-only."""
    frequency_hz = np.arange(fft_frames // 2 + 1, dtype=np.float64) * (sample_rate_hz / fft_frames)
    response = k_weighting_response(frequency_hz, sample_rate_hz=sample_rate_hz)
    weights = response.astype(np.complex64) if single else response
    weights.setflags(write=False)
    return weights


def _dots(spectra: Spectra) -> Reals:
    """Left x left, right x right and the real part of left x right, summed over bins: `(blocks, 3)`.

    Not by a dot product of the linear algebra library: its last bits depend on the number of processors.
    """
    parts: NDArray[Any] = spectra.view(np.float32 if spectra.dtype == np.complex64 else np.float64)
    return sum_products(parts[0::2], parts[1::2])


def _narrowings(sample_rate_hz: int, fft_frames: int, first_valid_frame: int) -> list[int]:
    """By how much the band may be narrowed: narrowest first, the full band last."""
    slot = slot_frames(sample_rate_hz)
    return [
        step
        for step in (4, 2, 1)
        if step == 1
        or (
            sample_rate_hz >= 2 * step * FLAT_ABOVE_HZ
            and fft_frames % (2 * step) == 0
            and first_valid_frame % step == 0
            and slot % step == 0
        )
    ]


def _weighted_band(
    spectra: Spectra, *, sample_rate_hz: int, fft_frames: int, first_valid_frame: int, largest_share: float
) -> tuple[Spectra, int, Reals, Reals]:
    """Weight as much of the band as is needed: the bins, the narrowing, the energy in them and above them.

    Both energies are sums over bins as in `_dots`. Bins are `fft_frames // (2 * step) + 1`; the last one is empty
    unless the band is whole.
    """
    weights = _weights(sample_rate_hz, fft_frames, spectra.dtype == np.complex64)
    half = fft_frames // 2
    energy = np.zeros((len(spectra) // 2, 3))
    weighted = np.empty((len(spectra), 1), spectra.dtype)
    *narrow, _ = _narrowings(sample_rate_hz, fft_frames, first_valid_frame)
    for step in narrow:
        done, top = weighted.shape[1] - 1, half // step
        weighted = _wider(weighted, spectra, weights, top)
        weighted[:, top] = 0.0
        energy += _dots(weighted[:, done:])
        above = _dots(spectra[:, top:]) * float(abs(weights[(top + half) // 2]) ** 2)
        lost, power = above[:, :2].sum(axis=1), energy[:, :2].sum(axis=1)
        if (lost <= largest_share * (power + lost)).all():
            return weighted, step, energy, above
    return _wider(weighted, spectra, weights, half), 1, energy, np.zeros_like(energy)


def _wider(weighted: Spectra, spectra: Spectra, weights: Spectra, top: int) -> Spectra:
    """Weight the bins up to `top` too; all but the last of those that are there already are kept."""
    done = weighted.shape[1] - 1
    wider = np.empty((len(spectra), top + 1), spectra.dtype)
    wider[:, :done] = weighted[:, :done]
    np.multiply(spectra[:, done : top + 1], weights[done : top + 1], out=wider[:, done:])
    return wider


def weighted_slots_from_spectrum(
    spectra: Spectra,
    *,
    sample_rate_hz: int,
    fft_frames: int,
    first_valid_frame: int,
    valid_frames: int,
    largest_share: float = LARGEST_SHARE,
) -> Reals:
    """Sums of squares after K-weighting per slot, from spectra of overlap-save blocks.

    Parameters
    ----------
    spectra : complex64 or complex128, shape (2 * blocks, fft_frames // 2 + 1)
        Real transforms of the finished blocks: left and right of the first block, of the second, and so on.
        Not changed.
    sample_rate_hz : int
    fft_frames : int
        Length of the transform, even.
    first_valid_frame : int
        Where in the block the slots begin: at least `k_weighting_run_in_frames` after the first frame that is
        not spoilt by the circular convolution.
    valid_frames : int
        A multiple of the slot.
    largest_share : float
        Part of a block's weighted energy that may be left out of the transform, see below.

    Returns
    -------
    float64, shape (blocks * slots, 3)
        Left x left, right x right, left x right, in order of time.

    Raises
    ------
    ValueError
        If the shapes do not fit each other, or the run-in is too short.

    Notes
    -----
    The lowest quarter of the band is transformed back at a quarter of the rate; what lies above is known from
    Parseval's theorem and shared out over the slots. Where that is more than the largest share of the energy,
    the blocks of the call are done with half the band, then with all of it. With the share as it stands
    integrated loudness is within 0.0005 LU. For speed the transform, the first valid frame and the slot should be
    multiples of 8, 4 and 4.
    """
    from scipy import fft

    slot = slot_frames(sample_rate_hz)
    if spectra.ndim != 2 or len(spectra) % 2 or fft_frames % 2 or spectra.shape[1] != fft_frames // 2 + 1:
        raise ValueError(
            f"spectra must have shape (2 * blocks, fft_frames // 2 + 1), not {spectra.shape} for {fft_frames}"
        )
    if valid_frames % slot or valid_frames <= 0:
        raise ValueError(f"valid_frames must be a multiple of {slot}, not {valid_frames}")
    run_in = k_weighting_run_in_frames(sample_rate_hz)
    if not run_in <= first_valid_frame <= fft_frames - valid_frames:
        raise ValueError(
            f"first_valid_frame must be {run_in} to {fft_frames - valid_frames}, not {first_valid_frame}"
        )
    weighted, step, energy, above = _weighted_band(
        spectra,
        sample_rate_hz=sample_rate_hz,
        fft_frames=fft_frames,
        first_valid_frame=first_valid_frame,
        largest_share=largest_share,
    )
    wave = fft.irfft(weighted, n=fft_frames // step, axis=-1, overwrite_x=True)
    first = first_valid_frame // step
    wave = wave[:, first : first + valid_frames // step].reshape(len(spectra), -1, slot // step)
    left, right = wave[0::2], wave[1::2]
    sums = np.empty((*left.shape[:2], 3))
    for column, (one, other) in enumerate(((left, left), (right, right), (left, right))):
        sums[:, :, column] = np.einsum("bsj,bsj->bs", one, other)
    # A transform of n / step bins comes back step times too large, and every value stands for step frames.
    sums /= step
    if step > 1:
        scale = 2.0 / fft_frames  # Parseval: from sums over bins to sums over frames
        power = sums[:, :, 0] + sums[:, :, 1]
        whole = scale * (energy[:, 0] + energy[:, 1])[:, np.newaxis]
        part = np.divide(power, whole, out=np.zeros_like(power), where=whole > 0.0)
        sums += part[:, :, np.newaxis] * (scale * above)[:, np.newaxis, :]
    return sums.reshape(-1, 3)
