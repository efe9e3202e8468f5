"""A take in third octaves, window by window: what noise, ends and likeness of takes are read from.

Between the shared windows (`frames`) and those measures. What is kept of an hour at 48 kHz is 10 MB.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from render.analysis.decay import OCTAVE_RATIO, band_centres_hz, band_edges_hz
from render.analysis.frames import Spectra, each_spectra, window_frames
from render.audio.array import AnySamples, Reals, Samples32

LOWEST_HZ, HIGHEST_HZ = 31.5, 20000.0
"""Nominal centres; bands that end above half the rate are left out."""

HEARD_FROM_HZ = 20.0
"""Constant voltage and what is slower than sound does not count as level."""

EVEN_HZ = (250.0, 8000.0)
"""Where a third octave holds ten bins or more, and notes most of what is heard of them."""


@dataclass(frozen=True, eq=False)
class Bands:
    """Powers of a take, window by window.

    Attributes
    ----------
    sample_rate_hz : float
    hop_s : float
        From one window to the next; a window lasts two hops.
    centre_hz : float64, shape (bands,)
        Exact mid-band frequencies of third octaves, base ten.
    power : float32, shape (windows, channels, bands)
        Mean square in each band.
    total : float32, shape (windows, channels)
        Mean square from 20 Hz to half the rate.
    evenness : float32, shape (windows, channels)
        Within third octaves of 250 Hz to 8 kHz, the squared mean of the bins' sizes against their mean square,
        A-weighted mean: pi / 4 for noise of any colour, 0.1 to 0.5 for notes, whose lines stand apart.
    """

    sample_rate_hz: float
    hop_s: float
    centre_hz: Reals
    power: Samples32
    total: Samples32
    evenness: Samples32


class BandGauge:
    """Adds up the powers of spectra in third octaves.

    A band is what lies between its edges, bins at the edges by their share: rectangular, no filter of a class. Between
    neighbours of a Hann window's bins, below about 60 Hz, bands run into each other.

    Parameters
    ----------
    sample_rate_hz : float
        Greater than 0.
    channels : int

    References
    ----------
    .. [1] IEC 61260-1:2014, 5.2 to 5.6: mid-band frequencies and edges, base ten.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._rate_hz = float(sample_rate_hz)
        self._size = window_frames(sample_rate_hz)
        self._channels = channels
        centres = band_centres_hz(LOWEST_HZ, HIGHEST_HZ, bands_per_octave=3)
        half = OCTAVE_RATIO ** (1.0 / 6.0)
        self.centre_hz: Reals = centres[centres * half <= 0.5 * sample_rate_hz]
        bin_hz = sample_rate_hz / self._size
        low, high = (
            np.array([band_edges_hz(float(c), bands_per_octave=3)[side] for c in self.centre_hz])
            for side in (0, 1)
        )
        # edges between bins: bin k reaches from k - 1/2 to k + 1/2
        edges = np.append(low, high[-1:]) / bin_hz + 0.5
        self._first = edges.astype(np.intp)
        self._share = (edges - self._first).astype(np.float32)
        self._from = math.ceil(HEARD_FROM_HZ / bin_hz)
        # one-sided mean square of sound under a Hann window whose squares add up to 3/8 of its length
        self._scale = np.float32(2.0 / (self._size * self._size * 0.375))
        even = centres[(centres >= EVEN_HZ[0]) & (centres <= min(EVEN_HZ[1], 0.4 * sample_rate_hz))]
        begins = np.round(np.append(even / half, even[-1:] * half) / bin_hz).astype(np.intp)
        self._even, self._even_bins = begins, np.diff(begins).astype(np.float32)
        self._even_weight = (10.0 ** (a_weighting_db(even) / 10.0)).astype(np.float32)
        self._power: list[Samples32] = []
        self._total: list[Samples32] = []
        self._evenness: list[Samples32] = []

    def add(self, spectra: Spectra) -> None:
        """Take the next spectra."""
        windows, channels, bins = spectra.bins.shape
        power = spectra.power.reshape(windows * channels, bins)
        begins = [self._from, *self._first, bins]
        sums = np.stack([power[:, a : max(a, b)].sum(axis=-1) for a, b in itertools.pairwise(begins)], axis=1)
        cut = power[:, self._first] * self._share
        bands = sums[:, 1:-1] - cut[:, :-1] + cut[:, 1:]
        np.maximum(bands, 0.0, out=bands)
        shape = windows, channels
        self._power.append((bands * self._scale).reshape(*shape, -1))
        self._total.append((sums.sum(axis=1) * self._scale).reshape(shape))
        self._evenness.append(self._evenness_of(power).reshape(shape))

    def _evenness_of(self, power: Samples32) -> Samples32:
        if not len(self._even_bins):
            return np.zeros(len(power), np.float32)
        bins = power[:, self._even[0] : self._even[-1]]
        at = self._even[:-1] - self._even[0]
        square = np.add.reduceat(bins, at, axis=1)
        size = np.add.reduceat(np.sqrt(bins), at, axis=1)
        whole = square @ self._even_weight
        even = (size * size / self._even_bins) @ self._even_weight
        return np.asarray(even / np.maximum(whole, np.finfo(np.float32).tiny), np.float32)

    def result(self) -> Bands:
        """Everything so far."""
        bands = len(self.centre_hz)
        none = np.zeros((0, self._channels, bands), np.float32)
        return Bands(
            sample_rate_hz=self._rate_hz,
            hop_s=0.5 * self._size / self._rate_hz,
            centre_hz=self.centre_hz,
            power=np.concatenate(self._power) if self._power else none,
            total=np.concatenate(self._total) if self._total else none[..., :1].reshape(0, self._channels),
            evenness=np.concatenate(self._evenness)
            if self._evenness
            else none[..., :1].reshape(0, self._channels),
        )


def measure_bands(audio: AnySamples, *, sample_rate_hz: float) -> Bands:
    """Third octaves of a whole take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float

    Returns
    -------
    Bands
    """
    gauge = BandGauge(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(spectra)
    return gauge.result()


def a_weighting_db(frequency_hz: Reals) -> Reals:
    """How much less the ear makes of a soft tone of a frequency, against 1 kHz.

    References
    ----------
    .. [1] IEC 61672-1:2013, 5.5 and annex E: poles at 20.60, 107.7, 737.9 and 12194 Hz, 0 dB at 1 kHz.
    """

    def gain(f: Reals) -> Reals:
        square = np.asarray(f, dtype=np.float64) ** 2
        below = (square + 107.65265**2) * (square + 737.86223**2)
        return np.asarray(square**2 / ((square + 20.598997**2) * np.sqrt(below) * (square + 12194.217**2)))

    return np.asarray(20.0 * np.log10(gain(frequency_hz) / gain(np.array(1000.0))), dtype=np.float64)
