"""Clipped tops that lean: a coupling capacitor after the stage that clips lets a flat top sink towards zero.

Part of `clipping`. Behind a first-order high-pass of corner frequency f a flat top falls at 2 pi f times its height a
second, for as long as it lasts, whatever the height and on both sides of zero: its logarithm is a straight line. So
straight tops between two corners are gathered near the highest level of a take, and believed where most of them sink at
one and the same rate.
"""

from __future__ import annotations

import math

import numpy as np

from render.analysis.stretches import Counts, Flags, Stretch
from render.audio.array import Reals, Samples32

SLOWEST_PER_S = 20.0
FASTEST_PER_S = 190.0
"""Rates at which tops sink: high-passes of 3 to 30 Hz. Slower ones are flat."""

SPREADS = 40.0
MOST_BEYOND = 8
"""Beyond both ends, half a top's length away or eight frames, the sound is so many times farther from the line than
the top itself."""

STRAIGHT_FRACTION = 0.002
STRAIGHT_SPREADS = 6.0
STRAIGHT_FLOOR = 6e-5
"""A straight top stays so near its line: a share of its height at first, then so many times what half of its samples
are off, but no less than what 16 bits leave."""

CORNER_FRAMES = 5
"""What was cut off went on over the line: the sound just outside an end, carried on by a cubic into the top, lies above
it, by as many spreads. The shoulder of a sum of partials bends into its line, and lies under it. One end is enough,
since the filter of a converter rings at a corner."""

LEAST_FRAMES = 5
LONGEST_S = 0.003
"""Half a turn of a low string."""

HIGH_FRACTION = 0.7
"""Looked at are tops so near the highest of the take: they are of several heights, since what flows through the
capacitor moves them up and down."""

AGREE_FRACTION = 0.03
ALIKE_FRACTION = 0.15
MOST_OF = 0.5
"""Believed are those that agree on the rate and, roughly, the height, if they are most of all and no chance. In clean
sound there are a few straight tops an hour near the highest level, and each sinks at another rate."""

CHANCE = 1e-3
"""So unlikely must it be that tops, once there are as many, agree as well as they do."""

MOST_TRIED = 200
"""So many tops are tried as the one that most are like: in a take that is clipped throughout any will do."""

COPY_FRACTION = 5e-4
"""Tops of one length that agree so well in height are one sound played twice, as samplers do: they count once."""

_CARRIED_ON = np.linalg.pinv(np.vander(np.arange(1.0, CORNER_FRAMES + 1), 4)).T @ np.vander([-1.0], 4)[0]

_RATES_APART = math.log(FASTEST_PER_S / SLOWEST_PER_S)
_LEAST_APART = 0.002

COLUMNS = 4  # first frame, frames, signed height, rate per second


def straight_tops(
    stretch: Stretch, channels: Counts, slots: Counts, signs: Samples32, *, least: Samples32, rate_hz: float
) -> tuple[Counts, Reals]:
    """Straight sinking tops among the highest samples of some slots.

    Parameters
    ----------
    stretch : Stretch
    channels, slots : int64, shape (slots,)
    signs : float32, shape (slots,)
        1 or -1: above or below zero.
    least : float32, shape (channels,)
        Lower tops are left alone.
    rate_hz : float
        Sample rate.

    Returns
    -------
    int64, shape (tops,), and float64, shape (tops, 4)
        Channel of each, and rows of first frame, frames, signed height, rate per second.
    """
    sound, slot = stretch.sound, stretch.slot_frames
    longest = round(LONGEST_S * rate_hz)
    parts = next(parts for parts in (4, 5, 3, 2, 1) if slot % parts == 0)
    rows = sound.reshape(len(sound), -1, slot // parts)
    within, part = np.divmod(np.arange(parts * len(slots)), parts)[0], np.tile(np.arange(parts), len(slots))
    channels, signs = channels[within], signs[within]
    part += slots[within] * parts
    first = (signs[:, np.newaxis] * rows[channels, part]).argmax(-1) + part * (slot // parts)
    high = signs * sound[channels, first] >= least[channels]
    channels, signs, first = channels[high], signs[high], first[high]
    worth = (first >= stretch.begin + longest) & (first + 2 * longest < stretch.end)
    near = first[:, np.newaxis] + np.array([-4, 0, 2, 4])
    worth[worth] = _may_be(
        sound[channels[worth, np.newaxis], near[worth]] * signs[worth, np.newaxis], rate_hz=rate_hz
    )
    if not np.any(worth):
        return channels[:0], np.zeros((0, COLUMNS))
    channels, first, signs = channels[worth], first[worth], signs[worth]
    whole = first[:, np.newaxis] + np.arange(-longest, 2 * longest)
    tops = (signs[:, np.newaxis] * sound[channels[:, np.newaxis], whole]).astype(np.float64)
    result = np.zeros((len(tops), COLUMNS))
    for row, top in zip(result, tops, strict=True):
        frames, sinking = _judge(top, longest)
        row[1], row[3] = frames, sinking * rate_hz
    result[:, 0] = stretch.first_frame + first
    result[:, 2] = signs * tops[:, longest]
    good = (result[:, 3] >= SLOWEST_PER_S) & (result[:, 3] <= FASTEST_PER_S)
    return channels[good], result[good]


def _may_be(heights: Samples32, *, rate_hz: float) -> Flags:
    """Whether a top, looked at four frames before, two and four after, rises faster than it sinks, and sinks evenly.

    Nearly all tops are round, and do not.
    """
    before, top, near, far = heights.T
    sunk = top - far
    slowest, fastest = (4.0 * rate / rate_hz for rate in (0.5 * SLOWEST_PER_S, 1.3 * FASTEST_PER_S))
    even = np.abs(top - 2.0 * near + far) <= 0.25 * sunk + 2.0 * STRAIGHT_FLOOR
    rises = top - before >= 1.5 * sunk
    return np.asarray(
        even & rises & (sunk >= slowest * top) & (sunk <= fastest * top + STRAIGHT_FLOOR), np.bool_
    )


def _judge(top: Reals, longest: int) -> tuple[int, float]:
    """Length of the straight part that begins in a piece after `longest`, and the share it sinks a frame; or 0, 0."""
    height = float(top[longest])
    logs = np.log(np.maximum(top, 1e-3 * height) / height)
    run, floor = logs[longest:], STRAIGHT_FLOOR / height
    # The first sample may still be on the rise.
    sinking, at_first, room, frames = (
        float(run[4] - run[1]) / 3.0,
        float(run[1]),
        STRAIGHT_FRACTION + floor,
        0,
    )
    for _ in range(4):
        off = np.abs(at_first + sinking * np.arange(longest - 1) - run[1:longest])
        beyond_room = off > room
        frames = 1 + (int(beyond_room.argmax()) if beyond_room.any() else longest)
        if not LEAST_FRAMES <= frames < longest:
            return 0, 0.0
        sinking, at_first = _line(run[1:frames])
        off = np.abs(at_first + sinking * np.arange(frames - 1) - run[1:frames])
        room = max(STRAIGHT_SPREADS * float(np.median(off)), floor)
    spread = max(float(off.max()), 1e-6)
    beyond = min(-(-frames // 2), MOST_BEYOND)
    left = at_first - sinking * (beyond + 1) - logs[longest - beyond]
    right = at_first + sinking * (frames - 2 + beyond) - run[frames - 1 + beyond]
    if min(left, right) < SPREADS * spread:
        return 0, 0.0
    outside = top[longest - CORNER_FRAMES : longest][::-1], top[longest + frames :][:CORNER_FRAMES]
    second = np.exp([at_first, at_first + sinking * (frames - 3)])
    above = np.array([_CARRIED_ON @ heights for heights in outside]) / height - second
    if float(above.max()) < SPREADS * spread:
        return 0, 0.0
    return frames, -sinking


def _line(values: Reals) -> tuple[float, float]:
    """Slope of the straight line through some values, and its height at the first."""
    middle = 0.5 * (len(values) - 1)
    place = np.arange(len(values)) - middle
    slope = float(place @ values / (place @ place))
    return slope, float(values.mean()) - slope * middle


def agreeing(tops: Reals) -> Reals:
    """Those of the straight tops of a take that sink at the rate most of them have; none without such a rate."""
    tops = tops[np.argsort(tops[:, 0], kind="stable")]
    tops = tops[np.diff(tops[:, 0], prepend=-np.inf) >= LEAST_FRAMES]  # found from two slots, it is one
    height = np.abs(tops[:, 2])
    tops = tops[height >= HIGH_FRACTION * height.max(initial=0.0)]
    if len(tops) < 2:
        return tops[:0]
    rate, height = tops[:, 3], np.abs(tops[:, 2])
    tried = np.linspace(0, len(tops) - 1, min(len(tops), MOST_TRIED)).astype(np.int64)
    counts = [np.count_nonzero(_alike(rate, height, one)) for one in tried]
    some = tops[_alike(rate, height, int(tried[int(np.argmax(counts))]))]
    if len(some) < max(2.0, MOST_OF * len(tops)):
        return tops[:0]
    own, of = _without_copies(some), _without_copies(tops)
    believed = len(own) >= 2 and _log_chance(own, of=len(of)) <= math.log(CHANCE)
    return some if believed else tops[:0]


def _without_copies(tops: Reals) -> Reals:
    """One of each that are alike, in order of height and length."""
    alike = np.rint(np.log(np.abs(tops[:, 2])) / COPY_FRACTION)
    _, one = np.unique(np.column_stack([np.sign(tops[:, 2]), alike, tops[:, 1]]), axis=0, return_index=True)
    return tops[one]


def _alike(rate: Reals, height: Reals, one: int) -> Flags:
    """Which tops are like one of them."""
    near = np.abs(rate / rate[one] - 1.0) <= AGREE_FRACTION
    return np.asarray(near & (np.abs(height / height[one] - 1.0) <= ALIKE_FRACTION), np.bool_)


def _log_chance(some: Reals, *, of: int) -> float:
    """Of so many of all tops agreeing so well by chance; long ones are rarer, by half with every second frame."""
    count = len(some)
    apart = max(float(np.ptp(np.log(some[:, 3]))), _LEAST_APART) / _RATES_APART
    ways = math.lgamma(of + 1) - math.lgamma(count + 1) - math.lgamma(of - count + 1)
    rarer = float(np.clip(0.5 * (some[:, 1] - LEAST_FRAMES), 0.0, 3.0).sum())
    return ways + (count - 1) * math.log(min(1.0, apart)) - math.log(2.0) * rarer
