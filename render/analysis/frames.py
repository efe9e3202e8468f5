"""Windowed transforms of a take, one pass that all spectral gauges share.

First in the chain of measurement: blocks of a take go in, spectra of overlapping windows come out, and each gauge
(hum, coherence, long-term spectrum, ...) adds up what it needs of them. Nothing of the take is kept but the frames
that the next window still needs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy import fft

from render.audio.array import AnySamples, Reals, Samples32

Spectrum32 = NDArray[np.complex64]

WINDOW_S = 0.17
"""A window lasts at least this long, so that neighbouring semitones of the lowest strings (4.9 Hz apart at E2), and
mains hum beside a note, fall into bins of their own; a body resonance (Q about 10 to 40 near 100 Hz) rings shorter."""

BLOCK_FRAMES = 1 << 17
"""Frames that `each_spectra` hands over at once: 2.7 s at 48 kHz, 1 MB of stereo."""

_WINDOWS_AT_ONCE = (
    4  # of two channels: scratch of 0.5 MB at 48 kHz stays in the cache, and the transform gets its lanes
)
_SMALLEST = 16


@dataclass(frozen=True)
class Spectra:
    """Spectra of successive windows.

    Attributes
    ----------
    first_window : int
        Number of the first of them; window k begins at frame k * hop of the take.
    bins : complex64, shape (windows, channels, bins)
        Transforms of sound times Hann window, not scaled: a full-scale sine in the middle of a bin reads size / 4.
    """

    first_window: int
    bins: Spectrum32

    @cached_property
    def power(self) -> Samples32:
        """Squared size of each bin, made once for all gauges that want it."""
        return np.square(np.abs(self.bins))


def window_frames(sample_rate_hz: float) -> int:
    """Length of a window: the shortest of 2**k and 3 * 2**k frames that lasts `WINDOW_S`.

    8192 at 44.1 and 48 kHz (171 ms at the latter), 16384 at 88.2 and 96, 32768 at 176.4 and 192, 1536 at 8 kHz.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0.0):
        raise ValueError(f"sample_rate_hz = {sample_rate_hz}: must be greater than 0")
    least = WINDOW_S * sample_rate_hz
    size = _SMALLEST
    while size < least:
        size = size * 3 // 2 if size & (size - 1) == 0 else size * 4 // 3
    return size


class SpectralFrames:
    """Cuts a take, handed over block by block, into half-overlapping Hann windows and transforms them.

    Window k begins at frame k * hop. Windows are the same however the take is cut into blocks.

    Parameters
    ----------
    sample_rate_hz : float
        Greater than 0.
    channels : int
        At least 1.

    Attributes
    ----------
    size : int
        Frames of a window.
    hop : int
        Frames from the beginning of one to the next: half the size, so that squared windows nearly, and windows
        exactly, add up to a constant.
    frequency_hz : float64, shape (bins,)
        Middle of each bin, from 0 to half the rate.
    window_energy : float
        Sum of the squared window: ``2 * abs(bin)**2 / (sample_rate_hz * window_energy)`` is a one-sided power
        density (no factor 2 for the first and the last bin).
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self.size = window_frames(sample_rate_hz)
        if channels < 1:
            raise ValueError(f"channels = {channels}: must be at least 1")
        self.sample_rate_hz = float(sample_rate_hz)
        self.channels = channels
        self.hop = self.size // 2
        self.frequency_hz: Reals = np.asarray(
            np.arange(self.hop + 1) * (self.sample_rate_hz / self.size), np.float64
        )
        # Periodic Hann: shifted by half its length and added to itself it is exactly 1.
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(self.size) / self.size)
        self.window_energy = float(np.sum(window**2))
        self._window = window.astype(np.float32)
        self._held = np.zeros((channels, 2 * self.size), np.float32)  # planar; begins with the next window
        self._count = 0  # frames held
        self._next = 0  # number of the next window
        self._scratch = np.empty((_WINDOWS_AT_ONCE, channels, self.size), np.float32)

    def add(self, block: AnySamples) -> Spectra | None:
        """Take the next block and return the windows that it completes.

        Parameters
        ----------
        block : float32 or float64, shape (frames, channels)
            Of any length, not changed.

        Returns
        -------
        Spectra or None
            None if no window has become complete.

        Raises
        ------
        ValueError
            If the number of channels is another.
        """
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"block must have shape (frames, {self.channels}), not {block.shape}")
        end = self._count + len(block)
        if end > self._held.shape[1]:
            longer = np.zeros((self.channels, end + self.size), np.float32)
            longer[:, : self._count] = self._held[:, : self._count]
            self._held = longer
        self._held[:, self._count : end] = block.T
        self._count = end
        windows = (end - self.size) // self.hop + 1 if end >= self.size else 0
        if not windows:
            return None
        spectra = self._transform(windows)
        done = windows * self.hop
        self._held[:, : end - done] = self._held[:, done:end].copy()
        self._count = end - done
        return spectra

    def finish(self) -> Spectra | None:
        """Return the last window, what is left of the take and then silence.

        Returns
        -------
        Spectra or None
            One window where frames are left that no window has held: so also for a take shorter than a window.
            None otherwise.
        """
        already_seen = self.size - self.hop if self._next else 0
        if self._count <= already_seen:
            return None
        self._held[:, self._count : self.size] = 0.0
        self._count = 0
        return self._transform(1)

    def _transform(self, windows: int) -> Spectra:
        """Spectra of the first windows held."""
        strides = self._held.strides
        framed: Samples32 = as_strided(
            self._held,
            (windows, self.channels, self.size),
            (self.hop * strides[1], *strides),
            writeable=False,
        )
        bins = np.empty((windows, self.channels, self.hop + 1), np.complex64)
        for first in range(0, windows, _WINDOWS_AT_ONCE):
            some = slice(first, min(first + _WINDOWS_AT_ONCE, windows))
            faded = self._scratch[: some.stop - first]
            np.multiply(framed[some], self._window, out=faded)
            bins[some] = fft.rfft(faded, axis=-1)
        spectra = Spectra(first_window=self._next, bins=bins)
        self._next += windows
        return spectra


def each_spectra(audio: AnySamples, *, sample_rate_hz: float) -> Iterator[Spectra]:
    """All spectra of a whole array, block by block: what `SpectralFrames` gives a stream.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float

    Yields
    ------
    Spectra
        In order; none for an array without frames.
    """
    frames = SpectralFrames(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for first in range(0, len(audio), BLOCK_FRAMES):
        spectra = frames.add(audio[first : first + BLOCK_FRAMES])
        if spectra is not None:
            yield spectra
    last = frames.finish()
    if last is not None:
        yield last
