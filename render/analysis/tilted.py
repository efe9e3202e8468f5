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


def straight_tops(stretch: Stretch, channel: int, sign: float, slots: Counts, *, rate_hz: float) -> Reals:
    """Straight sinking tops among the highest samples of some slots.

    Parameters
    ----------
    stretch : Stretch
    channel : int
    sign : 1 or -1
        Above or below zero.
    slots : int64, shape (slots,)
    rate_hz : float
        Sample rate.

    Returns
    -------
    float64, shape (tops, 4)
        Rows of first frame, frames, signed height, rate per second.
    """
    sound, slot = stretch.sound[channel], stretch.slot_frames
    rows = sound.reshape(-1, slot)[slots]
    first = slots * slot + (rows.argmax(-1) if sign > 0.0 else rows.argmin(-1))
    first = first[(first >= stretch.begin + MOST_FRAMES) & (first + 2 * MOST_FRAMES < stretch.end)]
    first = first[_may_be(sound, sign, first, rate_hz=rate_hz)]
    if not len(first):
        return np.zeros((0, COLUMNS))
    tops = sign * sound[first[:, np.newaxis] + np.arange(-MOST_FRAMES, 2 * MOST_FRAMES)].astype(np.float64)
    found = []
    for at, top in zip(first.tolist(), tops, strict=True):
        judged = _judge(top)
        if judged is not None:
            frames, sinking = judged
            height = float(top[MOST_FRAMES])
            found.append((stretch.first_frame + at, frames, sign * height, sinking * rate_hz / height))
    result = np.array(found).reshape(-1, COLUMNS)
    return result[(result[:, 3] >= SLOWEST_PER_S) & (result[:, 3] <= FASTEST_PER_S)]


def _may_be(sound: Samples32, sign: float, first: Counts, *, rate_hz: float) -> Flags:
    """Whether the first frames of a top sink evenly and slowly: nearly all tops are round, and do not."""
    top, near, far = (sign * sound[first + after] for after in (0, 2, 4))
    room = np.maximum(STRAIGHT_FRACTION * top, STRAIGHT_FLOOR)
    even = np.abs(top - 2.0 * near + far) <= 2.0 * room
    return np.asarray(even & (top - far <= 1.3 * top * 4.0 * FASTEST_PER_S / rate_hz + room), np.bool_)


def _judge(top: Reals) -> tuple[int, float] | None:
    """Length of the straight part that begins in the middle of a piece, and how far it sinks a frame."""
    run = top[MOST_FRAMES:]
    room = max(STRAIGHT_FRACTION * float(run[0]), STRAIGHT_FLOOR)
    sinking, frames = float(run[0] - run[4]) / 4.0, LEAST_FRAMES - 1
    for _ in range(3):
        off = np.abs(run[0] - sinking * np.arange(MOST_FRAMES) - run[:MOST_FRAMES]) > room
        frames = int(off.argmax()) if off.any() else MOST_FRAMES
        if not LEAST_FRAMES <= frames < MOST_FRAMES:
            return None
        sinking = float(np.polyfit(np.arange(frames), run[:frames], 1)[0]) * -1.0
    place = np.arange(frames)
    line = np.polyfit(place, run[:frames], 1)
    spread = max(float(np.abs(np.polyval(line, place) - run[:frames]).max()), 1e-6)
    beyond = -(-frames // 2)
    left = float(np.polyval(line, -beyond)) - float(top[MOST_FRAMES - beyond])
    right = float(np.polyval(line, frames - 1 + beyond)) - float(run[frames - 1 + beyond])
    if min(left, right) < SPREADS * spread:
        return None
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
