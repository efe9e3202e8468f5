"""Clicks: jolts of a sample or a few that no string, nail or hand can make.

One of the gauges that look at samples. A bad cable, a slipping clock or a lost buffer puts a spike or a step into the
sound, and then the sound goes on as though nothing had happened. Whatever is played changes what follows: it rings,
it decays, it comes back with every turn of the string. So a click is told by what surrounds it: a model of the
sound is fitted to a fiftieth of a second before and after, and the jolt must stand far out of what the model leaves
unexplained, be over at once, and leave the sound as it was (`jolts`). Where the steps of a take are those with which
its notes begin (`novelty`), they are no clicks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.jolts import PEAK_FRACTION, judge_jolts
from render.analysis.novelty import are_beginnings
from render.analysis.stretches import Counts, Stretch, each_stretch
from render.analysis.unexplained import AROUND_S, GUARD, ORDER
from render.audio.array import AnySamples, Reals, Samples32

BOUND_SIGMA = 4.5
"""Looked at more closely: a fourth difference so many times its own RMS in the slots before and after. A click of
ten times the RMS of white noise has seven."""

LONGEST_S = 0.0012
"""A click is over by then."""

LONGEST_PULSE, OTHER_EDGE = 12, 0.5
"""A bend that is this share of the sharpest, and up to so many frames before it, is where a flat pulse begins."""

INSIDE_FRACTION = 0.02
"""And at the end of the take: not lower than this share of its RMS (-34 dB). Lower ones are not heard."""

WARNING_COUNT = 3
"""Suggested: one or two that are not sure may be nails; three are a cable. Both figures are ours."""

MANY_STEPS = 20
"""So many steps of both channels together tell what is a note; fewer each channel by itself."""

MOST_PLACES = 1000
AT_ONCE = 64
"""Pieces of sound judged together."""


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
    sure : tuple of bool
        Of each of these, whether it can be nothing that is played, though it be the only one.
    """

    count: int
    highest_gain: float
    places: tuple[int, ...]
    heights: tuple[float, ...]
    sure: tuple[bool, ...]


@dataclass(frozen=True)
class _Found:
    """One click, before the whole take is known."""

    place: int
    height: float
    step: bool
    sure: bool


class ClickGauge:
    """Finds clicks, stretch by stretch; of sound at a `sample_rate_hz` of 1000 at least."""

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._rate_hz = sample_rate_hz
        self._around = max(4 * ORDER, round(AROUND_S * sample_rate_hz))
        self._longest = max(2, round(LONGEST_S * sample_rate_hz))
        self._found: list[list[_Found]] = [[] for _ in range(channels)]
        self._steps: list[list[float]] = [
            [] for _ in range(channels)
        ]  # how they look like beginnings of notes
        self._waiting: list[tuple[Counts, Counts, Reals]] = []  # channels, places, pieces
        self._squares = np.zeros(channels)
        self._frames = 0

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        begin, end = stretch.core_frames
        self._frames += end - begin
        self._squares += stretch.squares[:, stretch.core].sum(-1)
        channels, slots = candidate_slots(stretch)
        if len(slots):
            self._look(stretch, channels, slots)

    def _look(self, stretch: Stretch, channels: Counts, slots: Counts) -> None:
        """Cut out what is around the sharpest bend of each of some slots, to be judged many at a time."""
        sound = stretch.sound
        from_begin = np.arange(-LONGEST_PULSE - 4, stretch.slot_frames)
        within = slots[:, np.newaxis] * stretch.slot_frames + from_begin
        bends = np.abs(np.diff(sound[channels[:, np.newaxis], within], n=4))
        at = slots * stretch.slot_frames + _first_edges(bends) - LONGEST_PULSE - 2
        before = self._around + GUARD + ORDER
        beyond = self._longest + GUARD + self._around
        inside = (at - before >= stretch.begin) & (at + beyond <= stretch.end)
        channels, at = channels[inside], at[inside]
        around = at[:, np.newaxis] + np.arange(-before, beyond)
        pieces = sound[channels[:, np.newaxis], around].astype(np.float64)
        self._waiting.append((channels, stretch.first_frame + at, pieces))
        if sum(len(piece) for _, _, piece in self._waiting) >= AT_ONCE:
            self._judge()

    def _judge(self) -> None:
        """Judge what waits."""
        channels, places, pieces = (np.concatenate(parts) for parts in zip(*self._waiting, strict=True))
        self._waiting.clear()
        jolts = judge_jolts(pieces, around=self._around, sample_rate_hz=self._rate_hz)
        for one in np.flatnonzero(np.isfinite(jolts.beginning)):
            self._steps[channels[one]].append(float(jolts.beginning[one]))
        for one in np.flatnonzero(jolts.height > 0.0):
            place, found = int(places[one]), self._found[channels[one]]
            if not found or place - found[-1].place > self._longest:
                height, step, sure = jolts.height[one], jolts.step[one], jolts.sure[one]
                found.append(_Found(place, float(height), bool(step), bool(sure)))

    def result(self) -> tuple[Clicks, ...]:
        """Clicks of every channel, as far as the take has been added."""
        if self._waiting:
            self._judge()
        steps = [np.array(of) for of in self._steps]
        # Notes begin on both channels, but on one of them fewer may be sharp: where there are many, together.
        together = np.concatenate(steps)
        many = len(together) >= MANY_STEPS and are_beginnings(together)
        return tuple(
            self._sum_up(channel, notes=many or are_beginnings(own)) for channel, own in enumerate(steps)
        )

    def _sum_up(self, channel: int, *, notes: bool) -> Clicks:
        least = INSIDE_FRACTION * math.sqrt(self._squares[channel] / max(1, self._frames))
        found = [one for one in self._found[channel] if one.height >= least and not (one.step and notes)]
        return Clicks(
            count=len(found),
            highest_gain=max((one.height for one in found), default=0.0),
            places=tuple(one.place for one in found[:MOST_PLACES]),
            heights=tuple(one.height for one in found[:MOST_PLACES]),
            sure=tuple(one.sure for one in found[:MOST_PLACES]),
        )


def _first_edges(bends: Samples32) -> Counts:
    """Places in rows of bends of the sharpest, past `LONGEST_PULSE`, or of the other edge of a pulse before it."""
    edges = LONGEST_PULSE + bends[:, LONGEST_PULSE:].argmax(-1)
    rows = np.arange(len(bends))
    earlier = edges[:, np.newaxis] + np.arange(-LONGEST_PULSE, -GUARD + 2)
    before = bends[rows[:, np.newaxis], earlier]
    sharp = before.max(-1) > OTHER_EDGE * bends[rows, edges]
    return np.asarray(np.where(sharp, earlier[rows, before.argmax(-1)], edges), np.int64)


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
