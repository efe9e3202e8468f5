"""Dropouts: moments inside sound where the samples stand still.

One of the gauges that look at samples. A recorder that loses data writes zeros or its last value again; sound never
does. It may stand still where it is quiet beside a step of the converter, where it turns round, where it is clipped,
and where somebody has faded it out: none of these begins or ends abruptly against the sound around it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.stretches import Stretch, each_stretch
from render.audio.array import AnySamples, Samples32

LEAST_S = 0.0002
"""Shorter standstills are left alone: ten samples at 48 kHz. Sound that moves at all never repeats itself so often."""

LEAST_FRAMES = 8
"""And never fewer than this many samples, whatever the rate."""

AROUND_S = 0.005
"""Sound before and after is judged over so long: half a period of the lowest notes, shorter than any pause."""

EDGE_S = 0.00015
"""The last moment before a standstill, the first after it: abrupt means that sound is still there then."""

ABRUPT_FRACTION = 0.3
"""Abrupt silence: the RMS of that moment is at least this share of what is around, of either side or of both together.
Over a straight fade of 1 ms, shorter than any made on purpose, it is a third of that."""

JUMP_FRACTION = 0.25
FADE_S = 0.001
"""Or the very sample beside the silence is this share of the RMS around: a moment may turn round near zero. Fades end
lower, those of `FADE_S` at three of their steps at most."""

STEP_FRACTION = 0.3
"""A standstill at another value begins where the sound was; it must end by a step of this share of the sound's
RMS, from one sample to the next, or last for `HELD_S`."""

HELD_S = 0.0009
"""No sound with any top stands still between two values for so long."""

QUANTA = 24.0
"""The sound's RMS is at least so many steps of the converter: quieter sound stands still by itself."""

REPEATS_FRACTION = 0.08
"""And around the standstill fewer samples than this repeat the one before, or standing still is its habit (8 bits)."""

MANY_REPEATS = 0.45
LONGER = 6.0
LONG_S = 0.0008
"""Soft sound in coarse steps may repeat so many, if the standstill is so many times longer than any around it, and so
long: a low note, soft in 16 bits, stands still for half a millisecond where it turns round."""

FAR_S = 0.025
STEADY_FRACTION = 0.4
"""Sound within 5 ms of a silence has at least this share of the RMS it has up to 25 ms away: where it is going, or
coming, it has less. Notes, once begun, change more slowly."""

INSIDE_FRACTION = 0.01
"""Sound on both sides is above -40 dB of the take's own RMS: below, it is the background around the sound."""

WARNING_COUNT = 1
"""Suggested: one dropout is audible, and nothing clean was ever found to have one."""

MOST_PLACES = 1000


@dataclass(frozen=True)
class Dropouts:
    """Dropouts of one source.

    Attributes
    ----------
    count : int
    duration_s : float
        All together.
    longest_s : float
    places : tuple of int
        First frame of each, at most the first thousand.
    lengths : tuple of int
        Frames of each of these.
    zero_count : int
        How many of `count` are exact zeros; the others hold a value.
    """

    count: int
    duration_s: float
    longest_s: float
    places: tuple[int, ...]
    lengths: tuple[int, ...]
    zero_count: int


@dataclass(frozen=True)
class _Side:
    """Sound on one side of a standstill: RMS against the standing value over 25 ms, 5 ms, the edge; first jump.

    Of the 5 ms also the smallest step and the share of samples that repeat, of the 25 ms the most frames at one value.
    """

    far: float = 0.0
    size: float = 0.0
    edge: float = 0.0
    jump: float = 0.0
    quantum: float = math.inf
    repeats: float = 1.0
    longest: int = 0

    @property
    def steady(self) -> bool:
        """Whether it is neither going nor coming."""
        return self.size >= STEADY_FRACTION * self.far

    @property
    def abrupt(self) -> bool:
        """Whether it is there up to the edge."""
        return self.edge >= ABRUPT_FRACTION * self.size


@dataclass(frozen=True)
class _Start:
    """A standstill that has begun."""

    frame: int
    value: float
    before: _Side
    extreme: bool


@dataclass(frozen=True)
class _Standstill:
    """One that has ended and was judged a dropout."""

    frame: int
    frames: int
    level: float
    value: float


class DropoutGauge:
    """Finds standstills, stretch by stretch.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.
    channels : int
        At least 1.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._rate_hz = float(sample_rate_hz)
        self._least = max(LEAST_FRAMES, math.ceil(LEAST_S * sample_rate_hz))
        self._long = max(self._least, math.ceil(LONG_S * sample_rate_hz))
        self._around = max(LEAST_FRAMES, round(AROUND_S * sample_rate_hz))
        self._far = max(self._around, round(FAR_S * sample_rate_hz))
        self._edge = max(3, round(EDGE_S * sample_rate_hz))
        self._open: list[_Start | None] = [None] * channels
        self._found: list[list[_Standstill]] = [[] for _ in range(channels)]
        self._squares = np.zeros(channels)
        self._frames = 0

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        begin, end = stretch.core_frames
        self._frames += end - begin
        self._squares += stretch.squares[:, stretch.core].sum(-1)
        for channel in range(len(self._found)):
            # A standstill that lies across two slots leaves half of its repeats in one of them.
            if self._open[channel] is not None or 2 * stretch.repeats[channel].max() >= self._least - 2:
                self._look(stretch, channel)

    def _look(self, stretch: Stretch, channel: int) -> None:
        """Follow beginnings and ends inside the core, in order."""
        sound = stretch.sound[channel]
        begin, end = stretch.core_frames
        same = np.zeros(len(sound) + 1, bool)
        np.equal(sound[1:], sound[:-1], out=same[1:-1])
        turns = np.flatnonzero(same[1:] != same[:-1])
        starts, stops = turns[::2], turns[1::2] + 1
        long = (stops - starts >= self._least) & (stops > begin) & (starts < end)
        starts, stops = starts[long], stops[long]
        # Most standstills are those of quiet or coarse sound: they have their like in the slots before and after.
        habit = stretch.repeats[channel] / stretch.slot_frames
        before_slots = np.maximum(starts // stretch.slot_frames - 1, 0)
        after_slots = np.minimum(stops // stretch.slot_frames + 1, len(habit) - 1)
        most = 2.0 * np.where(stops - starts >= self._long, MANY_REPEATS, REPEATS_FRACTION)
        worth = (habit[before_slots] <= most) | (starts < begin)
        worth &= (habit[after_slots] <= most) | (stops > end)
        for start, stop in zip(starts[worth].tolist(), stops[worth].tolist(), strict=True):
            if start >= begin:
                self._open[channel] = self._begin(stretch, channel, start)
            held = self._open[channel]
            if stop <= end and stop < stretch.end:
                self._open[channel] = None
                if held is not None:  # else it began with the take
                    self._end(stretch, channel, held, stop)
        if len(stops) and stops[-1] <= end:
            self._open[channel] = None

    def _begin(self, stretch: Stretch, channel: int, start: int) -> _Start:
        sound, slot = stretch.sound[channel], start // stretch.slot_frames
        value = float(sound[start])
        near = slice(max(0, slot - 3), slot + 4)
        highest, lowest = stretch.highest[channel, near].max(), stretch.lowest[channel, near].min()
        before = sound[max(stretch.begin, start - self._far) : start][::-1]
        return _Start(
            frame=stretch.first_frame + start,
            value=value,
            before=self._side(before, value),
            extreme=bool(value >= highest or value <= lowest),
        )

    def _side(self, outward: Samples32, value: float) -> _Side:
        """Measure samples given outward from the standstill; nothing where the take begins or ends too near."""
        if len(outward) < max(self._edge, self._around // 4):
            return _Side()
        away = outward.astype(np.float64) - value
        far = math.sqrt(float(np.mean(away**2)))
        turns = np.flatnonzero(np.concatenate([[True], away[1:] != away[:-1], [True]]))
        away = away[: self._around]
        slopes = np.abs(np.diff(away))
        moving = slopes[slopes > 0.0]
        return _Side(
            far=far,
            size=math.sqrt(float(np.mean(away**2))),
            edge=math.sqrt(float(np.mean(away[: self._edge] ** 2))),
            jump=abs(float(away[0])),
            quantum=float(moving.min(initial=math.inf)),
            repeats=1.0 - len(moving) / len(slopes),
            longest=int(np.diff(turns).max()),
        )

    def _end(self, stretch: Stretch, channel: int, start: _Start, stop: int) -> None:
        """Judge what has ended."""
        after = self._side(stretch.sound[channel, stop : min(stretch.end, stop + self._far)], start.value)
        frames = stretch.first_frame + stop - start.frame
        if self._is_dropout(start, after, frames):
            level = min(start.before.size, after.size)
            self._found[channel].append(_Standstill(start.frame, frames, level, start.value))

    def _is_dropout(self, start: _Start, after: _Side, frames: int) -> bool:
        before = start.before
        if min(before.size, after.size) < QUANTA * min(before.quantum, after.quantum):
            return False
        if max(before.repeats, after.repeats) > REPEATS_FRACTION and not self._is_unlike(
            before, after, frames
        ):
            return False
        if start.value != 0.0:
            stepped = after.jump >= STEP_FRACTION * after.size and after.jump >= QUANTA * after.quantum
            return not start.extreme and (stepped or frames >= HELD_S * self._rate_hz)
        jump = max(JUMP_FRACTION, 3.0 / (FADE_S * self._rate_hz))
        jumps = [side.jump / side.size for side in (before, after)]
        steady = before.steady + after.steady
        if steady == 2:
            edges = math.hypot(before.edge / before.size, after.edge / after.size)
            return edges >= ABRUPT_FRACTION or math.hypot(*jumps) >= jump
        return steady == 1 and before.abrupt and after.abrupt

    def _is_unlike(self, before: _Side, after: _Side, frames: int) -> bool:
        """Whether sound that often stands still never does so for nearly so long."""
        habit = max(before.repeats, after.repeats) <= MANY_REPEATS
        return habit and frames >= max(self._long, LONGER * max(before.longest, after.longest))

    def result(self) -> tuple[Dropouts, ...]:
        """Dropouts of every channel, as far as the take has been added."""
        return tuple(self._sum_up(channel) for channel in range(len(self._found)))

    def _sum_up(self, channel: int) -> Dropouts:
        least = INSIDE_FRACTION * math.sqrt(self._squares[channel] / max(1, self._frames))
        found = [one for one in self._found[channel] if one.level >= least]
        frames = [one.frames for one in found]
        return Dropouts(
            count=len(found),
            duration_s=sum(frames) / self._rate_hz,
            longest_s=max(frames, default=0) / self._rate_hz,
            places=tuple(one.frame for one in found[:MOST_PLACES]),
            lengths=tuple(frames[:MOST_PLACES]),
            zero_count=sum(one.value == 0.0 for one in found),
        )


def measure_dropouts(audio: AnySamples, *, sample_rate_hz: float) -> tuple[Dropouts, ...]:
    """Dropouts of every channel of a whole array.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float
        At least 1000.

    Returns
    -------
    tuple of Dropouts

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    gauge = DropoutGauge(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for stretch in each_stretch(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(stretch)
    return gauge.result()
