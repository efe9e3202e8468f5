"""True peak: how high the waveform stands between the samples, found exactly but looked for only where it can be.

Sits after the mix and before the limiter, and after the limiter to see that it holds. The bounds of
`interpolation` exclude most of a take by its largest samples per block, most of the rest by its second differences;
what is left is interpolated cell by cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals, Samples32
from render.finish.interpolation import HALF_FRAMES, ROUNDING, interpolation_bounds, read_windows
from render.finish.passage import Indices, Passage, Signal
from render.finish.slots import (
    TimeGrid,
    check_range,
    check_stereo,
    largest_sizes,
    measure_block_peaks,
    time_grid,
)

_SLOTS_AT_ONCE = 32
_BLOCKS_AT_ONCE = 128
_ROWS_AT_ONCE = 256


@dataclass(frozen=True, eq=False)
class PeakCells:
    """Cells whose guarded reading reaches a threshold.

    Attributes
    ----------
    cell : int64, shape (cells,)
        In order; cell c holds the time from frame c * cell_frames to the next. May be negative: a waveform can
        rise before its first sample.
    reading : float64, shape (cells,)
        Largest absolute value of the main interpolation, over both channels.
    guarded : float64, shape (cells,)
        The reading that the limiter goes by.
    """

    cell: Indices
    reading: Reals
    guarded: Reals

    @property
    def highest_reading(self) -> float:
        """Largest reading, 0 without any cell."""
        return float(self.reading.max(initial=0.0))

    @property
    def highest_guarded(self) -> float:
        """Largest guarded reading, 0 without any cell."""
        return float(self.guarded.max(initial=0.0))


def _spread(values: NDArray[Any]) -> NDArray[Any]:
    """Largest of each entry and its two neighbours along the first axis."""
    result = values.copy()
    np.maximum(result[1:], values[:-1], out=result[1:])
    np.maximum(result[:-1], values[1:], out=result[:-1])
    return result


def _slot_bends(
    signal: Signal, slots: Indices, *, grid: TimeGrid, tops: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Largest second difference per slot, of some slots; raise the tops of their blocks to the next first sample.

    Slot 0 is the silence before the signal. Whole slots, because many short rows would cost more than their
    sharper bound saves.
    """
    per_slot = grid.slot_frames // grid.block_frames
    bends = np.zeros((len(tops) // per_slot, 2), np.float32)
    for first, count in _runs(slots, most=_SLOTS_AT_ONCE):
        start = np.array([(first - 1) * grid.slot_frames - 1])
        window = signal.windows(start, count * grid.slot_frames + 2)[0]
        next_first = np.abs(window[:, 1 + grid.block_frames :: grid.block_frames])
        slopes = window[:, 1:] - window[:, :-1]
        bend = np.subtract(slopes[:, 1:], slopes[:, :-1], out=window[:, 2:])
        bends[first : first + count] = largest_sizes(bend.reshape(2, count, -1)).T
        blocks = slice(first * per_slot, (first + count) * per_slot)
        np.maximum(tops[blocks], next_first.T, out=tops[blocks])
    return bends


def _runs(slots: Indices, *, most: int) -> Iterator[tuple[int, int]]:
    """Neighbouring slots together, as first and count; no run is longer than `most`."""
    if not len(slots):
        return
    for run in np.split(slots, np.flatnonzero(np.diff(slots) > 1) + 1):
        for first in range(int(run[0]), int(run[-1]) + 1, most):
            yield first, min(most, int(run[-1]) + 1 - first)


def _candidate_blocks(
    signal: Signal, *, grid: TimeGrid, block_peaks: Samples32, least: float, blocks: Indices | None
) -> tuple[Indices, NDArray[np.float32]]:
    """Blocks that the bounds cannot exclude, and how far their waveform may stand above their samples."""
    bounds = interpolation_bounds()
    per_slot = grid.slot_frames // grid.block_frames
    after = per_slot + -len(block_peaks) % per_slot
    tops = np.pad(block_peaks, ((per_slot, after), (0, 0)))  # a slot of silence before, at least one after
    reach = _spread(tops)
    possible: NDArray[np.bool_] = np.any(bounds.peak * reach >= least, axis=1)
    if blocks is not None:
        asked = np.zeros_like(possible)
        asked[blocks + per_slot] = True
        possible &= asked
    needed = _spread(possible).reshape(-1, per_slot).any(axis=1)
    bends = _slot_bends(signal, np.flatnonzero(needed), grid=grid, tops=tops)
    beyond = bounds.ramp * reach + bounds.bend * _spread(np.repeat(bends, per_slot, axis=0))
    left = np.flatnonzero((tops + beyond >= least).any(axis=1) & possible)
    return left - per_slot, beyond[left].astype(np.float32)


def _candidate_cells(
    signal: Signal, *, grid: TimeGrid, block_peaks: Samples32, least: float, blocks: Indices | None
) -> tuple[Indices, NDArray[np.bool_]]:
    """Cells, and which of their channels, that the bounds cannot exclude."""
    left, beyond = _candidate_blocks(signal, grid=grid, block_peaks=block_peaks, least=least, blocks=blocks)
    per_block = grid.block_frames // grid.cell_frames
    cells, channels = [np.zeros(0, np.int64)], [np.zeros((0, 2), bool)]
    for first in range(0, len(left), _BLOCKS_AT_ONCE):
        some = slice(first, first + _BLOCKS_AT_ONCE)
        size = np.abs(signal.windows(left[some] * grid.block_frames, grid.block_frames + 1))
        inner = size[:, :, :-1].reshape(len(size), 2, per_block, grid.cell_frames).max(axis=-1)
        tops = np.maximum(inner, size[:, :, grid.cell_frames :: grid.cell_frames])
        over = (tops + beyond[some][:, :, np.newaxis] >= least).transpose(0, 2, 1).reshape(-1, 2)
        index = (left[some][:, np.newaxis] * per_block + np.arange(per_block)).ravel()
        any_channel = over.any(axis=1)
        cells.append(index[any_channel])
        channels.append(over[any_channel])
    return np.concatenate(cells), np.concatenate(channels)


def find_peaks(
    signal: Signal,
    *,
    sample_rate_hz: int,
    block_peaks: Samples32,
    threshold: float,
    blocks: Indices | None = None,
) -> PeakCells:
    """Find every cell whose guarded reading reaches a threshold.

    Parameters
    ----------
    signal : Signal
        A passage, or a passage under a gain curve.
    sample_rate_hz : int
    block_peaks : float32, shape (blocks, 2)
        Largest absolute sample per peak block of the signal, or more than that.
    threshold : float
        Greater than 0.
    blocks : int64, shape (some,), optional
        Look at these blocks only; -1 and the number of blocks are the silence before and after.

    Returns
    -------
    PeakCells
        Without an omission: what is not evaluated is excluded by the bounds of the module's docstring.

    Raises
    ------
    ValueError
        If the threshold is not greater than 0.
    """
    if not threshold > 0.0:
        raise ValueError(f"threshold must be greater than 0, not {threshold}")
    grid = time_grid(sample_rate_hz)
    cells, channels = _candidate_cells(
        signal, grid=grid, block_peaks=block_peaks, least=threshold * (1.0 - ROUNDING), blocks=blocks
    )
    read = read_cells(signal, cells, sample_rate_hz=sample_rate_hz, channels=channels, least=threshold)
    found = read.guarded >= threshold
    return PeakCells(cell=cells[found], reading=read.reading[found], guarded=read.guarded[found])


def read_cells(
    signal: Signal,
    cells: Indices,
    *,
    sample_rate_hz: int,
    channels: NDArray[np.bool_] | None = None,
    least: float = 0.0,
) -> PeakCells:
    """Interpolate in some cells.

    Parameters
    ----------
    signal : Signal
    cells : int64, shape (cells,)
    sample_rate_hz : int
    channels : bool, shape (cells, 2), optional
        Which channels to read; both if not given.
    least : float
        Cells whose guarded reading stays below this are not read to the last digit.

    Returns
    -------
    PeakCells
        One entry for each of `cells`.
    """
    cell_frames = time_grid(sample_rate_hz).cell_frames
    reading, guarded = np.zeros((len(cells), 2)), np.zeros((len(cells), 2))
    for first in range(0, len(cells), _ROWS_AT_ONCE):
        some = slice(first, first + _ROWS_AT_ONCE)
        windows = signal.windows(cells[some] * cell_frames - HALF_FRAMES, cell_frames + 2 * HALF_FRAMES)
        wanted = np.ones((len(windows), 2), bool) if channels is None else channels[some]
        reading[some][wanted], guarded[some][wanted] = read_windows(windows[wanted], cell_frames, least=least)
    return PeakCells(
        cell=cells, reading=reading.max(axis=1, initial=0.0), guarded=guarded.max(axis=1, initial=0.0)
    )


def measure_passage_peaks(
    passage: Passage, *, sample_rate_hz: int, store_peaks: Samples32 | None = None
) -> Samples32:
    """Largest absolute sample per peak block of a passage, its fades included.

    Parameters
    ----------
    passage : Passage
    sample_rate_hz : int
    store_peaks : float32, shape (blocks, 2), optional
        Of the whole store. Where the passage begins on their grid only its ends are measured again.

    Returns
    -------
    float32, shape (blocks, 2)
    """
    block = time_grid(sample_rate_hz).block_frames
    count = -(-passage.frames // block)
    skip, off_grid = divmod(passage.first_frame, block)
    if store_peaks is None or off_grid:
        peaks = measure_block_peaks(
            passage.store,
            sample_rate_hz=sample_rate_hz,
            first_frame=passage.first_frame,
            stop_frame=passage.stop_frame,
        )
    else:
        peaks = store_peaks[skip : skip + count].copy()
    changed = np.zeros(count, bool)
    changed[: -(-passage.fade_in_frames // block)] = True
    changed[max(0, (passage.frames - passage.fade_out_frames) // block) :] = True
    again = np.flatnonzero(changed)
    for first in range(0, len(again), _BLOCKS_AT_ONCE):
        some = again[first : first + _BLOCKS_AT_ONCE]
        peaks[some] = np.abs(passage.windows(some * block, block)).max(axis=-1)
    return peaks


def true_peak_gain(
    store: AnySamples,
    *,
    sample_rate_hz: int,
    first_frame: int = 0,
    stop_frame: int | None = None,
    block_peaks: Samples32 | None = None,
) -> float:
    """Measure the true peak of a range of a mix store.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
    sample_rate_hz : int
    first_frame, stop_frame : int
        The range; outside it there is silence.
    block_peaks : float32, shape (blocks, 2), optional
        Of this range, if they are known already.

    Returns
    -------
    float
        Largest absolute value of the interpolated waveform, linear; 0 for silence.

    Raises
    ------
    ValueError
        If the shape, the range or the sample rate is refused.

    Notes
    -----
    256 taps, eight values per sample refined by parabolas: within 0.002 dB of the top for all content up to 0.49 of
    the sample rate. The method of ITU-R BS.1770-5 Annex 2, with a longer filter than the one printed there.
    """
    check_stereo(store)
    stop = check_range(first_frame, stop_frame, len(store))
    if block_peaks is None:
        block_peaks = measure_block_peaks(
            store, sample_rate_hz=sample_rate_hz, first_frame=first_frame, stop_frame=stop
        )
    highest = float(block_peaks.max(initial=0.0))
    if highest == 0.0:
        return 0.0
    found = find_peaks(
        Passage(store, first_frame, stop),
        sample_rate_hz=sample_rate_hz,
        block_peaks=block_peaks,
        threshold=highest * (1.0 - ROUNDING),
    )
    return found.highest_reading
