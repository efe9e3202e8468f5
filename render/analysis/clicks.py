"""Clicks: jolts of a sample or a few that no string, nail or hand can make.

One of the gauges that look at samples. A bad cable, a slipping clock or a lost buffer puts a spike or a step into the
sound, and then the sound goes on as though nothing had happened. Whatever is played changes what follows: it rings,
it decays, it comes back with every turn of the string. So a click is told by what surrounds it: a model of the
sound is fitted to a fiftieth of a second before and after, and the jolt must stand far out of what the model leaves
unexplained, be over at once, and leave the sound as it was. The measures are those of `unexplained`; here is what they
must be for a click.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.stretches import Counts, Flags, Stretch, each_stretch
from render.analysis.unexplained import (
    AROUND_S,
    GUARD,
    ORDER,
    Unexplained,
    fit_models,
    measure_change,
    measure_growth,
    measure_sharpness,
    measure_unexplained,
)
from render.audio.array import AnySamples, Reals, Samples32

BOUND_SIGMA = 4.5
"""Looked at more closely: a fourth difference so many times its own RMS in the slots before and after. A click of
ten times the RMS of white noise has seven."""

CLICK_SIGMA = 6.8
"""A click: so many times the RMS of what the model leaves unexplained. Gaussian noise gets there once in 10**11
samples, 500 hours."""

STAND_OUT = 3.2
"""And so many times the third largest of it anywhere else nearby: playing has more than one peak. Of 7000 clicks put
into recordings at the edge of being heard, two in a hundred have less."""

FEWEST_FRAMES = 3
"""A click of which no more samples than this follow neither from what was before nor from what comes after is told by
these and the bounds of change and growth below: of 5000 spikes and steps one in a hundred has more; of nails, slaps and
drums that get so far, hardly one in twenty has so few."""

MOST_FRAMES, MOST_SPAN = 10, 12
"""A longer one, told by more, has up to so many, no farther apart than so: a pulse of ten samples has ten."""

PULSE_SIGMA, PULSE_STAND_OUT, PULSE_SPARSE = 11.0, 4.5, 35.0
"""It stands out by more, forwards and backwards, and of its millisecond's lower quartile by so much, unless nothing
else in that is unexplained: what percussion does in so short a time is less."""

SQUARE_SIGMA, SQUARE_SPARSE = 8.0, 24.0
"""Less will do where it begins and ends as a step does."""

FAR_STAND_OUT, LONG_SPAN, LONG_SPARSE = 20.0, 48, 2.0
"""And it may be so long, a millisecond, where it stands out by this, and a quarter of its millisecond is as quiet as
all around: within a burst that dies away nothing is."""

PULSE_SHARPNESS = 2.2
"""And need not be as sharp, if it does not grow as a bend does: samples that go up and down at random have 2 to 60."""

CUT_SIGMA, CUT_STAND_OUT, CUT_FRAMES = 10.0, 4.5, 2
CUT_GROWTH, CUT_CHANGE = 2.0, 20.0
"""A cut: hardly a sample that does not follow from one side or the other. So begins no sound that is played, however
much louder it is (26 dB) than what was before; notes that are synthesised begin so, but they grow."""

FEW_BENDS = 50.0
FEW_STAND_OUT = 4.0
"""Where the bend of the click is so many times the median of those nearby, it is so many times the fifth of them (a
step, with which a click may end, has four): of 900 clicks put into strings one was not."""

PEAK_FRACTION = 1.0 / 40.0
"""And as high as this share of the local peak: lower ones are masked, and the onset of a smooth sound has a bend of
about so much."""

STEP_CHANGE = 2.0
"""After a step the sound is not louder than before by more than this (6 dB), whole or in its treble: else a note
began there, as notes that are synthesised or cut do."""

HELD_GROWTH = 1.1
HELD_CHANGE = 3.0
"""By more than this (10 dB), where it does not go on growing after its first two samples."""

SPIKE_SHARPNESS = 15.0
SPIKE_CHANGE = 4.0
"""After a spike, by more than this (12 dB): nothing begins with a spike, but a note may follow soon."""

SPIKE_GROWTH = 0.15
"""After a spike of two samples at most, by any amount: nothing at all does so."""

BEND_SHARPNESS = 3.5
BEND_CHANGE = 1.5
BEND_GROWTH = 1.6
"""What is no sharper than a bend is a click where it does not grow as a bend does, by two or more, and where the sound
after it is not louder by more than 3.5 dB."""

LONGEST_S = 0.0012
"""A click is over by then."""

DECAY_SIGMA = 12.0
"""So much higher than what is more in 2 ms after it than before: a slap, however short, is still decaying."""

SPARSE_SIGMA = 18.0
"""And so much higher than the lower quartile of its own millisecond: between the jolts of a click there is nothing,
within a burst of noise there is noise."""

FAR_SIGMA = 50.0
"""Unless it is so much higher than what is left just before and soon after."""

UNSURE_SHARPNESS = 10.0
UNSURE_GROWTH = 3.0
"""Up to this sharpness it may be a bend with noise on it, and grows as one does."""

SHARPNESS = 7.5
"""As `measure_sharpness` has it: above a bend, below a step. A spike of exactly two equal samples has 4.2: see
`BEND_SHARPNESS`."""

QUANTA = 12.0
"""And as high as so many steps of the converter (8 bits)."""

INSIDE_FRACTION = 0.02
"""And at the end of the take: not lower than this share of its RMS (-34 dB). Lower ones are not heard."""

WARNING_COUNT = 2
"""Suggested: a single one may be a nail or the ground; two are a cable. Both figures are ours."""

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
    """

    count: int
    highest_gain: float
    places: tuple[int, ...]
    heights: tuple[float, ...]


class ClickGauge:
    """Finds clicks, stretch by stretch; of sound at a `sample_rate_hz` of 1000 at least."""

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._around = max(4 * ORDER, round(AROUND_S * sample_rate_hz))
        self._longest = max(2, round(LONGEST_S * sample_rate_hz))
        self._found: list[list[tuple[int, float]]] = [[] for _ in range(channels)]
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
        within = slots[:, np.newaxis] * stretch.slot_frames + np.arange(-4, stretch.slot_frames)
        bends = np.abs(np.diff(sound[channels[:, np.newaxis], within], n=4))
        at = slots * stretch.slot_frames + bends.argmax(-1) - 2
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
        heights = click_heights(pieces, around=self._around)
        for one in np.flatnonzero(heights > 0.0):
            place, found = int(places[one]), self._found[channels[one]]
            if not found or place - found[-1][0] > self._longest:
                found.append((place, float(heights[one])))

    def result(self) -> tuple[Clicks, ...]:
        """Clicks of every channel, as far as the take has been added."""
        if self._waiting:
            self._judge()
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


def click_heights(pieces: Reals, *, around: int) -> Reals:
    """Heights of the clicks in the middle of pieces of sound; 0 where there is none.

    Parameters
    ----------
    pieces : float64, shape (pieces, frames)
        Of each: `ORDER` frames to begin with, `around` before, room for the click, `around` after.
    around : int
        Frames.
    """
    first, last = ORDER + around, pieces.shape[1] - around
    heights = np.zeros(len(pieces))
    sharpness = measure_sharpness(pieces[:, first : first + 2 * GUARD])
    some = np.flatnonzero(sharpness >= PULSE_SHARPNESS)
    some = some[_is_alone(pieces[some], around)]
    before, after = pieces[some, :first], pieces[some, last:]
    change = measure_change(before[:, ORDER:], after)
    bounds = (sharpness[some] >= SPIKE_SHARPNESS, sharpness[some] >= SHARPNESS)
    possible = change <= np.select(bounds, (math.inf, CUT_CHANGE), BEND_CHANGE)
    some, change = some[possible], change[possible]
    if len(some):
        models = fit_models(before[possible], after[possible])
        left = measure_unexplained(pieces[some], models, around=around)
        growth = measure_growth(pieces[some], models, around=around)
        told = left.height > _least_height(pieces[some], left, around)
        told &= _tells_click(left, sharpness[some], change, growth)
        heights[some[told]] = left.height[told]
    return heights


def _tells_click(left: Unexplained, sharpness: Reals, change: Reals, growth: Reals) -> Flags:
    """Whether what is left is as that of a few samples that are wrong, of a longer pulse, or of a cut."""
    sigma = left.height / np.maximum(left.rms, 1e-30)
    stands_out = np.minimum(left.height / np.maximum(left.elsewhere, 1e-30), left.backwards)
    sparse = left.height / np.maximum(left.quarter, 1e-30)
    far = (stands_out > FAR_STAND_OUT) & (sparse > LONG_SPARSE * stands_out)
    short = (left.frames <= MOST_FRAMES) & (left.coarse_span <= MOST_SPAN)
    short |= far & (left.coarse_span <= LONG_SPAN)
    sharp = sharpness >= SHARPNESS
    few = (left.frames <= FEWEST_FRAMES) | (
        short & sharp & (growth < BEND_GROWTH) & (sigma > SQUARE_SIGMA) & (sparse > SQUARE_SPARSE)
    )
    few &= change <= _most_change(sharpness, growth)
    few &= (sparse > SPARSE_SIGMA) | (left.height > FAR_SIGMA * np.maximum(left.just, left.soon))
    pulse = short & (left.coarse_frames >= 2) & (sharp | (growth < BEND_GROWTH)) & (change <= BEND_CHANGE)
    pulse &= (sigma > PULSE_SIGMA) & (stands_out > PULSE_STAND_OUT)
    pulse &= (sparse > PULSE_SPARSE) | (left.span <= MOST_FRAMES)
    cut = (left.frames <= CUT_FRAMES) & (left.coarse_span <= CUT_FRAMES) & (sharpness >= SHARPNESS)
    cut &= (sigma > CUT_SIGMA) & (stands_out > CUT_STAND_OUT) & (growth < CUT_GROWTH) & (change <= CUT_CHANGE)
    return np.asarray(few | pulse | cut, np.bool_)


def _most_change(sharpness: Reals, growth: Reals) -> Reals:
    """How much louder the sound may be after a click; below zero where it is none."""
    spike = np.where(growth < SPIKE_GROWTH, math.inf, SPIKE_CHANGE)
    step = np.where(growth < HELD_GROWTH, HELD_CHANGE, STEP_CHANGE)
    unsure = np.where(growth < UNSURE_GROWTH, step, -1.0)
    bend = np.where(growth < BEND_GROWTH, BEND_CHANGE, -1.0)
    bend = np.where(growth < SPIKE_GROWTH, SPIKE_CHANGE, bend)
    bounds = (SPIKE_SHARPNESS, UNSURE_SHARPNESS, SHARPNESS, BEND_SHARPNESS)
    return np.select([sharpness >= bound for bound in bounds], [spike, step, unsure, bend], -1.0)


def _is_alone(pieces: Reals, around: int) -> Flags:
    """Whether hardly a bend nearby is like the one in the middle, where bends are few.

    What is played jolts with every turn of the string and hardly bends between: no model is needed to see that. Where
    bends are everywhere, as in noise, they do not tell.
    """
    first, last = ORDER + around, pieces.shape[1] - around
    bends = np.abs(np.diff(pieces, n=4))
    own = bends[:, first - 4 : first + 2 * GUARD].max(-1)
    others = np.concatenate([bends[:, : first - GUARD], bends[:, last:]], axis=1)
    middle, fifth = others.shape[1] // 2, others.shape[1] - 5
    others = np.partition(others, (middle, fifth))
    few = own > FEW_BENDS * others[:, middle]
    return np.asarray(~few | (own > FEW_STAND_OUT * others[:, fifth]), np.bool_)


def _least_height(pieces: Reals, left: Unexplained, around: int) -> Reals:
    """Height that a click must have, for all that is around it."""
    first, last = ORDER + around, pieces.shape[1] - around
    before, after = pieces[:, :first], pieces[:, last:]
    moved = np.abs(np.diff(before))
    bounds = [
        CLICK_SIGMA * left.rms,
        DECAY_SIGMA * np.sqrt(np.maximum(left.soon**2 - left.just**2, 0.0)),
        STAND_OUT * left.elsewhere,
        PEAK_FRACTION * np.maximum(np.abs(before).max(-1), np.abs(after).max(-1)),
        QUANTA * np.min(moved, axis=-1, initial=math.inf, where=moved > 0.0),
    ]
    return np.asarray(np.max(bounds, axis=0), np.float64)


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
