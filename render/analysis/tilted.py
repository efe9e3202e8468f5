"""Clipped tops that lean: a coupling capacitor after the stage that clips lets a flat top sink towards zero.

Part of `clipping`. Behind a first-order high-pass of corner frequency f a flat top falls at 2 pi f times its height a
second, a straight line for as long as it lasts, whatever the height and on both sides of zero. So straight tops between
two corners are gathered, and believed where most of those in a take sink at one and the same rate.
"""

from __future__ import annotations

import numpy as np

from render.analysis.stretches import Counts, Flags, Stretch
from render.audio.array import Reals, Samples32

SLOWEST_PER_S = 20.0
FASTEST_PER_S = 190.0
"""Rates at which tops sink: high-passes of 3 to 30 Hz. Slower ones are flat."""

SPREADS = 40.0
"""Beyond both ends, half a top's length away, the sound is so many times farther from the line than the top itself."""

STRAIGHT_FRACTION = 0.002
STRAIGHT_FLOOR = 6e-5
"""A straight top stays so near its line: a share of its height, and what 16 bits leave."""

LEAST_FRAMES = 6
MOST_FRAMES = 48

AGREE_FRACTION = 0.15
ALIKE_FRACTION = 0.25
FEWEST = 3
MOST_OF = 0.7
"""Believed are three or more that agree on the rate and, roughly, the height, if they are most of all. In clean sound
there is one straight top in minutes, and each sinks at another rate."""

COLUMNS = 4  # first frame, frames, signed height, rate per second


def straight_tops(
    stretch: Stretch, channels: Counts, slots: Counts, signs: Samples32, *, rate_hz: float
) -> tuple[Counts, Reals]:
    """Straight sinking tops among the highest samples of some slots.

    Parameters
    ----------
    stretch : Stretch
    channels, slots : int64, shape (slots,)
    signs : float32, shape (slots,)
        1 or -1: above or below zero.
    rate_hz : float
        Sample rate.

    Returns
    -------
    int64, shape (tops,), and float64, shape (tops, 4)
        Channel of each, and rows of first frame, frames, signed height, rate per second.
    """
    sound, slot = stretch.sound, stretch.slot_frames
    rows = sound.reshape(len(sound), -1, slot)[channels, slots]
    rows *= signs[:, np.newaxis]
    first = slots * slot + rows.argmax(-1)
    worth = (first >= stretch.begin + MOST_FRAMES) & (first + 2 * MOST_FRAMES < stretch.end)
    near = first[:, np.newaxis] + np.array([-4, 0, 2, 4])
    worth[worth] = _may_be(
        sound[channels[worth, np.newaxis], near[worth]] * signs[worth, np.newaxis], rate_hz=rate_hz
    )
    if not np.any(worth):
        return channels[:0], np.zeros((0, COLUMNS))
    channels, first, signs = channels[worth], first[worth], signs[worth]
    whole = first[:, np.newaxis] + np.arange(-MOST_FRAMES, 2 * MOST_FRAMES)
    tops = (signs[:, np.newaxis] * sound[channels[:, np.newaxis], whole]).astype(np.float64)
    result = np.zeros((len(tops), COLUMNS))
    for row, top in zip(result, tops, strict=True):
        frames, sinking = _judge(top)
        row[1], row[3] = frames, sinking * rate_hz / top[MOST_FRAMES]
    result[:, 0] = stretch.first_frame + first
    result[:, 2] = signs * tops[:, MOST_FRAMES]
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


def _judge(top: Reals) -> tuple[int, float]:
    """Length of the straight part that begins in a piece after `MOST_FRAMES`, and how far it sinks a frame; or 0, 0."""
    run = top[MOST_FRAMES:]
    room = max(STRAIGHT_FRACTION * float(run[0]), STRAIGHT_FLOOR)
    sinking, frames = float(run[0] - run[4]) / 4.0, LEAST_FRAMES - 1
    for _ in range(3):
        off = np.abs(run[0] - sinking * np.arange(MOST_FRAMES) - run[:MOST_FRAMES]) > room
        frames = int(off.argmax()) if off.any() else MOST_FRAMES
        if not LEAST_FRAMES <= frames < MOST_FRAMES:
            return 0, 0.0
        sinking = float(np.polyfit(np.arange(frames), run[:frames], 1)[0]) * -1.0
    place = np.arange(frames)
    line = np.polyfit(place, run[:frames], 1)
    spread = max(float(np.abs(np.polyval(line, place) - run[:frames]).max()), 1e-6)
    beyond = -(-frames // 2)
    left = float(np.polyval(line, -beyond)) - float(top[MOST_FRAMES - beyond])
    right = float(np.polyval(line, frames - 1 + beyond)) - float(run[frames - 1 + beyond])
    if min(left, right) < SPREADS * spread:
        return 0, 0.0
    return frames, sinking


def agreeing(tops: Reals) -> Reals:
    """Those of the straight tops of a take that sink at the rate most of them have; none without such a rate."""
    if len(tops) < FEWEST:
        return tops[:0]
    rate, height = tops[:, 3], np.abs(tops[:, 2])
    near = np.abs(rate[:, np.newaxis] / rate - 1.0) <= AGREE_FRACTION
    near &= np.abs(height[:, np.newaxis] / height - 1.0) <= ALIKE_FRACTION
    best = near.sum(0).argmax()
    some = tops[near[:, best]]
    return some if len(some) >= max(FEWEST, MOST_OF * len(tops)) else tops[:0]
