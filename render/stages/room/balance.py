"""After the decay: four responses made equal and orthogonal, band by band and as a whole; the passes; the level.

Four independent noises have equal energies and no cross terms only on the average. One room has one chance, and the
rest is heard: a band stronger on the left, mid and side of different level. So energies and cross terms are
measured in third octaves (octaves below 500 Hz), and each response gets a little of the others, such that in every
band the four are orthonormal; then once more in all, by plain factors, which makes the whole exact. Of all such
mixtures the one that changes the responses least is taken: the inverse square root of their table of products
(Löwdin [1]_). The filters that do it are causal and broad, and add a few per cent at high frequencies, more where a
band holds few degrees of freedom.

References
----------
.. [1] P.-O. Löwdin, "On the non-orthogonality problem connected with the use of atomic wave functions", J. Chem. Phys.
   18, 1950, 365-375.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import fft

from render.audio.array import Complexes, Reals, Samples
from render.stages.minimum_phase import chain_response
from render.stages.passes import high_pass, low_pass
from render.stages.room.absorption import soft_bands
from render.stages.room.law import causal_spectrum

FILTER_S = 0.17
LEVEL_LOW_HZ, LEVEL_HIGH_HZ = 500.0, 2000.0

_ROUNDS = 3
_PART = 1 << 16


def balance_centres_hz(sample_rate_hz: float) -> Reals:
    """Octaves up to 500 Hz, third octaves above: a band narrower than that would follow single modes."""
    low = [62.5, 125.0, 250.0]
    count = math.floor(3.0 * math.log2(0.5 * sample_rate_hz / 500.0))
    return np.concatenate([low, 500.0 * np.exp2(np.arange(count) / 3.0)])


def transform_size(sample_rate_hz: float) -> int:
    """Length of the transforms used here: a power of two, twice the longest filter at least."""
    return 1 << math.ceil(math.log2(2.0 * FILTER_S * sample_rate_hz))


def cross_spectra(rows: Samples, *, sample_rate_hz: int) -> Complexes:
    """Products of the responses' spectra, added up over pieces of `FILTER_S`: what energies in any band come from.

    Parameters
    ----------
    rows : float64, shape (responses, frames)
    sample_rate_hz : int

    Returns
    -------
    complex128, shape (responses, responses, bins)
        First times conjugate of second; of transforms of `transform_size`.
    """
    size = transform_size(sample_rate_hz)
    hop = size // 2
    count = len(rows)
    products = np.zeros((count, count, size // 2 + 1), dtype=np.complex128)
    for start in range(0, rows.shape[1], hop):
        spectrum = fft.rfft(rows[:, start : start + hop], size, axis=1)
        conjugate = np.conj(spectrum)
        for first in range(count):
            products[first, first:] += spectrum[first] * conjugate[first:]
    for first in range(count):
        products[first + 1 :, first] = np.conj(products[first, first + 1 :])
    return products


def design_balance(products: Complexes, *, sample_rate_hz: int) -> Complexes:
    """Filters that make the responses orthonormal in every band, each with the mean energy of the four.

    Parameters
    ----------
    products : complex128, shape (responses, responses, bins)
        Of `cross_spectra`, times what the passes leave of each bin's energy: that is what has to come out even.
    sample_rate_hz : int

    Returns
    -------
    complex128, shape (responses, responses, bins)
        Close to the identity; causal. Between the centres of the bands the real part goes over on a raised cosine.
        The imaginary part follows from causality; it leaves energies and real products alone to first order, and the
        second order goes with repetition.
    """
    centres_hz = balance_centres_hz(sample_rate_hz)
    bins = products.shape[2]
    bands = soft_bands(np.linspace(0.0, 0.5 * sample_rate_hz, bins), centres_hz)
    mixture = np.repeat(np.eye(len(products))[np.newaxis], len(centres_hz), axis=0)
    filters = _between(mixture, bands)
    for _ in range(_ROUNDS):
        mixed = np.einsum("ijf,jkf->ikf", filters, products)
        mixed = np.einsum("ikf,jkf->ijf", mixed, np.conj(filters))
        mixture = np.einsum(
            "bij,bjk->bik", _inverse_roots(np.einsum("ijf,bf->bij", mixed.real, bands)), mixture
        )
        filters = _between(mixture, bands)
    return filters


def _between(mixture: Reals, bands: Reals) -> Complexes:
    return causal_spectrum(np.einsum("bij,bf->ijf", mixture, bands))


def make_orthonormal(rows: Samples) -> None:
    """Mix the responses by 16 factors such that as they stand they are orthogonal and of equal energy, in place.

    Parameters
    ----------
    rows : float64, shape (responses, frames)
        Nearly orthonormal already: the factors are close to 0 and 1. Their mean energy is kept.
    """
    parts = [rows[:, start : start + _PART] for start in range(0, rows.shape[1], _PART)]
    # einsum and not a matrix product, whose order of sums may depend on the number of threads
    products = np.sum([np.einsum("if,jf->ij", part, part) for part in parts], axis=0)
    mixture = _inverse_roots(products[np.newaxis])[0]
    for part in parts:
        part[:] = np.einsum("ij,jf->if", mixture, part)


def _inverse_roots(products: Reals) -> Reals:
    """Inverse square root of every table of products, scaled to mean energy 1.

    A band with too few degrees of freedom to hold four orthogonal responses (125 Hz in a room of 0.3 s) would
    be torn apart: no direction is raised or lowered by more than 6 dB.
    """
    energy = np.trace(products, axis1=1, axis2=2) / products.shape[1]
    energy = np.where(energy > 0.0, energy, 1.0)
    values, vectors = np.linalg.eigh(products / energy[:, np.newaxis, np.newaxis])
    roots = 1.0 / np.sqrt(np.clip(values, 0.25, 4.0))
    return np.asarray(np.einsum("bij,bj,bkj->bik", vectors, roots, vectors))


def passes_spectrum(*, sample_rate_hz: int, high_pass_hz: float, low_pass_hz: float) -> Complexes:
    """High-pass and low-pass of the room, Butterworth, 12 dB per octave, minimum phase.

    The same as the stages of those names, with the analogue magnitude at every sample rate.

    Parameters
    ----------
    sample_rate_hz : int
    high_pass_hz : float
        0: none.
    low_pass_hz : float
        Also above half the rate: then what it does below that is what counts.

    Returns
    -------
    complex128, shape (bins,)
        Of transforms of `transform_size`.
    """
    prototypes = [low_pass(cutoff_hz=low_pass_hz, slope_db_per_octave=12)]
    if high_pass_hz > 0.0:
        prototypes.append(high_pass(cutoff_hz=high_pass_hz, slope_db_per_octave=12))
    return chain_response(
        prototypes, sample_rate_hz=sample_rate_hz, fft_frames=transform_size(sample_rate_hz)
    )


def apply_filters(rows: Samples, *, filters: Complexes, sample_rate_hz: int) -> None:
    """Mix the responses through a square of filters, in place, by overlap-add.

    Parameters
    ----------
    rows : float64, shape (responses, frames)
        What the filters ring past the end is cut off.
    filters : complex128, shape (responses, responses, bins)
        To the first from the second; of transforms of `transform_size`. Their responses are cut to half of that.
    sample_rate_hz : int
    """
    size = transform_size(sample_rate_hz)
    hop = size // 2
    taps = fft.irfft(filters, size, axis=-1)
    taps[..., hop:] = 0.0
    causal = fft.rfft(taps, axis=-1)
    carried = np.zeros((len(rows), hop))
    for start in range(0, rows.shape[1], hop):
        spectrum = fft.rfft(rows[:, start : start + hop], size, axis=1)
        sound = fft.irfft(np.einsum("ijf,jf->if", causal, spectrum), size, axis=1)
        target = rows[:, start : start + hop]
        target[:] = (sound[:, :hop] + carried)[:, : target.shape[1]]
        carried = sound[:, hop:]


def band_energy(row: Reals, *, sample_rate_hz: int) -> float:
    """Energy of one response within 500 Hz to 2 kHz, as a share of an impulse's in the same band."""
    size = fft.next_fast_len(len(row), real=True)
    first = math.ceil(LEVEL_LOW_HZ * size / sample_rate_hz)
    last = math.floor(LEVEL_HIGH_HZ * size / sample_rate_hz) + 1
    spectrum = fft.rfft(row, size)[first:last]
    return float(np.sum(np.abs(spectrum) ** 2) / (last - first))
