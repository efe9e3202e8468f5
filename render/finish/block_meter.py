"""Loudness sums and true peak of a finished sound that comes block by block, as a decoder gives it.

Beside the chain: nothing of it is heard. The same measurements as `loudness` and `true_peak` make of a mix store.
"""

from __future__ import annotations

import numpy as np

from render.audio.array import AnySamples, Reals, Samples32
from render.finish.interpolation import HALF_FRAMES, ROUNDING
from render.finish.k_weighting import RUN_IN_SLOTS
from render.finish.loudness import measure_window_slots
from render.finish.passage import Passage
from render.finish.slots import SlotPowers, measure_block_peaks, time_grid
from render.finish.true_peak import find_peaks

_SLOTS_AT_ONCE = 122  # two stretches of 61 slots: with their run-in a good length for the transform
_STRETCH_SLOTS = 61


class BlockMeter:
    """Measures a sound of two channels, handed over block by block.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.

    Raises
    ------
    ValueError
        If the sample rate is outside its range, or a block has not two channels.

    Notes
    -----
    The result does not depend on how the take is cut into blocks: work is done on a grid of its own.

    References
    ----------
    .. [1] ITU-R BS.1770-5 (11/2023), Annex 1 (loudness) and Annex 2 (true peak).
    """

    def __init__(self, *, sample_rate_hz: int) -> None:
        self._grid = time_grid(sample_rate_hz)
        self._sample_rate_hz = sample_rate_hz
        slot = self._grid.slot_frames
        # In front of what is measured next lies what the weighting filter and the interpolator have still to hear.
        self._before = max(RUN_IN_SLOTS, -(-HALF_FRAMES // slot)) * slot
        self._chunk = _SLOTS_AT_ONCE * slot
        self._held: Samples32 = np.zeros((self._before + self._chunk + HALF_FRAMES, 2), np.float32, order="F")
        self._filled = self._before
        self._frames = 0
        self._sums: list[tuple[Reals, Reals]] = [(np.zeros((0, 3)), np.zeros((0, 3)))]
        self._highest = [0.0, 0.0]

    def add(self, block: AnySamples) -> None:
        """Take the next block, shape (frames, 2)."""
        if block.ndim != 2 or block.shape[1] != 2:
            raise ValueError(f"block must have shape (frames, 2), not {block.shape}")
        at = 0
        while at < len(block):
            count = min(len(block) - at, len(self._held) - self._filled)
            self._held[self._filled : self._filled + count] = block[at : at + count]
            self._filled += count
            at += count
            if self._filled == len(self._held):
                self._measure(self._chunk)
                self._move_on()
        self._frames += len(block)

    def finish(self) -> SlotPowers:
        """Sums per slot of both channels together; nothing may be added afterwards."""
        self._held[self._filled :] = 0.0
        while (left := self._filled - self._before) > 0:
            self._measure(min(left + HALF_FRAMES, self._chunk))
            self._move_on()
            self._held[max(self._filled, 0) :] = 0.0
        count = -(-self._frames // self._grid.slot_frames)
        weighted, plain = (np.concatenate(sums) for sums in zip(*self._sums, strict=True))
        return SlotPowers(
            weighted=weighted[:count],
            plain=plain[:count],
            sample_rate_hz=self._sample_rate_hz,
            frames=self._frames,
        )

    @property
    def true_peak_gain(self) -> float:
        """Highest of both channels, once finished."""
        return max(self._highest)

    def _move_on(self) -> None:
        """Let go of what has been measured."""
        kept = self._held[self._chunk :].copy()
        self._held[: len(kept)] = kept
        self._filled -= self._chunk

    def _measure(self, frames: int) -> None:
        """Loudness sums and peaks of the next so many frames held."""
        self._sum_slots(frames)
        peaks = measure_block_peaks(self._held, sample_rate_hz=self._sample_rate_hz)
        first = self._before // self._grid.block_frames
        # One block earlier: a waveform may rise before the first sample.
        blocks = np.arange(first - 1, first + -(-frames // self._grid.block_frames))
        for source in range(2):
            self._find_peak(source, peaks, blocks)

    def _sum_slots(self, frames: int) -> None:
        slot = self._grid.slot_frames
        slots = -(-frames // slot)
        stretches = -(-slots // _STRETCH_SLOTS)
        weighted, plain = measure_window_slots(
            Passage(self._held, 0, self._filled),
            np.arange(stretches, dtype=np.int64) * _STRETCH_SLOTS,
            slots_each=_STRETCH_SLOTS,
            sample_rate_hz=self._sample_rate_hz,
            offset_frames=self._before,
        )
        self._sums.append((weighted.reshape(-1, 3)[:slots], plain.reshape(-1, 3)[:slots]))

    def _find_peak(
        self, source: int, peaks: Samples32, blocks: np.ndarray[tuple[int], np.dtype[np.int64]]
    ) -> None:
        """Look for something higher than what was found so far."""
        least = max(self._highest[source], float(peaks[blocks, source].max()))
        if least == 0.0:
            return
        alone = np.zeros(self._held.shape, np.float32, order="F")
        alone[:, 0] = self._held[:, source]
        own = np.zeros_like(peaks)
        own[:, 0] = peaks[:, source]
        found = find_peaks(
            Passage(alone, 0, len(alone)),
            sample_rate_hz=self._sample_rate_hz,
            block_peaks=own,
            threshold=least * (1.0 - ROUNDING),
            blocks=blocks,
        )
        self._highest[source] = max(self._highest[source], found.highest_reading)
