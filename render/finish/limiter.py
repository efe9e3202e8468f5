"""Look-ahead limiter for true peaks: one gain for both channels, never above 0 dB, exactly 1 where nothing is over.

Sits after the gain, and is the only stage that is not linear. It does not run over the take: it is given the cells
in which the waveform stands too high (`true_peak.find_peaks`) and by how much, and makes a gain curve around them.

How the curve comes about, in decibels of reduction, on knots a third of a millisecond apart:

1. what each cell needs;
2. the largest need within 5 ms ahead and 15 ms back. Together these are longer than a period at 50 Hz, so under a
   steady low note the reduction is constant: the gain does not follow the wave, and the bass is not distorted;
3. release: from each value the reduction r falls as (r + 0.25 dB) exp(-t / 50 ms) - 0.25 dB, so that it
   reaches nothing after 128 ms from 3 dB, 80 ms from 1 dB;
4. two uniform filters of 5 ms together, looking back: since every value within these 5 ms is at least what is
   needed, so is any average of them. There is no overshoot, and the gain has no corner.

Between the knots the gain is a straight line, and the need of a cell is held at both its ends.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from render.audio.array import Reals, Samples32
from render.finish.passage import Indices, Passage
from render.finish.slots import time_grid

AHEAD_S = 0.005
HOLD_S = 0.015
RELEASE_S = 0.050
RELEASE_END_DB = 0.25
_KNOTS_AT_ONCE = 1 << 17


@dataclass(frozen=True, eq=False)
class GainCurve:
    """Gain of the limiter, kept only where it is below 1; regions in order of time, none touching another.

    Attributes
    ----------
    cell_frames : int
        Frames from knot to knot; straight lines between.
    first_cell : int64, shape (regions,)
        Where each region begins, in cells; may be negative.
    offset : int64, shape (regions + 1,)
        Where in `gain` the knots of each region begin.
    gain : float64, shape (knots,)
        All knots, 0 to 1.
    """

    cell_frames: int
    first_cell: Indices
    offset: Indices
    gain: Reals

    @property
    def max_reduction_db(self) -> float:
        """Largest reduction, 0 without any."""
        return abs(20.0 * math.log10(float(self.gain.min(initial=1.0))))

    def mean_squares(self, slots: int, slot_frames: int) -> Reals:
        """Mean square of the gain over each slot, taken at the knots: `(slots,)`."""
        region = np.repeat(np.arange(len(self.first_cell)), np.diff(self.offset))
        cell = np.arange(len(self.gain)) + (self.first_cell - self.offset[:-1])[region]
        inside = (cell >= 0) & (cell < slots * (slot_frames // self.cell_frames))
        slot = cell[inside] // (slot_frames // self.cell_frames)
        lost = np.bincount(slot, weights=1.0 - self.gain[inside] ** 2, minlength=slots)
        return np.asarray(1.0 - lost * (self.cell_frames / slot_frames), np.float64)

    def frame_ranges(self) -> tuple[Indices, Indices]:
        """First frame and stop of each region."""
        first = self.first_cell * self.cell_frames
        return first, first + (np.diff(self.offset) - 1) * self.cell_frames

    def active_frames(self, frames: int) -> int:
        """Count the frames of a file of so many in which the gain is below 1."""
        first, stop = self.frame_ranges()
        return int((np.clip(stop, 0, frames) - np.clip(first, 0, frames)).sum())

    def knots(self, cells: Indices) -> Reals:
        """Gain at any knots, in the shape of `cells`."""
        if not len(self.first_cell):
            return np.ones(cells.shape)
        region = np.searchsorted(self.first_cell, cells, side="right") - 1
        within = cells - self.first_cell[region]
        inside = (region >= 0) & (within < np.diff(self.offset)[region])
        return np.where(inside, self.gain[np.where(inside, self.offset[region] + within, 0)], 1.0)

    def windows(self, starts: Indices, length: int) -> NDArray[np.float32]:
        """Gain over windows of equal length: `(windows, length)`."""
        first, skip = np.divmod(starts, self.cell_frames)
        cells = first[:, np.newaxis] + np.arange(length // self.cell_frames + 3)
        gain = _between(self.knots(cells).astype(np.float32), self.cell_frames)
        if len(skip) and (skip == skip[0]).all():
            return gain[:, skip[0] : skip[0] + length]
        return np.asarray(sliding_window_view(gain, length, axis=1)[np.arange(len(starts)), skip])

    def pieces(self, first: int, stop: int) -> Iterator[tuple[int, int, Reals]]:
        """Gain over the parts of a range that a region touches, as `(first, stop, gain per frame)`."""
        starts, stops = self.frame_ranges()
        for region in range(
            int(np.searchsorted(stops, first, side="right")), int(np.searchsorted(starts, stop, side="left"))
        ):
            a, b = max(first, int(starts[region])), min(stop, int(stops[region]))
            low, high = a // self.cell_frames, -(-b // self.cell_frames)
            shift = int(self.offset[region] - self.first_cell[region])
            gain = _between(self.gain[np.newaxis, low + shift : high + shift + 1], self.cell_frames)[0]
            yield a, b, gain[a - low * self.cell_frames : b - low * self.cell_frames]


def _between(knots: NDArray[np.floating], step: int) -> NDArray[np.floating]:
    """Straight lines between knots: `(rows, n + 1)` to `(rows, n * step)`."""
    ramp = (np.arange(step) / step).astype(knots.dtype)
    lines = knots[:, :-1, np.newaxis] + (knots[:, 1:] - knots[:, :-1])[:, :, np.newaxis] * ramp
    return np.asarray(lines.reshape(len(knots), lines.shape[1] * step))


@dataclass(frozen=True, eq=False)
class LimitedPassage:
    """A passage under a gain curve, to be measured like a passage."""

    passage: Passage
    curve: GainCurve

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.passage.frames

    def windows(self, starts: Indices, length: int) -> Samples32:
        """Windows of equal length, `(windows, 2, length)`; see `Passage.windows`."""
        windows = self.passage.windows(starts, length)
        windows *= self.curve.windows(starts, length)[:, np.newaxis]
        return windows


@dataclass(frozen=True)
class _Times:
    """The limiter's times in cells."""

    ahead: int
    hold: int
    release: float

    @property
    def kernel(self) -> Reals:
        """Two uniform filters in one, `ahead + 1` knots long."""
        one = (self.ahead + 2) // 2
        return np.convolve(
            np.full(one, 1.0 / one), np.full(self.ahead + 2 - one, 1.0 / (self.ahead + 2 - one))
        )


def _times(sample_rate_hz: int, cell_frames: int) -> _Times:
    cells_per_s = sample_rate_hz / cell_frames
    return _Times(
        ahead=max(1, round(AHEAD_S * cells_per_s)),
        hold=math.ceil(HOLD_S * cells_per_s),
        release=RELEASE_S * cells_per_s,
    )


def _regions(cells: Indices, need_db: Reals, times: _Times) -> tuple[Indices, Indices]:
    """First and last knot of the regions around some cells; regions that would touch are one."""
    fall = np.ceil(times.release * np.log1p(need_db / RELEASE_END_DB)).astype(np.int64)
    first = cells - times.ahead - 1
    last = np.maximum.accumulate(cells + times.hold + times.ahead + 2 + fall)
    new = np.concatenate([[True], first[1:] > last[:-1]])
    ends = np.concatenate([np.flatnonzero(new)[1:] - 1, [len(cells) - 1]])
    return first[new], last[ends]


def _reduction_db(need_db: Reals, times: _Times) -> Reals:
    """Steps 2 to 4 of the module's docstring, for regions laid end to end."""
    from scipy import ndimage

    size = times.hold + times.ahead + 2
    # Knot q has to meet the cells q - 1 - hold to q + ahead: cell q - 1 ends at it, cell q begins there.
    held = ndimage.maximum_filter1d(
        need_db, size, mode="constant", cval=0.0, origin=size // 2 - times.ahead - (size % 2 == 0)
    )
    time = np.arange(len(held)) / times.release
    falling = np.exp(np.maximum.accumulate(np.log(held + RELEASE_END_DB) + time) - time) - RELEASE_END_DB
    # The exponential end is below 0 by rounding only where nothing is held: exactly 0 there.
    falling[falling < 1e-9] = 0.0
    released = np.maximum(held, falling)
    smooth = np.convolve(released, times.kernel)[: len(released)]
    return np.asarray(smooth, np.float64)


def design_gain_curve(cells: Indices, need_db: Reals, *, sample_rate_hz: int) -> GainCurve:
    """Design the gain that takes each cell down by at least what it needs.

    Parameters
    ----------
    cells : int64, shape (cells,)
        In order, no cell twice.
    need_db : float64, shape (cells,)
        Greater than 0.
    sample_rate_hz : int

    Returns
    -------
    GainCurve
        Without regions if there is no cell. The largest reduction is the largest need.

    Raises
    ------
    ValueError
        If the cells are not in order or a need is not greater than 0.

    Notes
    -----
    Common practice, no source: minimum over the look-ahead, then a smoothing of the same support.
    """
    cell_frames = time_grid(sample_rate_hz).cell_frames
    if len(cells) != len(need_db) or (len(cells) and not (np.diff(cells) > 0).all()):
        raise ValueError("cells must be in order, none twice, and as many as need_db")
    if len(need_db) and not need_db.min() > 0.0:
        raise ValueError(f"need_db must be greater than 0, not {need_db.min()}")
    if not len(cells):
        nothing = np.zeros(0, np.int64)
        return GainCurve(cell_frames, nothing, np.zeros(1, np.int64), np.zeros(0))
    times = _times(sample_rate_hz, cell_frames)
    first, last = _regions(cells, need_db, times)
    offset = np.concatenate([[0], np.cumsum(last - first + 1)])
    region = np.searchsorted(first, cells, side="right") - 1
    position = offset[region] + cells - first[region]
    gain = np.empty(int(offset[-1]))
    # Regions do not reach into each other, so any number of them can be laid end to end: bounded memory.
    start = 0
    while start < len(first):
        stop = max(start + 1, int(np.searchsorted(offset, offset[start] + _KNOTS_AT_ONCE, side="right")) - 1)
        low, high = int(offset[start]), int(offset[stop])
        need = np.zeros(high - low)
        some = slice(*np.searchsorted(position, (low, high)))
        need[position[some] - low] = need_db[some]
        gain[low:high] = 10.0 ** (_reduction_db(need, times) / -20.0)
        start = stop
    return GainCurve(cell_frames, first, offset, gain)
