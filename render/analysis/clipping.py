"""Clipping told from loud playing: tops that are cut off flat, at any level.

One of the gauges that look at samples. A top that is only loud is round: twice as far from its middle it is four
times as far down. A clipped one is flat and then falls at once, on both sides. So the level does not matter, and what
was clipped before a gain, a conversion or dither is found as well; a limiter's peaks, which reach the same ceiling
again and again, are round and are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.ceiling import Ceiling
from render.analysis.stretches import Counts, Flags, Stretch, count_true, each_stretch
from render.analysis.tilted import HIGH_FRACTION, agreeing, straight_tops
from render.audio.array import AnySamples, Reals, Samples32
from render.units import db_from_gain

FLAT_FRACTION = 0.003
"""A flat top stays within this share of its height: 0.026 dB, room for dither and for the ripple of converters."""

FLAT_FLOOR = 1.2e-4
"""And never less than this: triangular dither of 16 bits spreads a constant over three steps of 3.05e-5."""

NEAR_PEAK_FRACTION = 0.98
"""Looked at are tops within 0.2 dB of the highest for 80 ms around: where sound is clipped, nothing goes higher."""

LOWEST_GAIN = 1e-3
"""Lower tops (-60 dBFS) are left alone: there steps of 16 bits are flat themselves."""

FALL_SPREADS = 40.0
"""Half a top's length beyond each end the sound has fallen by so many times what the top itself varies. A round
top: 4 to 9 times; the flattest of sums of two partials: 16 to 39. A peak of which 1 dB is cut: 100 times or more."""

FALL_QUANTA = 20.0
"""And by so many steps of the converter: a round top in 8 bits is flat as far as it goes, and then falls by 10."""

LEAST_SWING = 0.25
"""A top stands by this share of its height above the middle of the sound around: noise on a constant voltage is no
sound that was cut."""

LEAST_FRAMES = 3
"""Shorter runs may be anything."""

SURE_FRAMES = 5
SURE_SPREADS = 3.0 * FALL_SPREADS
"""A run so long, falling by so much, is believed alone; others need another run nearby at the same height."""

SAME_HEIGHT_FRACTION = 0.005
NEARBY_S = 1.0
"""At the same height: within 0.04 dB, less than a note decays from one turn of the string to the next."""

TOPMOST_FRACTION = 0.97
"""Near the highest level of the take the other one may be anywhere in it. Suggested: in an hour of clean notes there
are ten short runs that might be flat, none of them higher than 0.6 of the highest level."""

WARNING_RUNS = 2
"""Suggested: a single one may be chance (the plateau of a plucked string: three in hours of clean sound); a limit is
reached again and again."""

FAULT_RUNS_PER_MINUTE = 30.0
"""Suggested: one clipped top every two seconds is heard throughout."""

MOST_PLACES = 1000
_REACH_SLOTS = 16


@dataclass(frozen=True)
class Clipping:
    """Clipped tops of one source.

    Attributes
    ----------
    count : int
        Runs of flattened samples.
    duration_s : float
        All together.
    level_gain : float
        Height of the flat tops, full scale 1 (the median by duration); 0 if there are none.
    upper_count, lower_count : int
        Of `count`, above and below zero: on one side only where a stage is biased wrongly.
    longest_frames : int
    per_minute : float
        Runs in a minute of the whole take.
    places : tuple of int
        First frame of each, at most the first thousand.
    """

    count: int
    duration_s: float
    level_gain: float
    upper_count: int
    lower_count: int
    longest_frames: int
    per_minute: float
    places: tuple[int, ...]

    @property
    def level_dbfs(self) -> float:
        """Height of the flat tops in dB of full scale; minus infinity if there are none."""
        return db_from_gain(self.level_gain)


_COLUMNS = 4  # of a run: first frame, frames, signed height, fall in spreads


class ClippingGauge:
    """Finds flat tops, stretch by stretch.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.
    channels : int
        At least 1.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._rate_hz = float(sample_rate_hz)
        self._frames = 0
        self._runs: list[list[Reals]] = [[np.zeros((0, _COLUMNS))] for _ in range(channels)]
        self._leaning: list[list[Reals]] = [[np.zeros((0, _COLUMNS))] for _ in range(channels)]
        self._highest = np.zeros((2, channels), np.float32)  # above zero, below zero
        self._ceilings = [Ceiling() for _ in range(channels)]

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        begin, end = stretch.core_frames
        self._frames += end - begin
        # Above and below zero alike: the lowest samples, turned over, are tops as well.
        all_tops = np.stack([stretch.highest, -stretch.lowest])
        around = _highest_around(all_tops)
        possible = all_tops >= np.maximum(NEAR_PEAK_FRACTION * around, LOWEST_GAIN)
        middle = _middle_around(stretch)
        possible &= all_tops - np.stack([middle, -middle]) >= LEAST_SWING * all_tops
        possible[..., : stretch.core.start] = False
        possible[..., stretch.core.stop :] = False
        for side, sign in enumerate((1.0, -1.0)):
            for channel, (runs, tops) in enumerate(zip(self._runs, all_tops[side], strict=True)):
                slots = _piled_up(stretch, channel, sign, np.flatnonzero(possible[side, channel]), tops)
                if len(slots):
                    runs.append(_flat_runs(stretch, channel, sign, slots, tops))
        tops = np.where(possible, all_tops, 0.0)
        for channel, ceiling in enumerate(self._ceilings):
            ceiling.add(stretch, channel, tops[:, channel])
        self._lean(stretch, all_tops)

    def _lean(self, stretch: Stretch, all_tops: Samples32) -> None:
        """Gather tops that lean."""
        core = all_tops[..., stretch.core]
        self._highest = np.maximum(self._highest, core.max(2))
        least = np.maximum(np.float32(HIGH_FRACTION) * self._highest.max(0), np.float32(LOWEST_GAIN))
        sides, channels, slots = np.nonzero(core >= least[:, np.newaxis])
        signs = (1 - 2 * sides).astype(np.float32)
        slots += stretch.core.start
        of_channel, tops = straight_tops(stretch, channels, slots, signs, least=least, rate_hz=self._rate_hz)
        for channel, leaning in enumerate(self._leaning):
            leaning.append(tops[of_channel == channel])

    def result(self) -> tuple[Clipping, ...]:
        """Clipping of every channel, as far as the take has been added."""
        return tuple(
            self._sum_up(
                channel,
                np.concatenate(self._runs[channel]),
                agreeing(np.concatenate(self._leaning[channel])),
                self._ceilings[channel].clipped(),
            )
            for channel in range(len(self._runs))
        )

    def _sum_up(self, channel: int, runs: Reals, leaning: Reals, short: Reals) -> Clipping:
        runs = runs[np.argsort(runs[:, 0], kind="stable")]
        sure = (runs[:, 1] >= SURE_FRAMES) & (runs[:, 3] >= SURE_SPREADS)
        for side, highest in zip((1.0, -1.0), self._highest[:, channel], strict=True):
            some = np.flatnonzero(np.sign(runs[:, 2]) == side)
            sure[some] |= _have_company(runs[some], NEARBY_S * self._rate_hz)
            some = some[side * runs[some, 2] >= TOPMOST_FRACTION * highest]
            sure[some] |= _have_company(runs[some], np.inf)
        runs = _with(runs[sure], short) if len(short) or np.any(sure) else leaning
        minutes = self._frames / self._rate_hz / 60.0
        return Clipping(
            count=len(runs),
            duration_s=float(runs[:, 1].sum()) / self._rate_hz,
            level_gain=_median_height(runs),
            upper_count=int(np.count_nonzero(runs[:, 2] > 0.0)),
            lower_count=int(np.count_nonzero(runs[:, 2] < 0.0)),
            longest_frames=int(runs[:, 1].max(initial=0.0)),
            per_minute=len(runs) / minutes if minutes else 0.0,
            places=tuple(int(first) for first in runs[:MOST_PLACES, 0]),
        )


def _have_company(runs: Reals, nearby_frames: float) -> Flags:
    """Whether one of the two runs before or after is at the same height and near."""
    company = np.zeros(len(runs), bool)
    for apart in (1, 2):
        one, other = runs[:-apart], runs[apart:]
        if len(runs) <= apart:
            break
        alike = np.abs(one[:, 2] - other[:, 2]) <= SAME_HEIGHT_FRACTION * np.abs(one[:, 2])
        alike &= other[:, 0] - one[:, 0] <= nearby_frames
        company[:-apart] |= alike
        company[apart:] |= alike
    return company


def _with(runs: Reals, short: Reals) -> Reals:
    """Runs and short tops in order, without those that are part of a run."""
    at = np.searchsorted(runs[:, 0], short[:, 0], side="right") - 1
    apart = np.ones(len(short), bool)
    if len(runs):
        apart = (at < 0) | (short[:, 0] >= runs[at, 0] + runs[at, 1])
    runs = np.concatenate([runs, short[apart]])
    return runs[np.argsort(runs[:, 0], kind="stable")]


def _median_height(runs: Reals) -> float:
    """Height below which half of the clipped time is."""
    if not len(runs):
        return 0.0
    heights = np.abs(runs[:, 2])
    order = np.argsort(heights)
    passed = np.cumsum(runs[order, 1])
    return float(heights[order[np.searchsorted(passed, 0.5 * passed[-1])]])


def _highest_around(tops: Samples32) -> Samples32:
    """Highest of each slot and `_REACH_SLOTS` to both sides, along the last axis."""
    highest = tops.copy()
    reached = 0
    while reached < _REACH_SLOTS:
        step = min(reached + 1, _REACH_SLOTS - reached)
        wider = highest.copy()
        np.maximum(wider[..., step:], highest[..., :-step], out=wider[..., step:])
        np.maximum(wider[..., :-step], highest[..., step:], out=wider[..., :-step])
        highest, reached = wider, reached + step
    return highest


def _middle_around(stretch: Stretch) -> Samples32:
    """Mean of the samples of each slot and `_REACH_SLOTS` to both sides, shape (channels, slots)."""
    sums = np.cumsum(stretch.sums, axis=-1)
    before, after = np.zeros((len(sums), _REACH_SLOTS + 1)), np.repeat(sums[:, -1:], _REACH_SLOTS, axis=1)
    sums = np.concatenate([before, sums, after], axis=1)
    width = 2 * _REACH_SLOTS + 1
    return np.asarray((sums[:, width:] - sums[:, :-width]) / (width * stretch.slot_frames), np.float32)


def _piled_up(stretch: Stretch, channel: int, sign: float, slots: Counts, tops: Samples32) -> Counts:
    """Those of some slots whose samples pile up at the top."""
    sound = stretch.sound[channel].reshape(-1, stretch.slot_frames)
    flat = _count_above(sound[slots], tops[slots] - _tolerance(tops[slots]), sign)
    slots, flat = slots[flat >= 2], flat[flat >= 2]
    # Of round tops four times as many samples lie within sixteen times the depth.
    wide = _count_above(sound[slots], tops[slots] - 16.0 * _tolerance(tops[slots]), sign)
    return np.asarray(slots[2 * wide <= 5 * flat], np.int64)


def _count_above(rows: Samples32, least: Samples32, sign: float) -> Counts:
    """How many samples of each row reach a height, above or below zero."""
    reaching = rows >= least[:, np.newaxis] if sign > 0.0 else rows <= -least[:, np.newaxis]
    return count_true(reaching)


def _tolerance(top: Samples32) -> Samples32:
    return np.asarray(np.maximum(np.float32(FLAT_FRACTION) * top, FLAT_FLOOR), np.float32)


def _flat_runs(stretch: Stretch, channel: int, sign: float, slots: Counts, tops: Samples32) -> Reals:
    """Runs of flattened samples that begin in the core: rows of first frame, frames, signed height, fall."""
    sound, slot = stretch.sound[channel], stretch.slot_frames
    # A run may reach into the slots beside: they are looked at for the same height.
    least = np.full(len(tops), np.inf, np.float32)
    for beside in (-1, 0, 1):
        np.minimum.at(least, slots + beside, tops[slots] - _tolerance(tops[slots]))
    looked = np.flatnonzero(np.isfinite(least))
    # One row a slot, and an empty row wherever slots are left out, so that no run goes on across.
    row = np.arange(len(looked)) + np.cumsum(np.diff(looked, prepend=looked[0]) > 1)
    slot_of = np.zeros(row[-1] + 1, np.int64)
    slot_of[row] = looked
    rows = sound.reshape(-1, slot)[looked]
    high = np.zeros((row[-1] + 1) * slot + 2, bool)
    reaching = rows >= least[looked, np.newaxis] if sign > 0.0 else rows <= -least[looked, np.newaxis]
    high[1:-1].reshape(-1, slot)[row] = reaching
    turns = np.flatnonzero(high[1:] != high[:-1])
    starts, lengths = turns[::2], turns[1::2] - turns[::2]
    starts, lengths = starts[lengths >= LEAST_FRAMES], lengths[lengths >= LEAST_FRAMES]
    starts = slot_of[starts // slot] * slot + starts % slot
    begin, end = stretch.core_frames
    inside = (starts >= begin) & (starts < end)
    starts, lengths = starts[inside], lengths[inside]
    falling = _may_fall(sound, sign, starts, lengths)
    found = [
        _judge(stretch, sound, sign, start, start + length)
        for start, length in zip(starts[falling].tolist(), lengths[falling].tolist(), strict=True)
    ]
    return np.array([row for row in found if row is not None]).reshape(-1, _COLUMNS)


def _may_fall(sound: Samples32, sign: float, starts: Counts, lengths: Counts) -> Flags:
    """Whether three samples of a run, and two beyond, leave room for what `_judge` asks: most round tops do not."""
    beyond, last = -(-lengths // 2), len(sound) - 1
    middle = sign * sound[starts + lengths // 2]
    varies = np.maximum(
        np.abs(middle - sign * sound[starts]), np.abs(middle - sign * sound[starts + lengths - 1])
    )
    first_half, ends = -(-beyond // 2), starts + lengths - 1
    outside = np.maximum(
        _lower_of(sign, sound, np.maximum(starts - first_half, 0), np.maximum(starts - beyond, 0)),
        _lower_of(sign, sound, np.minimum(ends + first_half, last), np.minimum(ends + beyond, last)),
    )
    room = np.maximum(FLAT_FRACTION * np.abs(middle) / (1.0 - FLAT_FRACTION), FLAT_FLOOR)
    # What is the same to the bit around its middle is judged by that alone: its ends may be the way up and down.
    around = starts[:, np.newaxis] + lengths[:, np.newaxis] // 2 + np.arange(-2, SURE_FRAMES - 2)
    same = np.ptp(sound[np.clip(around, 0, last)], axis=1) == 0.0
    return np.asarray(same | (middle + room - outside >= FALL_SPREADS * varies), np.bool_)


def _lower_of(sign: float, sound: Samples32, near: Counts, far: Counts) -> Samples32:
    return np.asarray(np.minimum(sign * sound[near], sign * sound[far]), np.float32)


def _judge(
    stretch: Stretch, sound: Samples32, sign: float, start: int, stop: int
) -> tuple[float, float, float, float] | None:
    """One run: kept if the sound falls off at once on both sides.

    Where its top is the same to the bit for long, only that counts: the samples beside it are the way up and down.
    """
    top = np.flatnonzero(sound[start:stop] == sign * (sign * sound[start:stop]).max())
    if SURE_FRAMES <= len(top) == top[-1] - top[0] + 1:
        start, stop = start + int(top[0]), start + int(top[-1]) + 1
    frames = stop - start
    beyond = -(-frames // 2)
    left, right = start - beyond, stop - 1 + beyond
    if left < stretch.begin or right >= stretch.end:
        return None
    run = sign * sound[start:stop].astype(np.float64)
    height = float(run.max())
    spread = max(height - float(run.min()), 1e-9)
    lowest = (sign * sound[left:start]).min(), (sign * sound[stop : right + 1]).min()
    fall = height - float(max(lowest))
    if fall < FALL_SPREADS * spread:
        return None
    slot = stretch.slot_frames
    steps = np.abs(np.diff(sound[max(stretch.begin, start - slot) : min(stretch.end, stop + slot)]))
    quantum = float(steps[steps > 0.0].min(initial=np.inf))
    if fall < FALL_QUANTA * quantum:
        return None
    return stretch.first_frame + start, frames, sign * height, fall / spread


def measure_clipping(audio: AnySamples, *, sample_rate_hz: float) -> tuple[Clipping, ...]:
    """Clipping of every channel of a whole array.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float
        At least 1000.

    Returns
    -------
    tuple of Clipping

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    gauge = ClippingGauge(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for stretch in each_stretch(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(stretch)
    return gauge.result()
