"""Loudness of each source of a capture, block by block.

Beside the chain: the line check reads it, nothing of it is heard. The two filters of the K-weighting run through the
sound as it comes, and its energy is kept for every tenth of a second, so that an hour takes no room.
"""

from __future__ import annotations

import numpy as np

from render.audio.array import AnySamples, Reals
from render.finish.k_weighting import design_k_weighting
from render.finish.loudness import gated_loudness_lufs

HOPS_PER_BLOCK = 4
"""Gated blocks last 400 ms and begin every 100 ms (ITU-R BS.1770-5)."""

_FRAMES_AT_ONCE = 1 << 14  # what is worked on stays in the cache


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
        # Both sections in one, which is twice as fast; in double precision nothing is lost by that.
        shelf, high_pass = design_k_weighting(sample_rate_hz)
        self._numerator = np.convolve(shelf.b, high_pass.b)
        self._denominator = np.convolve((1.0, *shelf.a), (1.0, *high_pass.a))
        self._state = np.zeros((channels, len(self._numerator) - 1))
        self._hop = round(sample_rate_hz / 10)
        self._held = np.zeros(channels)  # energy of the hop that has begun
        self._frames = 0
        self._hops: list[Reals] = []

    def add(self, block: AnySamples) -> None:
        """Take the next block, shape (frames, channels)."""
        from scipy.signal import lfilter

        if block.ndim != 2 or block.shape[1] != len(self._held):
            raise ValueError(f"block must have shape (frames, {len(self._held)}), not {block.shape}")
        for first in range(0, len(block), _FRAMES_AT_ONCE):
            some = np.ascontiguousarray(block[first : first + _FRAMES_AT_ONCE].T, np.float64)
            weighted, self._state = lfilter(self._numerator, self._denominator, some, zi=self._state)
            self._add_squares(np.square(weighted, out=weighted))

    def loudness_lufs(self) -> tuple[float | None, ...]:
        """Loudness of each channel as far as it has been added; None where no block of 400 ms passes the gates."""
        if len(self._hops) < HOPS_PER_BLOCK:
            return (None,) * len(self._held)
        hops = np.lib.stride_tricks.sliding_window_view(np.stack(self._hops, axis=1), HOPS_PER_BLOCK, axis=1)
        powers = hops.sum(axis=-1) / (HOPS_PER_BLOCK * self._hop)
        return tuple(gated_loudness_lufs(channel) for channel in powers)

    def _add_squares(self, squares: Reals) -> None:
        """Sum squares, shape (channels, frames), between the ends of hops."""
        filled = self._frames % self._hop
        starts = np.concatenate([[0], np.arange(self._hop - filled, squares.shape[1], self._hop)])
        sums = np.add.reduceat(squares, starts, axis=1)
        sums[:, 0] += self._held
        done = (filled + squares.shape[1]) // self._hop
        self._hops.extend(sums[:, :done].T)
        self._held = sums[:, done] if done < sums.shape[1] else np.zeros(len(sums))
        self._frames += squares.shape[1]


def running_loudness_lufs(audio: AnySamples, *, sample_rate_hz: int) -> tuple[float | None, ...]:
    """Loudness of every channel of a whole array by itself."""
    gauge = RunningLoudness(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    gauge.add(audio)
    return gauge.loudness_lufs()
