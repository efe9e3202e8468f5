"""The bottom of a take in fine resolution: about 0 to 700 Hz, two seconds at a time.

Between the shared windows (`frames`) and what needs finer lines than they have: mains hum and body resonances. The
low band is put together again from the shared spectra themselves, at a low rate, so that the fine look costs next to
nothing.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from render.analysis.frames import Spectra, window_frames
from render.audio.array import Reals

Lows = NDArray[np.complex64]

TOP_HZ = 750.0
"""Half the low rate: the tenth multiple of 60 Hz, and every low resonance of a body, lie well below."""

FRAME_S = 2.0
"""A frame: a Hann window of two seconds parts lines 2 Hz apart (G2 from twice 50 Hz), a pluck fills one or two."""

PADDED = 2
"""Transforms are padded with silence to so many times a frame: bins of a quarter of a hertz."""


class LowFrames:
    """Turns shared spectra into half-overlapping frames of the low band, transformed.

    Spectra of Hann windows that overlap by half add up to the sound itself; cut off above `TOP_HZ` and transformed
    back they give the sound at a low rate, without any other filter (what lies above the cut leaks by the side lobes of
    the Hann window: less than -100 dB from 1 kHz up).

    Parameters
    ----------
    sample_rate_hz : float
        Of the take, greater than 0.
    channels : int

    Attributes
    ----------
    rate_hz : float
        Of the low band, about 1500 or the take's own if that is lower.
    frame_s, hop_s : float
        Length of a frame, and from one to the next: two seconds and one.
    frequency_hz : float64, shape (bins,)
        Of the padded transform.
    bin_hz : float
        From one bin to the next.
    first_s : float
        Middle of the first frame, from the take's beginning.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        size = window_frames(sample_rate_hz)
        self._bins = min(math.ceil(TOP_HZ * size / sample_rate_hz), size // 2)
        self._size = 2 * self._bins
        self._scale = self._size / size
        self.rate_hz = sample_rate_hz * self._scale
        self._frame = 2 * math.ceil(0.5 * FRAME_S * self.rate_hz)
        self._hop = self._frame // 2
        self.frame_s, self.hop_s = self._frame / self.rate_hz, self._hop / self.rate_hz
        self.bin_hz = self.rate_hz / (PADDED * self._frame)
        self.frequency_hz: Reals = np.asarray(np.arange(PADDED * self._hop + 1) * self.bin_hz, np.float64)
        self.first_s = 0.5 * size / sample_rate_hz + 0.5 * self.frame_s
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(self._frame) / self._frame)
        # a sine in the middle of a bin reads its RMS value
        self._window = (window * (math.sqrt(8.0) / self._frame)).astype(np.float32)
        # turned so that the phase is that of the middle of the frame
        self._turn = np.exp(1j * np.pi * np.arange(PADDED * self._hop + 1) / PADDED).astype(np.complex64)
        self._half: NDArray[np.float32] | None = None
        self._held = np.zeros((channels, 0), np.float32)

    def add(self, spectra: Spectra) -> Lows:
        """Take the next spectra and return the frames that they complete.

        Returns
        -------
        complex64, shape (frames, channels, bins)
            A sine in the middle of a bin reads its RMS value, with its phase in the middle of the frame.
        """
        low = spectra.bins[..., : self._bins + 1].copy()
        low[..., -1] = 0.0
        parts = fft.irfft(low, self._size, axis=-1) * np.float32(self._scale)
        begins, ends = parts[..., : self._bins], parts[..., self._bins :]
        sums = begins[1:] + ends[:-1]
        if self._half is not None:
            sums = np.concatenate([(begins[0] + self._half)[np.newaxis], sums])
        self._half = ends[-1].copy()
        stream = np.moveaxis(sums, 0, 1).reshape(parts.shape[1], -1)
        self._held = np.concatenate([self._held, stream], axis=1)
        count = max(0, (self._held.shape[1] - self._frame) // self._hop + 1)
        frames = np.empty((count, self._held.shape[0], len(self.frequency_hz)), np.complex64)
        for index in range(count):
            part = self._held[:, index * self._hop : index * self._hop + self._frame] * self._window
            frames[index] = fft.rfft(part, PADDED * self._frame, axis=-1)
        frames *= self._turn
        self._held = self._held[:, count * self._hop :].copy()
        return frames


def hann_gain(offset_bins: Reals) -> Reals:
    """What a Hann window leaves of a sine beside the middle of a bin, in bins of an unpadded transform."""
    x = np.asarray(offset_bins, dtype=np.float64)
    near = np.abs(np.abs(x) - 1.0) < 1e-6
    safe = np.where(near, 0.0, x)
    return np.asarray(np.where(near, 0.5, np.sinc(safe) / (1.0 - safe**2)), dtype=np.float64)
