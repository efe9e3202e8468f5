"""The time grid of the finish, and what is kept of a mix on it.

Four nested steps: *cells* of about a third of a millisecond (true peak, knots of the limiter's gain), *peak
blocks* of about 5 ms (largest absolute sample), *slots* of 20 ms (sums of squares, from which every loudness is
made), and five slots, the 100 ms hop of ITU-R BS.1770. The engine may deliver slots and peak blocks while it
convolves; otherwise `loudness.measure_slots` and `measure_block_peaks` make them from the mix store.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from render.audio.array import AnySamples, Reals, Samples32

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 768_000
SLOTS_PER_HOP = 5
_SLOT_S = 0.02
_CELLS_PER_S = 3_000.0
_BLOCK_FRAMES = 256


@dataclass(frozen=True)
class TimeGrid:
    """Frames per cell, per peak block and per slot; each divides the next."""

    cell_frames: int
    block_frames: int
    slot_frames: int


def _blocks_of(slot: int, sample_rate_hz: int) -> TimeGrid | None:
    """Split a slot into blocks of 144 to 300 frames and cells of about a third of a millisecond, if it can be."""
    aim = sample_rate_hz / _CELLS_PER_S
    found: list[tuple[int, float, TimeGrid]] = []
    for block in (b for b in range(144, min(300, slot) + 1) if slot % b == 0):
        cells = [c for c in range(1, block + 1) if block % c == 0 and aim / 1.5 <= c <= aim * 1.5]
        if cells:
            cell = min(cells, key=lambda c: (abs(math.log(c / aim)), c))
            grid = TimeGrid(cell_frames=cell, block_frames=block, slot_frames=slot)
            found.append((abs(block - _BLOCK_FRAMES), abs(math.log(cell / aim)), grid))
    return min(found, key=lambda entry: entry[:2])[2] if found else None


@lru_cache(maxsize=32)
def time_grid(sample_rate_hz: int) -> TimeGrid:
    """Grid of a sample rate: the slot is the number of frames nearest to 20 ms that can be split as needed.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.

    Returns
    -------
    TimeGrid
        At 48 kHz cells of 16, blocks of 240, slots of 960 frames; at 44.1 kHz 14, 294 and 882.

    Raises
    ------
    ValueError
        If the sample rate is outside its range.

    Notes
    -----
    At every usual rate the slot is 20 ms exactly. At rates such as 11025 or 44056 Hz, where 20 ms is no whole
    number or a prime one, it is off by less than 1 percent, far inside what EBU Tech 3341 allows a window.
    """
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
        raise ValueError(
            f"sample_rate_hz must be {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ}, not {sample_rate_hz}"
        )
    ideal = _SLOT_S * sample_rate_hz
    nearest = sorted(range(math.ceil(0.9 * ideal), math.floor(1.1 * ideal) + 1), key=lambda n: abs(n - ideal))
    return next(grid for grid in (_blocks_of(slot, sample_rate_hz) for slot in nearest) if grid is not None)


def slot_frames(sample_rate_hz: int) -> int:
    """Frames in a slot of 20 ms (48 kHz: 960, 44.1 kHz: 882); see `time_grid`."""
    return time_grid(sample_rate_hz).slot_frames


def peak_block_frames(sample_rate_hz: int) -> int:
    """Frames in a peak block: divides the slot, near to 256 and at most 300; see `time_grid`."""
    return time_grid(sample_rate_hz).block_frames


def cell_frames(sample_rate_hz: int) -> int:
    """Frames in a cell: divides the peak block, near to a third of a millisecond; see `time_grid`."""
    return time_grid(sample_rate_hz).cell_frames


@dataclass(frozen=True, eq=False)
class SlotPowers:
    """Sums of squares per slot: the columns are left x left, right x right, left x right.

    Attributes
    ----------
    weighted : float64, shape (slots, 3)
        Sums over each slot after K-weighting.
    plain : float64, shape (slots, 3)
        The same without weighting.
    sample_rate_hz : int
        Sets the length of a slot.
    frames : int
        All frames; the last slot may be a part only.
    """

    weighted: Reals
    plain: Reals
    sample_rate_hz: int
    frames: int

    def __post_init__(self) -> None:
        slots = -(-self.frames // slot_frames(self.sample_rate_hz))
        for name, sums in (("weighted", self.weighted), ("plain", self.plain)):
            if sums.shape != (slots, 3):
                raise ValueError(
                    f"{name} must have shape ({slots}, 3) for {self.frames} frames, not {sums.shape}"
                )

    @property
    def slot_frames(self) -> int:
        """Frames in one slot."""
        return slot_frames(self.sample_rate_hz)

    @property
    def whole_slots(self) -> int:
        """How many slots are complete; windows of loudness are made of these only."""
        return self.frames // self.slot_frames


def check_stereo(store: AnySamples, *, name: str = "store") -> None:
    """Refuse what is not `(frames, 2)`; nothing is copied or read."""
    if store.ndim != 2 or store.shape[1] != 2:
        raise ValueError(f"{name} must have shape (frames, 2), not {store.shape}")


def check_range(first_frame: int, stop_frame: int | None, frames: int) -> int:
    """Return where a range of frames ends, or refuse it."""
    stop = frames if stop_frame is None else stop_frame
    if not 0 <= first_frame <= stop <= frames:
        raise ValueError(
            f"first_frame and stop_frame must be in order and within 0 to {frames}, not {first_frame} and {stop_frame}"
        )
    return stop


def sum_products(left: AnySamples, right: AnySamples) -> Reals:
    """Sums of left x left, right x right, left x right along the last axis: `(rows, n)` twice to `(rows, 3)`."""
    sums = np.empty((len(left), 3))
    for column, (one, other) in enumerate(((left, left), (right, right), (left, right))):
        sums[:, column] = np.einsum("ij,ij->i", one, other)
    return sums


def measure_plain_slots(audio: AnySamples, *, sample_rate_hz: int) -> Reals:
    """Sums of squares of a piece that begins on the slot grid.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, 2)
        Each channel contiguous for speed.
    sample_rate_hz : int

    Returns
    -------
    float64, shape (slots, 3)
        Left x left, right x right, left x right; a last part of a slot is a slot of its own.
    """
    check_stereo(audio, name="audio")
    frames = slot_frames(sample_rate_hz)
    whole = len(audio) // frames * frames
    left, right = audio[:, 0], audio[:, 1]
    sums = sum_products(left[:whole].reshape(-1, frames), right[:whole].reshape(-1, frames))
    if whole == len(audio):
        return sums
    return np.concatenate([sums, sum_products(left[np.newaxis, whole:], right[np.newaxis, whole:])])


def largest_sizes(rows: AnySamples) -> AnySamples:
    """Largest absolute value along the last axis.

    Without its sign bit a float compares like a whole number, and the largest whole number is found three times as
    fast.
    """
    kind, magnitude = (np.int32, 0x7FFFFFFF) if rows.dtype == np.float32 else (np.int64, 0x7FFFFFFFFFFFFFFF)
    sizes = np.bitwise_and(rows.view(kind), kind(magnitude))
    largest: AnySamples = sizes.max(axis=-1).view(rows.dtype)
    return largest


def measure_block_peaks(
    store: AnySamples, *, sample_rate_hz: int, first_frame: int = 0, stop_frame: int | None = None
) -> Samples32:
    """Largest absolute sample per peak block and channel; the store is read once, block by block.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
        A mix store, or a piece of one that begins on the grid; a memory map is read in passing.
    sample_rate_hz : int
    first_frame, stop_frame : int
        The range; the grid begins at `first_frame`.

    Returns
    -------
    float32, shape (blocks, 2)
        A last part of a block counts as a block. Rounded to the nearest float32.
    """
    check_stereo(store)
    stop = check_range(first_frame, stop_frame, len(store))
    frames = peak_block_frames(sample_rate_hz)
    count = stop - first_frame
    peaks = np.empty((-(-count // frames), 2), np.float32)
    at_once = 1024
    for block in range(0, len(peaks), at_once):
        start = first_frame + block * frames
        end = min(start + at_once * frames, stop)
        whole = (end - start) // frames
        for channel in range(2):
            piece = store[start:end, channel]
            rows = piece[: whole * frames].reshape(whole, frames)
            peaks[block : block + whole, channel] = largest_sizes(rows)
            if whole * frames < len(piece):
                peaks[block + whole, channel] = np.abs(piece[whole * frames :]).max()
    return peaks
