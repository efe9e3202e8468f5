"""The ratio of a take's two sources in narrow cells, and how far to trust it: what takes of a session are told by.

Behind `cross`, whose sums are all it needs. What tells a guitar and how it is rigged is the response from one source to
the other: the piece played changes both alike. A body's resonances differ from guitar to guitar by a few per cent, so
cells are as narrow as the windows allow where modes lie apart, and a twelfth of an octave where they are many.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from render.analysis.bands import BandGauge
from render.analysis.coherence import pool, segment_weights
from render.analysis.cross import CrossGauge, CrossSpectra
from render.analysis.decay import band_edges_hz
from render.analysis.frames import SpectralFrames, each_spectra
from render.analysis.noise import Noise, noise_from_bands
from render.audio.array import AnySamples, Reals, Samples32

LOWEST_HZ, FINE_TOP_HZ, HIGHEST_HZ = 90.0, 300.0, 4000.0
"""Below, knocks and rumble are as loud as strings; above, nails and hands, and each string has a path of its own to the
microphone."""

FINE_HZ = 6.0
"""A bin of the shared windows: 5.2 to 5.9 Hz, by the sample rate. An air resonance of Q 16 is as wide."""

CELLS_PER_OCTAVE = 12.0

EDGES_HZ: Reals = np.concatenate(
    [
        np.arange(LOWEST_HZ, FINE_TOP_HZ, FINE_HZ),
        FINE_TOP_HZ * 2.0 ** (np.arange(CELLS_PER_OCTAVE * math.log2(HIGHEST_HZ / FINE_TOP_HZ)) / CELLS_PER_OCTAVE),
        [HIGHEST_HZ],
    ]
)  # fmt: skip
"""Where cells begin and end, the same at every sample rate, shape (cells + 1,)."""

CENTRE_HZ: Reals = np.sqrt(EDGES_HZ[:-1] * EDGES_HZ[1:])

FEWEST_SEGMENTS = 3
"""A take of less than 6 s says little of a guitar: a few notes."""

OVER_NOISE = 4.0
"""A cell must hold four times the noise, 6 dB, in both sources."""

BROAD = 25.0
"""Music sounds in 30 to 50 cells, by the entropy of its power; a few notes, or harmonics alone, in 10 to 20."""

SPARSE_DB = 8.0
"""Of a take that sounds in half as many: one partial in a wide cell says so little of what the rest of it does."""

_LEAST_COHERENCE = 0.02
_SILENT = 1e-30


@dataclass(frozen=True, eq=False)
class Profile:
    """How a take's second source stands to its first, cell by cell of `EDGES_HZ`.

    Attributes
    ----------
    ratio_db : float64, shape (cells,)
        Power of the second source over that of the first, noise taken off; not-a-number where either does not stand
        6 dB over its noise.
    coherence : float64, shape (cells,)
        Magnitude squared, 0 to 1, chance taken off.
    scatter_db : float64, shape (cells,)
        Standard deviation of the ratio from one stretch of some seconds to the next: by so much it depends on the
        notes played, on the string, on hands.
    blur_db : float64, shape (cells,)
        By so much more it may be another where the take's few notes are not, if the response is rugged: 0 for a take
        that sounds in many cells.
    """

    ratio_db: Reals
    coherence: Reals
    scatter_db: Reals
    blur_db: Reals

    @property
    def mirrored(self) -> Profile:
        """The same take with its sources exchanged."""
        return replace(self, ratio_db=-self.ratio_db)

    @property
    def doubt_db(self) -> Reals:
        """By so much the ratio may be wrong because the sources do not hold the same: noise, voices, knocks."""
        return np.asarray(-10.0 * np.log10(np.maximum(self.coherence, _LEAST_COHERENCE)), np.float64)


def profile_from_cross(spectra: CrossSpectra, noise: Sequence[Noise]) -> Profile:
    """Profile of a take of two sources.

    Parameters
    ----------
    spectra : CrossSpectra
        Of the whole take.
    noise : two of Noise
        Of the same take.

    Returns
    -------
    Profile
        Nothing but not-a-number for a take shorter than `FEWEST_SEGMENTS`.
    """
    cells = len(CENTRE_HZ)
    if len(spectra.windows) < FEWEST_SEGMENTS:
        return Profile(np.full(cells, np.nan), np.zeros(cells), np.zeros(cells), np.zeros(cells))
    weights = segment_weights(spectra)
    pooled = pool(spectra, weights=weights)
    frequency_hz = spectra.frequency_hz
    powers = [_in_cells(frequency_hz, power) for power in (pooled.first, pooled.second)]
    scale = spectra.power_scale / float(weights @ spectra.windows)
    floors = [_noise_in_cells(one) / scale for one in noise]
    told = np.logical_and.reduce(
        [
            (power > OVER_NOISE * floor) & (power > _SILENT)
            for power, floor in zip(powers, floors, strict=True)
        ]
    )
    first, second = (np.where(told, power - floor, 1.0) for power, floor in zip(powers, floors, strict=True))
    amount = np.sqrt(pooled.first * pooled.second)
    coherence = _in_cells(frequency_hz, amount * pooled.coherence) / np.maximum(
        _in_cells(frequency_hz, amount), _SILENT
    )
    return Profile(
        ratio_db=np.where(told, 10.0 * np.log10(second / first), np.nan),
        coherence=np.clip(coherence, 0.0, 1.0),
        scatter_db=_scatter_db(spectra, weights),
        blur_db=_blur_db(frequency_hz, amount),
    )


def measure_profile(audio: AnySamples, *, sample_rate_hz: float) -> Profile:
    """Profile of a whole take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, 2)
    sample_rate_hz : float

    Returns
    -------
    Profile
    """
    cross = CrossGauge(SpectralFrames(sample_rate_hz=sample_rate_hz))
    bands = BandGauge(sample_rate_hz=sample_rate_hz)
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        cross.add(spectra)
        bands.add(spectra)
    return profile_from_cross(cross.result(), noise_from_bands(bands.result()))


def _blur_db(frequency_hz: Reals, amount: Reals) -> Reals:
    """Doubt of the ratio in cells that are not filled, shape (cells,), by how few cells are sounded of all."""
    amount = amount / max(float(amount.max()), _SILENT)
    held = _in_cells(frequency_hz, amount)
    share = held / max(float(held.sum()), _SILENT)
    breadth = float(np.exp(-np.sum(share * np.log(np.maximum(share, _SILENT)))))
    bins = _in_cells(frequency_hz, np.ones(len(amount)))
    filled = held**2 / np.maximum(_in_cells(frequency_hz, amount**2) * bins, _SILENT)
    return np.asarray(
        SPARSE_DB * (1.0 - np.minimum(filled, 1.0)) * max(BROAD / breadth - 1.0, 0.0), np.float64
    )


def _scatter_db(spectra: CrossSpectra, weights: Reals) -> Reals:
    """Standard deviation of the ratio over the segments, each counting as much as it sounds."""
    first, second = (_in_cells(spectra.frequency_hz, power) for power in (spectra.first, spectra.second))
    amount = np.sqrt(first * second) * weights[:, np.newaxis]
    share = amount / np.maximum(amount.sum(axis=0), _SILENT)
    ratio_db = 10.0 * np.log10((second + _SILENT) / (first + _SILENT))
    mean_db = np.sum(share * ratio_db, axis=0)
    return np.asarray(np.sqrt(np.sum(share * (ratio_db - mean_db) ** 2, axis=0)), np.float64)


def _in_cells(frequency_hz: Reals, power: Reals | Samples32) -> Reals:
    """Power of bins, shape (..., bins), shared out to the cells: a bin reaches half way to its neighbours."""
    bin_hz = float(frequency_hz[1] - frequency_hz[0])
    at = np.clip(EDGES_HZ / bin_hz + 0.5, 0.0, power.shape[-1] - 1e-9)
    top = min(power.shape[-1], int(at[-1]) + 1)
    begin = int(at[0])
    sums = np.cumsum(power[..., begin:top], axis=-1, dtype=np.float64)
    sums = np.concatenate([np.zeros((*sums.shape[:-1], 1)), sums], axis=-1)
    below = at.astype(np.intp) - begin
    share = at - begin - below
    upper = np.minimum(below + 1, sums.shape[-1] - 1)
    cells = np.diff((1.0 - share) * sums[..., below] + share * sums[..., upper], axis=-1)
    return np.maximum(
        np.asarray(cells, np.float64), 0.0
    )  # sums are rounded: where there is nothing it may be less


def _noise_in_cells(noise: Noise) -> Reals:
    """Mean square of the noise in each cell, from its third octaves; none where the playing never stops."""
    if not noise.settled:
        return np.zeros(len(CENTRE_HZ))
    width_hz = np.array([np.ptp(band_edges_hz(float(hz), bands_per_octave=3)) for hz in noise.centre_hz])
    density = 10.0 ** (noise.band_dbfs / 10.0) / width_hz
    return np.asarray(
        np.interp(np.log(CENTRE_HZ), np.log(noise.centre_hz), density) * np.diff(EDGES_HZ), np.float64
    )
