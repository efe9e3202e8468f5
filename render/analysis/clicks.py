"""Clicks: jolts of a sample or a few that no string, nail or hand can make.

One of the gauges that look at samples. A bad cable, a slipping clock or a lost buffer puts a spike or a step into the
sound, and then the sound goes on as though nothing had happened. Whatever is played changes what follows: it rings,
it decays, it comes back with every turn of the string. So a click is told by what surrounds it: a model of the
sound is fitted to a fiftieth of a second before and after, and the jolt must stand far out of what the model leaves
unexplained, be over at once, and leave the sound as it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.stretches import Counts, Stretch, each_stretch
from render.audio.array import AnySamples, Reals, Samples32

BOUND_SIGMA = 4.5
"""Looked at more closely: a fourth difference so many times its own RMS in the slots before and after. A click of
ten times the RMS of white noise has seven."""

CLICK_SIGMA = 6.8
"""A click: so many times the RMS of what the model leaves unexplained. Gaussian noise gets there once in 10**11
samples, 500 hours."""

STAND_OUT = 2.2
"""And so many times the largest of it anywhere else nearby: playing has more than one peak."""

PEAK_FRACTION = 1.0 / 40.0
"""And as high as this share of the local peak: lower ones are masked, and the onset of a smooth sound has a bend of
about so much."""

STEP_CHANGE = 2.0
"""After a step the sound is not louder than before by more than this (6 dB), whole or in its treble: else a note
began there, as notes that are synthesised or cut do."""

SPIKE_SHARPNESS = 15.0
SPIKE_CHANGE = 4.0
"""After a spike, by more than this (12 dB): nothing begins with a spike, but a note may follow soon."""

NEAR_S = 0.004
"""And louder already within this time: a note that follows later has not begun with the click."""

LONGEST_S = 0.0012
"""A click is over by then."""

SOON_S = 0.002
DECAY_SIGMA = 12.0
"""So much higher than what is more in these 2 ms after it than before: a slap, however short, is still decaying."""

SPARSE_SIGMA = 16.0
"""And so much higher than the lower quartile of its own millisecond: between the jolts of a click there is nothing,
within a burst of noise there is noise."""

AROUND_S = 0.010
"""What is fitted and compared on both sides: a note played so near to a click hides it."""

ORDER = 24
"""Of the model: enough for the ten or twelve partials that matter within 20 ms."""

NOISE_FRACTION = 1e-5
"""Of the power, added as though noise: a model of perfect sound would ring after every jolt."""

SHARPNESS = 7.5
"""Energy of the fifth difference against that of the middle band (third difference of sums of neighbours). A spike
has 21, a step from one sample to the next 11.7; a bend, with which a smooth sound begins, 5; a step over two samples
2.3, and what strings and bodies do, hardly anything. (A spike of exactly two equal samples has 4.2 and is missed:
synthesised notes begin so.)"""

QUANTA = 12.0
"""And as high as so many steps of the converter (8 bits)."""

INSIDE_FRACTION = 0.02
"""And at the end of the take: not lower than this share of its RMS (-34 dB). Lower ones are not heard."""

WARNING_COUNT = 2
"""Suggested: a single one may be a nail or the ground; two are a cable. Both figures are ours."""

MOST_PLACES = 1000
_GUARD = 8


@dataclass(frozen=True)
class Clicks:
    """Clicks of one source.

    Attributes
    ----------
    count : int
    highest_gain : float
        Height of the highest, full scale 1; 0 if there is none.
    places : tuple of int
        Frame of each, at most the first thousand.
    heights : tuple of float
        Of each of these.
    """

    count: int
    highest_gain: float
    places: tuple[int, ...]
    heights: tuple[float, ...]


class ClickGauge:
    """Finds clicks, stretch by stretch.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.
    channels : int
        At least 1.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._around = max(4 * ORDER, round(AROUND_S * sample_rate_hz))
        self._longest = max(2, round(LONGEST_S * sample_rate_hz))
        self._found: list[list[tuple[int, float]]] = [[] for _ in range(channels)]
        self._squares = np.zeros(channels)
        self._frames = 0

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        begin, end = stretch.core_frames
        self._frames += end - begin
        self._squares += stretch.squares[:, stretch.core].sum(-1)
        for channel, slot in zip(*candidate_slots(stretch), strict=True):
            self._look(stretch, int(channel), int(slot))

    def _look(self, stretch: Stretch, channel: int, slot: int) -> None:
        """Judge the sharpest bend of a slot."""
        sound = stretch.sound[channel]
        first = slot * stretch.slot_frames
        bends = np.abs(np.diff(sound[first - 4 : first + stretch.slot_frames], n=4))
        at = first + int(bends.argmax()) - 2
        begin, end = at - self._around - _GUARD, at + self._longest + _GUARD + self._around
        if begin - ORDER < stretch.begin or end > stretch.end:
            return
        place, found = stretch.first_frame + at, self._found[channel]
        if found and place - found[-1][0] <= self._longest:
            return
        height = click_height(sound[begin - ORDER : end].astype(np.float64), around=self._around)
        if height > 0.0:
            found.append((place, height))

    def result(self) -> tuple[Clicks, ...]:
        """Clicks of every channel, as far as the take has been added."""
        return tuple(self._sum_up(channel) for channel in range(len(self._found)))

    def _sum_up(self, channel: int) -> Clicks:
        least = INSIDE_FRACTION * math.sqrt(self._squares[channel] / max(1, self._frames))
        found = [(place, height) for place, height in self._found[channel] if height >= least]
        return Clicks(
            count=len(found),
            highest_gain=max((height for _, height in found), default=0.0),
            places=tuple(place for place, _ in found[:MOST_PLACES]),
            heights=tuple(height for _, height in found[:MOST_PLACES]),
        )


def candidate_slots(stretch: Stretch) -> tuple[Counts, Counts]:
    """Slots of the core with a bend that stands out of those before and after: their channels, and their numbers."""
    peaks, power = stretch.bend_peaks, stretch.bend_squares
    first, stop = stretch.core.start, stretch.core.stop

    def beside(figures: Samples32, slots: int) -> Samples32:
        return figures[:, first + slots : stop + slots]

    own = beside(peaks, 0)
    # The slots next to it may hold a part of the click.
    around = np.maximum(
        beside(power, -2) + beside(power, -3), beside(power, 2) + beside(power, 3)
    ) / np.float32(2 * stretch.slot_frames)
    standing = own**2 > np.float32(BOUND_SIGMA**2) * around
    standing &= own > 1.4 * np.maximum(beside(peaks, -2), beside(peaks, 2))
    standing &= own >= np.maximum(beside(peaks, -1), beside(peaks, 1))
    size = np.maximum(stretch.highest, -stretch.lowest)
    standing &= own > 2.0 * PEAK_FRACTION * np.minimum(beside(size, -2), beside(size, 2))
    channels, slots = np.nonzero(standing)
    return np.asarray(channels, np.int64), np.asarray(slots + first, np.int64)


def fit_model(before: Reals, after: Reals, *, order: int = ORDER) -> Reals:
    """Coefficients that foretell a sample from those before it, as well as they can on both stretches.

    Parameters
    ----------
    before, after : float64, shape (frames,)
    order : int

    Returns
    -------
    float64, shape (order,)
        Of the last sample first. Least squares (covariance method), `NOISE_FRACTION` added.
    """
    moments = np.zeros((order + 1, order + 1))
    for part in (before, after):
        rows = np.lib.stride_tricks.sliding_window_view(part, order + 1)
        moments += rows.T @ rows
    moments = moments[::-1, ::-1]  # of the newest sample first
    power = float(moments[0, 0])
    within = moments[1:, 1:] + (NOISE_FRACTION * power + 1e-30) * np.eye(order)
    return np.asarray(np.linalg.solve(within, moments[1:, 0]), np.float64)


def click_height(sound: Reals, *, around: int) -> float:
    """Height of the click in the middle of a piece of sound; 0 if it is none.

    Parameters
    ----------
    sound : float64, shape (frames,)
        `ORDER` frames to begin with, `around` before, room for the click, `around` after.
    around : int
        Frames.

    Returns
    -------
    float
    """
    first, last = ORDER + around, len(sound) - around
    before, after = sound[:first], sound[last:]
    sharpness = measure_sharpness(sound[first : first + 2 * _GUARD])
    change = SPIKE_CHANGE if sharpness >= SPIKE_SHARPNESS else STEP_CHANGE
    if sharpness < SHARPNESS or _has_changed(before[ORDER:], after, most=change):
        return 0.0
    model = fit_model(before, after)
    rows = np.lib.stride_tricks.sliding_window_view(sound, ORDER + 1)
    rest = np.abs(rows[:, ORDER] - rows[:, ORDER - 1 :: -1] @ model)
    # Within `ORDER` frames after the click its samples still take part in what is foretold.
    left, middle, right = rest[:around], rest[around : last - ORDER], rest[last:]
    height = float(middle[: 2 * _GUARD].max())
    quiet, loud = float(np.mean(left**2)), float(np.mean(right**2))
    some = max(8, round(around * SOON_S / AROUND_S))
    just, soon = float(np.mean(left[-some:] ** 2)), float(np.mean(right[:some] ** 2))
    others = np.sort(np.concatenate([left, right]))[-3:]
    moved = np.abs(np.diff(before))
    least = max(
        CLICK_SIGMA * math.sqrt(max(quiet, loud, just, soon)),
        DECAY_SIGMA * math.sqrt(max(soon - just, 0.0)),
        SPARSE_SIGMA * float(np.partition(middle, len(middle) // 4)[len(middle) // 4]),
        STAND_OUT * float(others[0]),
        PEAK_FRACTION * max(float(np.abs(before).max()), float(np.abs(after).max())),
        QUANTA * float(moved[moved > 0.0].min(initial=math.inf)),
    )
    return height if height > least else 0.0


def measure_sharpness(sound: Reals) -> float:
    """Energy at the top against that of the middle band, over a few frames, as `SHARPNESS` says; 0 for silence."""
    bends = np.diff(sound, n=3)
    top = np.diff(bends, n=2)
    middle = bends[2:] + 2.0 * bends[1:-1] + bends[:-2]
    return float(np.sum(top**2)) / max(float(np.sum(middle**2)), 1e-30)


def _has_changed(before: Reals, after: Reals, *, most: float) -> bool:
    """Whether the sound is louder after, whole or in its treble, and is so from the click on."""
    near = max(8, round(len(after) * NEAR_S / AROUND_S))
    for _ in range(3):
        if _is_louder(before, after, most) and _is_louder(before[-near:], after[:near], most):
            return True
        before, after = np.diff(before), np.diff(after)
    return False


def _is_louder(before: Reals, after: Reals, most: float) -> bool:
    return float(np.mean(after**2)) > most**2 * float(np.mean(before**2))


def measure_clicks(audio: AnySamples, *, sample_rate_hz: float) -> tuple[Clicks, ...]:
    """Clicks of every channel of a whole array.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float
        At least 1000.

    Returns
    -------
    tuple of Clicks

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    gauge = ClickGauge(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for stretch in each_stretch(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(stretch)
    return gauge.result()
