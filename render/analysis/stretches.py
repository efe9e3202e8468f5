"""A take in stretches of samples, with the few figures per slot that all gauges of faults share.

First in the chain of the gauges that look at samples (levels, clipping, dropouts, clicks), as `frames` is for those
that look at spectra: blocks of a take go in, stretches of fixed length come out, each with some sound before and
after. The figures are bounds: where they exclude a fault, which is nearly everywhere, no gauge looks any closer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals, Samples32

Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

BLOCK_FRAMES = 1 << 17
"""Frames that `each_stretch` takes of an array at once."""

MARGIN_S = 0.085
"""Sound before and after that every stretch holds at least: more than twice what any gauge looks at around an event."""

_CORE_FRAMES = (
    1 << 18
)  # calls on longer rows: a quarter less time than a fourth of it; tiles stay in the cache
_TILE_FRAMES = 1 << 16
_STEPS_PER_S = 10
_DIFFERENCES = 4


@dataclass(frozen=True)
class SlotGrid:
    """Frames in a slot of about 5 ms, and slots in a step of a tenth of a second."""

    slot_frames: int
    slots_per_step: int


@dataclass(frozen=True, eq=False)
class Stretch:
    """Part of a take: a core, which is this stretch's own, between margins that belong to its neighbours.

    Before the take its first frame is repeated, after the take its last, so that no edge is seen where the take
    begins and ends.

    Attributes
    ----------
    first_slot : int
        Number of the slot with which the core begins; slot k begins at frame k * slot_frames of the take.
    slot_frames : int
    core : slice
        Slots of the core among all slots held.
    begin, end : int
        Where in `sound` the take begins and ends; 0 and its length in the middle of a take.
    sound : float32, shape (channels, frames)
        Each channel contiguous. Valid until the next stretch is asked for.
    highest, lowest : float32, shape (channels, slots)
        Of the samples of each slot.
    sums, squares : float64, shape (channels, slots)
        Of the samples of each slot, and of their squares; only what lies inside the take.
    repeats : int64, shape (channels, slots)
        How many samples equal the one before them.
    bend_peaks : float32, shape (channels, slots)
        Largest size of the fourth difference: next to nothing for smooth sound, six times the height for a click.
    bend_squares : float32, shape (channels, slots)
        Sum of its squares.
    """

    first_slot: int
    slot_frames: int
    core: slice
    begin: int
    end: int
    sound: Samples32
    highest: Samples32
    lowest: Samples32
    sums: Reals
    squares: Reals
    repeats: Counts
    bend_peaks: Samples32
    bend_squares: Samples32

    @property
    def first_frame(self) -> int:
        """Frame of the take at which `sound` begins; negative before the take."""
        return (self.first_slot - int(self.core.start)) * self.slot_frames

    @property
    def core_frames(self) -> tuple[int, int]:
        """Where in `sound` the core begins and ends."""
        return int(self.core.start) * self.slot_frames, min(self.core.stop * self.slot_frames, self.end)


@dataclass(eq=False)
class _Figures:
    """What is measured per slot, channel by channel."""

    highest: Samples32
    lowest: Samples32
    sums: Reals
    squares: Reals
    repeats: Counts
    bend_peaks: Samples32
    bend_squares: Samples32

    @classmethod
    def empty(cls, channels: int, slots: int) -> _Figures:
        single = (np.zeros((channels, slots), np.float32) for _ in range(4))
        double = (np.zeros((channels, slots)) for _ in range(2))
        return cls(
            next(single),
            next(single),
            next(double),
            next(double),
            np.zeros((channels, slots), np.int64),
            next(single),
            next(single),
        )

    def arrays(self) -> tuple[NDArray[np.generic], ...]:
        return (
            self.highest,
            self.lowest,
            self.sums,
            self.squares,
            self.repeats,
            self.bend_peaks,
            self.bend_squares,
        )


def slot_grid(sample_rate_hz: float) -> SlotGrid:
    """Slots of about 5 ms, a whole number of which makes a tenth of a second.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.

    Returns
    -------
    SlotGrid
        240 frames and 20 slots at 48 kHz, 245 and 18 at 44.1 kHz. Where a tenth of a second is no whole number
        of frames, or has no divisor near 20, the step is off by less than 2 percent.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz >= 1000.0):
        raise ValueError(f"sample_rate_hz = {sample_rate_hz}: must be at least 1000")
    step = round(sample_rate_hz / _STEPS_PER_S)
    fitting = [slots for slots in range(16, 26) if step % slots == 0] if step == sample_rate_hz / 10 else []
    slots = min(fitting, key=lambda count: abs(count - 20), default=20)
    return SlotGrid(slot_frames=round(step / slots), slots_per_step=slots)


class Stretches:
    """Cuts a take, handed over block by block, into stretches.

    Stretches are the same however the take is cut into blocks.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.
    channels : int
        At least 1.

    Attributes
    ----------
    grid : SlotGrid
    frames : int
        Frames taken so far.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self.grid = slot_grid(sample_rate_hz)
        if channels < 1:
            raise ValueError(f"channels = {channels}: must be at least 1")
        self.channels = channels
        self.frames = 0
        slot = self.grid.slot_frames
        self._margin = math.ceil(MARGIN_S * sample_rate_hz / slot)
        self._slots = 2 * self._margin + max(1, _CORE_FRAMES // slot)
        # One spare frame of context for every order of difference stands before the sound.
        self._held = np.zeros((channels, _DIFFERENCES + self._slots * slot), np.float32)
        self._sound = self._held[:, _DIFFERENCES:]
        self._figures = _Figures.empty(channels, self._slots)
        self._filled = self._margin * slot
        self._measured = 0  # slots whose figures are known
        self._next = -self._margin  # number of the first slot held
        self._bend = np.empty(max(1, _TILE_FRAMES // slot) * slot + _DIFFERENCES, np.float32)
        self._other = np.empty_like(self._bend)

    def add(self, block: AnySamples) -> Iterator[Stretch]:
        """Take the next block and yield the stretches that it completes, one at a time.

        Parameters
        ----------
        block : float32 or float64, shape (frames, channels)
            Of any length, not changed.

        Yields
        ------
        Stretch
            To be used before the next is asked for: its arrays are used again.

        Raises
        ------
        ValueError
            If the number of channels is another.
        """
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"block must have shape (frames, {self.channels}), not {block.shape}")
        if len(block) and not self.frames:
            self._held[:, : _DIFFERENCES + self._filled] = block[0][:, np.newaxis]
        taken = 0
        while taken < len(block):
            some = min(self._sound.shape[1] - self._filled, len(block) - taken)
            self._sound[:, self._filled : self._filled + some] = block[taken : taken + some].T
            taken += some
            self.frames += some
            self._filled += some
            if self._filled == self._sound.shape[1]:
                yield self._stretch(self._slots - self._margin)
                self._shift()

    def finish(self) -> Iterator[Stretch]:
        """Yield what is left; nothing for a take without frames."""
        slot = self.grid.slot_frames
        while self.frames and (self._next + self._margin) * slot < self.frames:
            self._sound[:, self._filled :] = self._sound[:, self._filled - 1, np.newaxis]
            left = -(-(self.frames - (self._next + self._margin) * slot) // slot)
            yield self._stretch(min(self._slots - self._margin, self._margin + left))
            self._filled = self._sound.shape[1]
            self._shift()

    def _shift(self) -> None:
        """Let the core go; the two margins become the margin before and the beginning of the next core."""
        slot = self.grid.slot_frames
        kept = 2 * self._margin
        gone = self._slots - kept
        tail = self._held[:, gone * slot :].copy()
        self._held[:, : tail.shape[1]] = tail
        for array in self._figures.arrays():
            array[:, :kept] = array[:, gone:].copy()
        self._measured = kept
        self._filled = kept * slot
        self._next += gone

    def _stretch(self, core_stop: int) -> Stretch:
        slot = self.grid.slot_frames
        for channel in range(self.channels):
            self._measure(channel)
        begin = max(0, -self._next * slot)
        end = min(self._sound.shape[1], self.frames - self._next * slot)
        self._sum_ends(begin, end)
        figures = self._figures
        return Stretch(
            first_slot=self._next + self._margin,
            slot_frames=slot,
            core=slice(self._margin, core_stop),
            begin=begin,
            end=end,
            sound=self._sound,
            highest=figures.highest,
            lowest=figures.lowest,
            sums=figures.sums,
            squares=figures.squares,
            repeats=figures.repeats,
            bend_peaks=figures.bend_peaks,
            bend_squares=figures.bend_squares,
        )

    def _measure(self, channel: int) -> None:
        """Figures of the slots not measured yet, tile by tile."""
        slot, figures = self.grid.slot_frames, self._figures
        sound = self._held[channel]
        ones = np.ones(slot, np.float32)
        at_once = max(1, _TILE_FRAMES // slot)
        for first in range(self._measured, self._slots, at_once):
            tile = slice(first, min(first + at_once, self._slots))
            begin, end = _DIFFERENCES + tile.start * slot, _DIFFERENCES + tile.stop * slot
            rows = sound[begin:end].reshape(-1, slot)
            figures.highest[channel, tile], figures.lowest[channel, tile] = _extremes(rows)
            figures.sums[channel, tile] = rows @ ones
            figures.squares[channel, tile] = np.einsum("ij,ij->i", rows, rows)
            same = sound[begin:end] == sound[begin - 1 : end - 1]
            figures.repeats[channel, tile] = count_true(same.reshape(-1, slot))
            bends = self._bends(sound[begin - _DIFFERENCES : end]).reshape(-1, slot)
            figures.bend_squares[channel, tile] = np.einsum("ij,ij->i", bends, bends)
            sizes = np.bitwise_and(bends.view(np.int32), np.int32(0x7FFFFFFF))
            figures.bend_peaks[channel, tile] = sizes.max(-1).view(np.float32)

    def _bends(self, sound: Samples32) -> Samples32:
        """Fourth difference of each sample and the four before it."""
        source, count = sound, len(sound)
        for target in (self._bend, self._other, self._bend, self._other):
            count -= 1
            source = np.subtract(source[1:], source[:-1], out=target[:count])
        return source

    def _sum_ends(self, begin: int, end: int) -> None:
        """Sums without what only stands for the silence around the take."""
        slot, figures = self.grid.slot_frames, self._figures
        figures.sums[:, : begin // slot] = 0.0
        figures.squares[:, : begin // slot] = 0.0
        last, over = divmod(end, slot)
        figures.sums[:, last + 1 :] = 0.0
        figures.squares[:, last + 1 :] = 0.0
        if last < self._slots:
            part = self._sound[:, last * slot : last * slot + over].astype(np.float64)
            figures.sums[:, last] = part.sum(-1)
            figures.squares[:, last] = np.square(part).sum(-1)


def _extremes(rows: Samples32) -> tuple[Samples32, Samples32]:
    """Highest and lowest sample of each row.

    As whole numbers floats are found three times as fast: signed, the largest is the highest sample unless all
    are negative; unsigned, it is the lowest unless none is. Such rows are looked at again.
    """
    highest = rows.view(np.int32).max(-1).view(np.float32)
    lowest = rows.view(np.uint32).max(-1).view(np.float32)
    below, above = np.signbit(highest), ~np.signbit(lowest)
    if below.any():
        highest[below] = rows[below].max(-1)
    if above.any():
        lowest[above] = rows[above].min(-1)
    return highest, lowest


def count_true(flags: Flags) -> Counts:
    """How many are true in each row: the sum of bytes is three times as fast as counting."""
    kind = np.uint8 if flags.shape[-1] < 256 else np.uint16
    return np.asarray(flags.view(np.uint8).sum(-1, dtype=kind), np.int64)


def each_stretch(audio: AnySamples, *, sample_rate_hz: float) -> Iterator[Stretch]:
    """All stretches of a whole array: what `Stretches` gives a stream.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float

    Yields
    ------
    Stretch
        In order, each to be used before the next; none for an array without frames.
    """
    stretches = Stretches(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for first in range(0, len(audio), BLOCK_FRAMES):
        yield from stretches.add(audio[first : first + BLOCK_FRAMES])
    yield from stretches.finish()
