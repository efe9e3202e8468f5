"""Loudness of each source of a capture, block by block.

Beside the chain: the line check reads it, nothing of it is heard. Stretches of some tenths of a second, each with what
was before it as a run-in, are weighted in the frequency domain (overlap-save), and the energy of every tenth of a
second is kept, so that an hour takes no room. Two channels are the real and the imaginary part of one transform.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals
from render.finish.k_weighting import k_weighting_response, k_weighting_run_in_frames
from render.finish.loudness import gated_loudness_lufs

HOPS_PER_BLOCK = 4
"""Gated blocks last 400 ms and begin every 100 ms (ITU-R BS.1770-5)."""

_HOPS_AT_ONCE = 3


class RunningLoudness:
    """Integrated loudness of every channel by itself.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.
    channels : int

    Raises
    ------
    ValueError
        If the sample rate is outside its range, or a block has another shape.
    """

    def __init__(self, *, sample_rate_hz: int, channels: int = 2) -> None:
        from scipy import fft

        self._hop = round(sample_rate_hz / 10)
        self._run_in = k_weighting_run_in_frames(sample_rate_hz)
        self._size = fft.next_fast_len(self._run_in + _HOPS_AT_ONCE * self._hop)
        self._size += self._size % 2
        frequency_hz = np.arange(self._size // 2 + 1) * (sample_rate_hz / self._size)
        response = k_weighting_response(frequency_hz, sample_rate_hz=sample_rate_hz)
        self._response = np.concatenate([response, np.conj(response[-2:0:-1])]).astype(np.complex64)
        self._channels = channels
        # The run-in, then what has come since; what lies past that is not read.
        self._held = np.zeros((-(-channels // 2), self._size), np.complex64)
        self._count = 0
        self._hops: list[Reals] = []

    def add(self, block: AnySamples) -> None:
        """Take the next block, shape (frames, channels)."""
        if block.ndim != 2 or block.shape[1] != self._channels:
            raise ValueError(f"block must have shape (frames, {self._channels}), not {block.shape}")
        whole, taken = _HOPS_AT_ONCE * self._hop, 0
        while taken < len(block):
            some = min(len(block) - taken, whole - self._count)
            first = self._run_in + self._count
            part = block[taken : taken + some].T
            self._held.real[:, first : first + some] = part[0::2]
            self._held.imag[: self._channels // 2, first : first + some] = part[1::2]
            self._count += some
            taken += some
            if self._count == whole:
                self._hops.append(self._weighted(self._held))
                self._held[:, : self._run_in] = self._held[:, whole : whole + self._run_in].copy()
                self._count = 0

    def loudness_lufs(self) -> tuple[float | None, ...]:
        """Loudness of each channel as far as it has been added; None where no block of 400 ms passes the gates."""
        rest = self._held.copy()
        rest[:, self._run_in + self._count :] = 0.0
        energy = np.concatenate([*self._hops, self._weighted(rest)[:, : self._count // self._hop]], axis=1)
        if energy.shape[1] < HOPS_PER_BLOCK:
            return (None,) * self._channels
        blocks = np.lib.stride_tricks.sliding_window_view(energy, HOPS_PER_BLOCK, axis=1).sum(axis=-1)
        powers = blocks[: self._channels] / (HOPS_PER_BLOCK * self._hop)
        return tuple(gated_loudness_lufs(channel) for channel in powers)

    def _weighted(self, sound: NDArray[np.complex64]) -> Reals:
        """Energy of each hop past the run-in, K-weighted: shape (channels, hops), one more if they are odd."""
        from scipy import fft

        spectrum = fft.fft(sound, axis=-1)
        spectrum *= self._response
        weighted = fft.ifft(spectrum, axis=-1, overwrite_x=True)
        hops = weighted[:, self._run_in : self._run_in + _HOPS_AT_ONCE * self._hop]
        hops = hops.reshape(len(sound), _HOPS_AT_ONCE, self._hop)
        parts = [np.einsum("ijk,ijk->ij", part, part) for part in (hops.real, hops.imag)]
        return np.stack(parts, axis=1).reshape(2 * len(sound), _HOPS_AT_ONCE).astype(np.float64)


def running_loudness_lufs(audio: AnySamples, *, sample_rate_hz: int) -> tuple[float | None, ...]:
    """Loudness of every channel of a whole array by itself."""
    gauge = RunningLoudness(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    gauge.add(audio)
    return gauge.loudness_lufs()
