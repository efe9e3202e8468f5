"""Tops of one or two samples that end at exactly one height: clipping of bright sound, where no top is long.

Part of `clipping`. A slap or a bright string goes above a limit for a sample or two, too short to be seen as flat. But
where two samples side by side are both at the highest level of the take, and the sound beside them is far lower, chance
is small, and twice or more it is none. Single samples at that level prove nothing: a limiter leaves such peaks too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from render.analysis.stretches import Flags, Stretch
from render.audio.array import Reals, Samples32

ROOMS = (1.3e-7, 3.2e-5, 9.5e-5, 3e-4, 1e-3)
"""How far from the highest level of the take, full scale 1: a step of 24 bits, one of 16, three of them (dither), and
noise of the converter after the stage that clipped."""

LARGEST_ROOM = 0.003
"""And never more than this share of that level: softer tops lie as near each other by themselves."""

CHANCE = 1e-5
TIMES_EXPECTED = 3.0
"""So unlikely must as many pairs be by chance, and so many times more than chance would have."""

FEWEST_PAIRS = 2
ENOUGH_TOPS = 4
"""A single pair, as unlikely, will do if there are as many tops at its height."""

VARIES = 1.05
"""The sound beside the pairs falls by more at some than at others: a steady tone of an electronic tuner, whose turns
all meet the samples alike, is not clipped."""

MOST_SAMPLES = 20_000
"""As many are kept a side; those of a take that is clipped throughout prove as much."""

_AROUND = np.arange(-1, 2)
_MIDDLE = 1


class Ceiling:
    """Gathers the samples at the highest level of one channel, above and below zero."""

    def __init__(self) -> None:
        self._sides = _Side(1.0), _Side(-1.0)

    def add(self, stretch: Stretch, channel: int, tops: Samples32) -> None:
        """Take the core of a stretch.

        Parameters
        ----------
        stretch : Stretch
        channel : int
        tops : float32, shape (2, slots of the stretch)
            Highest sample of each above zero, and lowest, turned over; 0 for slots to be left alone.
        """
        for side, those in zip(self._sides, tops, strict=True):
            side.add(stretch, channel, those)

    def clipped(self) -> Reals:
        """Tops that end at one height, if that is no chance.

        Returns
        -------
        float64, shape (tops, 4)
            First frame, frames, signed height, and not-a-number (how far they fall is not measured); none where there
            is no such height.

        Notes
        -----
        Of round tops the two highest samples differ by anything from nothing to half of what the next ones fall, all
        equally likely. How many of those at the highest level are a pair is held against Poisson's law: of each side
        alone, and of both where they reach equally far.
        """
        above, below = self._sides
        for room in ROOMS:
            up, down = above.runs(room), below.runs(room)
            alike = abs(above.highest - below.highest) <= room
            sides = [(up, down)] if alike and _is_no_chance(up, down) else [(up,), (down,)]
            found = [runs.rows() for some in sides if _is_no_chance(*some) for runs in some]
            if found:
                return np.concatenate(found)
        return np.zeros((0, 4))


class _Side:
    """Samples at the highest level of one channel above zero, or below."""

    def __init__(self, sign: float) -> None:
        self.highest = 0.0
        self._sign = sign
        self._frames: list[NDArray[np.int64]] = []
        self._near: list[Reals] = []

    def add(self, stretch: Stretch, channel: int, tops: Samples32) -> None:
        highest = float(tops.max(initial=0.0))
        if highest > self.highest + ROOMS[-1]:
            self._frames, self._near = [], []
        self.highest = max(self.highest, highest)
        if sum(map(len, self._frames)) > MOST_SAMPLES:
            return
        least = self.highest - ROOMS[-1]
        slots = np.flatnonzero(tops >= max(least, 1e-9))
        if not len(slots):
            return
        sound = stretch.sound[channel]
        row, at = np.nonzero(self._sign * sound.reshape(-1, stretch.slot_frames)[slots] >= least)
        frames = slots[row] * stretch.slot_frames + at
        self._frames.append(stretch.first_frame + frames)
        self._near.append(self._sign * sound[frames[:, np.newaxis] + _AROUND].astype(np.float64))

    def runs(self, room: float) -> _Runs:
        """Samples side by side within some room of the highest; none if that is no room for this sound."""
        if not self._frames or room > LARGEST_ROOM * self.highest:
            return _Runs.none()
        frames, near = np.concatenate(self._frames), np.concatenate(self._near)
        if room < _step_of(near):
            return _Runs.none()
        at = near[:, _MIDDLE] >= self.highest - room
        if not at.any():  # the highest came after there were too many to keep
            return _Runs.none()
        frames, near = frames[at], near[at]
        breaks = np.flatnonzero(np.diff(frames) != 1)
        first, last = np.append(0, breaks + 1), np.append(breaks, len(frames) - 1)
        # How far the sound beside them falls; beside a single sample, on both sides together: of a round top both
        # are twice its bend, wherever the samples meet it.
        before = near[first, _MIDDLE] - near[first, _MIDDLE - 1]
        after = near[last, _MIDDLE] - near[last, _MIDDLE + 1]
        falls = np.where(first == last, before + after, np.minimum(before, after))
        return _Runs(
            first=frames[first],
            length=last - first + 1,
            height=self._sign * near[first, _MIDDLE],
            fall=np.maximum(falls, 1e-12),
            room=room,
        )


@dataclass(frozen=True, eq=False)
class _Runs:
    """Runs of samples at one height: first frame, frames, signed height and how far the sound beside them falls."""

    first: NDArray[np.int64]
    length: NDArray[np.int64]
    height: Reals
    fall: Reals
    room: float

    @classmethod
    def none(cls) -> _Runs:
        whole, real = np.zeros(0, np.int64), np.zeros(0)
        return cls(whole, whole, real, real, 0.0)

    @property
    def chance(self) -> Reals:
        """Of each to be a pair if it is a round top."""
        return np.asarray(np.minimum(1.0, 2.0 * self.room / self.fall))

    @property
    def pairs(self) -> Flags:
        """Which are two samples or more, beside which the sound falls."""
        return np.asarray((self.length > 1) & (self.chance < 1.0), np.bool_)

    def rows(self) -> Reals:
        return np.stack([self.first, self.length, self.height, np.full(len(self.first), math.nan)], axis=1)


def _is_no_chance(*sides: _Runs) -> bool:
    """Whether so many pairs, on these sides together, are clipped tops."""
    pairs = sum(int(np.count_nonzero(side.pairs)) for side in sides)
    expected = sum(float(side.chance.sum()) for side in sides)
    fewest = 1 if sum(len(side.first) for side in sides) >= ENOUGH_TOPS else FEWEST_PAIRS
    if pairs < max(fewest, TIMES_EXPECTED * expected):
        return False
    falls = np.concatenate([side.fall[side.pairs] for side in sides])
    if pairs > FEWEST_PAIRS and falls.max() < VARIES * falls.min():
        return False
    return float(special.pdtrc(pairs - 1, expected)) <= CHANCE  # so many or more


def _step_of(near: Reals) -> float:
    """Step of words of 8 to 24 bits, if all samples are whole steps; 0 for floats."""
    for bits in (8, 12, 16, 20, 24):
        steps = near * 2.0 ** (bits - 1)
        if np.array_equal(steps, np.rint(steps)):
            return float(2.0 ** (1 - bits))
    return 0.0
