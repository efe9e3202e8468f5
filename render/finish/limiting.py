"""What the limiter has to do at a gain: designed, seen to hold, and measured.

Sits between `limiter`, which makes a gain curve from what cells need, and `level`, which looks for the gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.audio.array import Reals, Samples32
from render.finish.interpolation import HALF_FRAMES
from render.finish.k_weighting import RUN_IN_SLOTS
from render.finish.limiter import GainCurve, LimitedPassage, design_gain_curve
from render.finish.loudness import integrated_loudness_lufs, patch_slots
from render.finish.passage import Indices, Passage
from render.finish.slots import SlotPowers, time_grid
from render.finish.true_peak import PeakCells, find_peaks, read_cells
from render.units import gain_from_db

# What may be left above the aim after the limiter; still below the ceiling.
_SLACK_DB = 0.002
MARGIN_DB = 0.3
_NEAR_FRACTION = 0.97
_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class Attempt:
    """A gain, the limiter that it needs, and the slots after that limiter but before the gain."""

    gain_db: float
    curve: GainCurve
    slots: SlotPowers

    @property
    def loudness_lufs(self) -> float | None:
        """Integrated loudness after limiter and gain."""
        return integrated_loudness_lufs(self.slots, gain_db=self.gain_db)


class Limiting:
    """Finds what the limiter has to do at a gain, and keeps what one attempt has learnt for the next."""

    def __init__(
        self, passage: Passage, slots: SlotPowers, *, block_peaks: Samples32, aim_gain: float, gain_db: float
    ) -> None:
        self.passage, self.slots, self.block_peaks, self.aim_gain = passage, slots, block_peaks, aim_gain
        self.rate = slots.sample_rate_hz
        self.sample_peak = float(block_peaks.max(initial=0.0))
        # Cells that stand too high although their own need is met, with the height that would have met it.
        self.extra: tuple[Indices, Reals] = (np.zeros(0, np.int64), np.zeros(0))
        self.found = self._search(gain_db)

    def _search(self, gain_db: float) -> PeakCells:
        """All cells that stand over the aim at this gain, and the highest one in any case."""
        self.threshold = min(self.sample_peak * (1.0 - 1e-5), self.aim_gain / gain_from_db(gain_db))
        return find_peaks(
            self.passage, sample_rate_hz=self.rate, block_peaks=self.block_peaks, threshold=self.threshold
        )

    def attempt(self, gain_db: float) -> Attempt:
        """Design the limiter for a gain, until what comes out of it stays below the aim, and measure it."""
        gain_db = round(gain_db, 9)
        limit = self.aim_gain / gain_from_db(gain_db)
        if limit < self.threshold:
            self.found = self._search(gain_db + MARGIN_DB)
        curve = self._curve(limit)
        if not len(curve.gain):
            return Attempt(gain_db, curve, self.slots)
        rounds = 0
        slack = gain_from_db(_SLACK_DB)
        while len((left := self._left_over(curve, limit * slack)).cell) and rounds < _ROUNDS:
            rounds += 1
            reached = np.maximum(curve.knots(left.cell), curve.knots(left.cell + 1))
            self.extra = _merge(*self.extra, left.cell, left.guarded / reached * slack)
            curve = self._curve(limit)
        return Attempt(gain_db, curve, self._slots_under(curve))

    def expected_loudness_lufs(self, gain_db: float) -> float | None:
        """Guess the loudness of an attempt without making it: the gain curve alone, spread over each slot."""
        curve = self._curve(self.aim_gain / gain_from_db(gain_db))
        slots = self.slots
        share = curve.mean_squares(len(slots.weighted), slots.slot_frames)[:, np.newaxis]
        guess = SlotPowers(slots.weighted * share, slots.plain, slots.sample_rate_hz, slots.frames)
        return integrated_loudness_lufs(guess, gain_db=gain_db)

    def _curve(self, limit: float) -> GainCurve:
        cells, height = _merge(self.found.cell, self.found.guarded, *self.extra)
        # To a billionth of a decibel: coarser than what the order of a sum can change, so that files stay the same.
        need_db = np.round(20.0 * np.log10(height / limit), 9)
        over = need_db > 0.0
        return design_gain_curve(cells[over], need_db[over], sample_rate_hz=self.rate)

    def _left_over(self, curve: GainCurve, threshold: float) -> PeakCells:
        """What still stands too high under the curve; only where the curve reaches can anything have changed."""
        block = time_grid(self.rate).block_frames
        first, stop = curve.frame_ranges()
        touched = _union(
            (first - HALF_FRAMES) // block, -(-(stop + HALF_FRAMES) // block), -1, len(self.block_peaks) + 1
        )
        return find_peaks(
            LimitedPassage(self.passage, curve),
            sample_rate_hz=self.rate,
            block_peaks=self.block_peaks,
            threshold=threshold,
            blocks=touched,
        )

    def _slots_under(self, curve: GainCurve) -> SlotPowers:
        first, stop = curve.frame_ranges()
        frames = self.slots.slot_frames
        needed = np.zeros(len(self.slots.plain), bool)
        needed[_union(first // frames, -(-stop // frames) + RUN_IN_SLOTS, 0, len(needed))] = True
        return patch_slots(self.slots, LimitedPassage(self.passage, curve), needed)

    def true_peak_gain(self, attempt: Attempt) -> float:
        """Highest reading after the curve, before the gain."""
        if not len(attempt.curve.gain):
            return self.found.highest_reading
        limited = LimitedPassage(self.passage, attempt.curve)
        # Read only what comes near the top; the gain changes by far less than the margin within a cell.
        found, curve = self.found, attempt.curve
        expected = found.reading * np.maximum(curve.knots(found.cell), curve.knots(found.cell + 1))
        near = found.cell[expected >= _NEAR_FRACTION * expected.max()]
        highest = read_cells(limited, near, sample_rate_hz=self.rate).highest_reading
        if highest >= self.threshold:
            return highest
        return find_peaks(
            limited, sample_rate_hz=self.rate, block_peaks=self.block_peaks, threshold=highest * (1.0 - 1e-5)
        ).highest_reading


def _merge(cells: Indices, height: Reals, more_cells: Indices, more_height: Reals) -> tuple[Indices, Reals]:
    """Cells of both lists in order, each with the larger height."""
    if not len(more_cells):
        return cells, height
    both, where = np.unique(np.concatenate([cells, more_cells]), return_inverse=True)
    heights = np.zeros(len(both))
    np.maximum.at(heights, where, np.concatenate([height, more_height]))
    return both, heights


def _union(first: Indices, stop: Indices, low: int, high: int) -> Indices:
    """Members of any of the ranges, within `low` and `high`."""
    change = np.zeros(high - low + 1, np.int64)
    np.add.at(change, np.clip(first, low, high) - low, 1)
    np.add.at(change, np.clip(stop, low, high) - low, -1)
    return np.flatnonzero(np.cumsum(change[:-1]) > 0) + low
