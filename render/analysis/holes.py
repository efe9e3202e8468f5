"""Holes: moments inside sound where the source is gone and only noise is left, or a value held with noise on it.

Beside the standstills of `dropouts`, and told as the same fault. A loose plug leaves the hiss of the converter, and a
gap that somebody has resampled or dithered since is no longer exact. What is played dies away, and what begins rises;
a hole begins and ends from one sample to the next, between is steady noise, and the sound goes on as loud as it was.

One sample in half a millisecond is looked at everywhere; all others only where several of them in a row are
next to nothing beside the 5 ms before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.stretches import Counts, Flags, Stretch, slot_grid
from render.audio.array import Reals, Samples32

POINT_S = 0.0005
POINTS = 3
"""Samples so far apart, so many in a row: the shortest hole. No string is next to nothing for so long."""

POINT_FRACTION = 1.0 / 7.0
"""Next to nothing: below this share of the peak of the two slots before. Noise 25 dB below the sound is."""

HELD_FRACTION = 1.0 / 100.0
"""Next to the same: apart by less than this share of the range of those slots."""

LEAST_S = 0.0012
MOST_S = 0.55
"""Holes last so long; a longer one may be a rest."""

FALL = 12.0
"""RMS of the sound over 5 ms, on either side, against that of what is left."""

HELD_FALL = 80.0
"""The same for a value that is held: only dither is left on it, and sound that turns round is nearly as still."""

LOUD_SIGMA = 8.0
LOUD_FRACTION = 1.0 / 60.0
"""Sound: samples so far from what is left, in its RMS as it is guessed at first and in that of the sound before."""

NOISE_SIGMA = 6.0
"""Noise stays within so many times its RMS."""

TRIM_S = 0.0004
"""But for so much at both ends: sound near to zero there is told from noise only when all of it is known."""

WHITE = 1.0
"""Energy of its first difference against its own: 2 for white noise, less than 1 for anything below 8 kHz."""

GUESSED_FRAMES = 22
GUESSED_WHITE = 0.7
"""The same of so many of these samples only, from which the ratio cannot be known well."""

WHITE_RATE_HZ = 48_000.0
"""Of every so many samples: what was resampled to a higher rate is white below the old one only."""

STEADY_NOISE = 2.0
"""RMS of one half of it against the other's: what dies away is no steady noise."""

SAME_LEVEL = 6.0
"""RMS of the sound before against that after, either way: in half a second a note may be played."""

AROUND_S = 0.005
FAR_S = 0.025
STEADY_FRACTION = 0.4
EDGE_S = 0.00015
ABRUPT_FRACTION = 0.3
QUANTA = 24.0
"""As for standstills: see `dropouts`."""

LAST_S = 0.0004
LAST_FRACTION = 0.05
"""And the last moment of either side has this share of the RMS around, whatever the other has."""


@dataclass(frozen=True)
class Hole:
    """A hole of one source: first frame, frames, and the lower RMS of the two sides."""

    frame: int
    frames: int
    level: float


@dataclass(frozen=True)
class _Side:
    """Sound on one side of a hole, against the value in it: RMS over 25 ms, 5 ms, 0.4 ms, the edge; smallest step."""

    far: float
    size: float
    last: float
    edge: float
    quantum: float

    @property
    def steady(self) -> bool:
        """Whether it is neither going nor coming."""
        return self.size >= STEADY_FRACTION * self.far


@dataclass
class _Open:
    """A hole that has begun: its first frame, what is left in it so far, what is guessed of that, how high is sound."""

    frame: int
    value: float
    loud: float
    before: _Side
    seen: int
    left: list[Samples32]


class HoleFinder:
    """Finds holes, stretch by stretch.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.
    channels : int
        At least 1.

    Attributes
    ----------
    found : list of lists of Hole
        Of every channel, in order, as far as the take has been added.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._stride = max(2, round(POINT_S * sample_rate_hz))
        self._beyond = -(-POINTS * self._stride // slot_grid(sample_rate_hz).slot_frames)
        self._least = max(8, round(LEAST_S * sample_rate_hz))
        self._most = round(MOST_S * sample_rate_hz)
        self._trim = round(TRIM_S * sample_rate_hz)
        self._thin = max(1, round(sample_rate_hz / WHITE_RATE_HZ))
        self._around = max(8, round(AROUND_S * sample_rate_hz))
        self._far = max(self._around, round(FAR_S * sample_rate_hz))
        self._edge = max(3, round(EDGE_S * sample_rate_hz))
        self._last = max(self._edge, round(LAST_S * sample_rate_hz))
        self._open: list[_Open | None] = [None] * channels
        self._past = [0] * channels
        self.found: list[list[Hole]] = [[] for _ in range(channels)]

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        for channel in range(len(self._open)):
            self._follow(stretch, channel)
        for channel, at in self._candidates(stretch):
            if self._open[channel] is None and stretch.first_frame + at >= self._past[channel]:
                self._open[channel] = self._begin(stretch, channel, at)
                self._follow(stretch, channel)

    def _candidates(self, stretch: Stretch) -> list[tuple[int, int]]:
        """Channels, and frames of `sound` within the core, from which on it is next to nothing, or to the same."""
        slot, channels = stretch.slot_frames, len(self._open)
        first, stop = stretch.core.start, min(stretch.core.stop + self._beyond, stretch.highest.shape[1])
        highest, lowest = stretch.highest[:, first - 2 : stop - 1], stretch.lowest[:, first - 2 : stop - 1]
        top = np.maximum(highest[:, 1:], highest[:, :-1])
        bottom = np.minimum(lowest[:, 1:], lowest[:, :-1])
        peak = np.maximum(top, -bottom)
        points = stretch.sound.reshape(channels, -1, slot)[:, first:stop, :: self._stride].copy()
        in_slot = points.shape[2]
        row = points.reshape(channels, -1)
        steps = np.empty_like(row)
        steps[:, -1] = np.inf
        np.subtract(row[:, 1:], row[:, :-1], out=steps[:, :-1])
        low, same = (
            np.less(np.abs(array, out=array).reshape(points.shape), bound[..., np.newaxis]).reshape(row.shape)
            for array, bound in (
                (row, np.float32(POINT_FRACTION) * peak),
                (steps, np.float32(HELD_FRACTION) * (top - bottom)),
            )
        )
        quiet = low[:, :-2] & low[:, 1:-1] & low[:, 2:]
        quiet |= same[:, :-2] & same[:, 1:-1]
        if not quiet.any():
            return []
        begins = quiet.copy()
        begins[:, 1:] &= ~quiet[:, :-1]
        # Sound near to zero may lead over to a hole: two points later is another chance.
        begins[:, 2:] |= begins[:, :-2] & quiet[:, 2:]
        channel, number = np.nonzero(begins)
        at = (number // in_slot + first) * slot + number % in_slot * self._stride
        begin, end = stretch.core_frames
        inside = (at >= max(begin, stretch.begin + self._around)) & (at < end)
        inside &= at + POINTS * self._stride + self._thin <= stretch.end
        channel, number, at = channel[inside], number[inside], at[inside]
        worth = _is_worth(
            stretch.sound, channel, at + 2 * self._stride, peak[channel, number // in_slot], self._thin
        )
        return list(zip(channel[worth].tolist(), at[worth].tolist(), strict=True))

    def _begin(self, stretch: Stretch, channel: int, at: int) -> _Open | None:
        """A hole of which the first points begin at a frame of `sound`, or None."""
        sound, stride = stretch.sound[channel], self._stride
        # The first points may still be sound near to zero: what is left is guessed from the stillest.
        parts = [sound[one : one + stride].astype(np.float64) for one in (at + stride, at + 2 * stride)]
        stillest = min(range(2), key=lambda one: float(parts[one].std()))
        inside = at + (stillest + 1) * stride
        value, rms = float(parts[stillest].mean()), float(parts[stillest].std())
        near = np.abs(sound[max(stretch.begin, inside - self._around) : inside] - value)
        size = math.sqrt(float(np.mean(np.square(near))))
        loud = max(LOUD_SIGMA * rms, LOUD_FRACTION * size)
        above = np.flatnonzero(near > loud)
        if not len(above) or size < 0.5 * FALL * rms:
            return None
        edge = inside - len(near) + int(above[-1]) + 1
        before = self._side(sound[max(stretch.begin, edge - self._far) : edge][::-1], value)
        if before is None or before.size < FALL * rms:
            return None
        slot = inside // stretch.slot_frames
        close = slice(max(0, slot - 3), slot + 4)
        highest, lowest = stretch.highest[channel, close].max(), stretch.lowest[channel, close].min()
        if abs(value) > LOUD_FRACTION * size and not lowest + loud < value < highest - loud:
            return None  # a flat top
        seen = inside + stride
        return _Open(
            frame=stretch.first_frame + edge,
            value=value,
            loud=loud,
            before=before,
            seen=stretch.first_frame + seen,
            left=[sound[edge:seen].copy()],
        )

    def _side(self, outward: Samples32, value: float) -> _Side | None:
        """Measure samples given outward from a hole; None where the take begins or ends too near."""
        if len(outward) < max(self._edge, self._around // 4):
            return None
        away = outward.astype(np.float64) - value
        slopes = np.abs(np.diff(away[: self._around]))
        far, size, last, edge = (
            math.sqrt(float(np.mean(np.square(away[:frames]))))
            for frames in (self._far, self._around, self._last, self._edge)
        )
        return _Side(far, size, last, edge, float(slopes.min(initial=math.inf, where=slopes > 0.0)))

    def _follow(self, stretch: Stretch, channel: int) -> None:
        """Look for the end of the hole that is open."""
        hole = self._open[channel]
        if hole is None:
            return
        sound, (_, end) = stretch.sound[channel], stretch.core_frames
        seen = hole.seen - stretch.first_frame
        stop = min(end, hole.frame + self._most - stretch.first_frame)
        rest = sound[seen : max(seen, stop)]
        loud = np.abs(rest - np.float32(hole.value)) > hole.loud
        quiet = int(loud.argmax()) if loud.any() else len(rest)
        hole.left.append(rest[:quiet].copy())
        hole.seen += quiet
        if quiet == len(rest) and stop == end:
            return  # it goes on in the next stretch, if there is one
        self._open[channel] = None
        self._past[channel] = hole.seen
        if quiet < len(rest):
            seen += quiet
            after = self._side(sound[seen : min(stretch.end, seen + self._far)], hole.value)
            if after is not None and self._is_left_by_a_hole(hole, after) and _is_cut(hole.before, after):
                level = min(hole.before.size, after.size)
                self.found[channel].append(Hole(hole.frame, hole.seen - hole.frame, level))

    def _is_left_by_a_hole(self, hole: _Open, after: _Side) -> bool:
        """Whether what is left is steady noise, far below the sound on both sides."""
        size = min(hole.before.size, after.size)
        quantum = min(hole.before.quantum, after.quantum)
        left = np.concatenate(hole.left).astype(np.float64)
        if len(left) < self._least or size < QUANTA * quantum:
            return False
        quarter, middle = len(left) // 4, len(left) // 2
        still = left[quarter : len(left) - quarter]
        value, rms = float(still.mean()), float(still.std())
        is_held = abs(value) > max(2.0 * rms, LOUD_FRACTION * size)
        if size < (HELD_FALL if is_held else FALL) * rms:
            return False
        beyond = np.flatnonzero(np.abs(left - value) > NOISE_SIGMA * rms + 1.5 * quantum)
        at = int(np.searchsorted(beyond, middle))
        first = int(beyond[at - 1]) + 1 if at else 0
        last = int(beyond[at]) if at < len(beyond) else len(left)
        if max(first, len(left) - last) > self._trim:
            return False
        noise = left[first:last] - value
        return _is_white(noise[:: self._thin]) and _is_steady(noise, quantum)


def _is_worth(sound: Samples32, channel: Counts, at: Counts, peak: Samples32, thin: int) -> Flags:
    """Whether half a millisecond from each place on may be noise: nearly nowhere in clean sound."""
    frames = np.arange(0, GUESSED_FRAMES * thin, thin)
    quiet = sound[channel[:, np.newaxis], at[:, np.newaxis] + frames]
    value = quiet.mean(-1)
    quiet -= value[:, np.newaxis]
    squares = np.einsum("ij,ij->i", quiet, quiet)
    rms = np.sqrt(squares / quiet.shape[1])
    steps = quiet[:, 1:] - quiet[:, :-1]
    white = np.einsum("ij,ij->i", steps, steps) >= GUESSED_WHITE * squares
    held = np.abs(value) > np.maximum(2.0 * rms, LOUD_FRACTION * peak)
    return np.asarray(white & (np.where(held, 0.5 * HELD_FALL, FALL) * rms <= peak), np.bool_)


def _is_white(noise: Reals) -> bool:
    return float(np.sum(np.diff(noise) ** 2)) >= WHITE * float(np.sum(noise**2))


def _is_steady(noise: Reals, quantum: float) -> bool:
    middle = len(noise) // 2
    one, other = (math.sqrt(float(np.mean(half**2))) for half in (noise[:middle], noise[middle:]))
    return max(one, other) <= STEADY_NOISE * min(one, other) + quantum


def _is_cut(before: _Side, after: _Side) -> bool:
    """Whether the sound stops and comes back abruptly, about as loud as it was."""
    sides = before, after
    if max(side.size for side in sides) > SAME_LEVEL * min(side.size for side in sides):
        return False
    if any(side.last < LAST_FRACTION * side.size for side in sides):
        return False
    edges = [side.edge / side.size for side in sides]
    if all(side.steady for side in sides):
        return math.hypot(*edges) >= ABRUPT_FRACTION
    return any(side.steady for side in sides) and min(edges) >= ABRUPT_FRACTION
