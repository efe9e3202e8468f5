"""What a jolt in the sound must be for a click: the measures of `unexplained`, and their bounds.

Behind `clicks`, for pieces of sound with something in the middle, many at a time. Tests that need no model come first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.novelty import measure_novelty, weigh_beginning
from render.analysis.stretches import Flags
from render.analysis.unexplained import (
    GUARD,
    ORDER,
    Unexplained,
    fit_models,
    measure_change,
    measure_growth,
    measure_sharpness,
    measure_unexplained,
)
from render.audio.array import Reals

CLICK_SIGMA = 6.8
"""A click: so many times the RMS of what the model leaves unexplained. Gaussian noise gets there once in 10**11
samples, 500 hours."""

STAND_OUT = 2.6
"""And so many times the third largest of it anywhere else nearby: playing has more than one peak. Of 7000 clicks put
into recordings at the edge of being heard, two in a hundred have less than 3.2; of 8 h of clean takes with as much of
all else, one piece is between the two, but for notes that begin with a bend."""

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

WRONG_FRAMES, WRONG_COARSE = 12, 2
WRONG_STAND_OUT, WRONG_SPARSE, WRONG_CHANGE = 12.0, 80.0, 3.0
WRONG_SHARPNESS, WRONG_GROWTH = 1.6, 2.0
"""Samples that are wrong: at least two of a dozen follow from neither side by a sixth of the height, they stand far
out, and all else of their millisecond is quiet. Then neither their shape nor what the sound does after them matters,
but for the roundest bends, which grow: of 6 h of clean takes one has so much; of tones that begin with a bend, nine."""

SOFTER_STAND_OUT, SOFTER_SPARSE, SOFTER_CHANGE = 5.5, 30.0, 1.3
SOFTER_COARSE, TWO_STAND_OUT = 3, 7.0
"""Less will do where the sound goes on as it was (2.3 dB) and three follow from neither; or two, with a little more."""

SQUARE_STAND_OUT, SQUARE_CHANGE = 7.0, 8.0
"""Where it does not grow, and has edges as sharp as a step has, by this, though a note begin soon after (18 dB)."""

LOW_STAND_OUT, LOW_SPARSE, LOW_SHARPNESS = 3.5, 20.0, 5.0
"""Least of all, where it does not grow, is sharper than a bend, and the sound goes on as it was."""

CUT_SIGMA, CUT_STAND_OUT, CUT_FRAMES = 10.0, 4.5, 2
CUT_GROWTH, CUT_CHANGE = 2.0, 20.0
"""A cut: hardly a sample that does not follow from one side or the other. So begins no sound that is played, however
much louder it is (26 dB) than what was before; notes that are synthesised begin so, but they grow."""

LOUD_CUT_SIGMA, LOUD_CUT_STAND_OUT, LOUD_CUT_CHANGE = 30.0, 15.0, 60.0
"""Or 36 dB, as where a piece is lost up to the attack of a note, if it stands out by this."""

BURST_STAND_OUT, BURST_SIGMA, BURST_SPARSE, BURST_FRAMES = 20.0, 40.0, 30.0, 40
BURST_PEAK, BURST_CHANGE = 0.5, 1.3
"""A burst, sharp or round: a jolt of half the local peak that is over within a millisecond and leaves no trace. In
4.5 h of recorded and invented playing, slaps and taps with it, none does, but for notes that begin with a step."""

BURST_BEND = 0.25
"""It bends (second difference) by this share of the local peak: a tone of that height does from 4 kHz up."""

SOFT_SHARPNESS, SOFT_GROWTH, SOFT_COARSE = 3.6, 0.5, 4
SMOOTHED_SHARPNESS, SMOOTHED_COARSE = 4.6, 2
"""Below this sharpness, which two equal samples reach, notes of a program begin once they have gone through a pickup's
filter: a click has to be over sooner than they are, or to be of more samples that follow from neither side. Below a
bend it is of two at least. Of 9200 clicks it costs 35."""

NEVER_STAND_OUT = 8.0
"""So nothing begins: as sharp as a step, but a sample or more follows from neither side, by a sixth of the height, and
it stands out by this. Of 10400 steps with which a program's notes begin, 98 % follow from what comes after them."""

SURE_STAND_OUT, SURE_PEAK = 10.0, 0.1
"""Such a one is a click for sure if it is as high as this share of the local peak, and stands out by so much."""

SURE_STEP_PEAK, SURE_NOVELTY, SURE_RISE = 0.5, 0.1, 0.2
"""Others are where they are as high as this, and the sound goes on as it was: nothing new in it, nor anything gone, and
as loud (1.2 dB)."""

FEW_BENDS = 50.0
FEW_STAND_OUT = 3.0
"""Where the bend of the click is so many times the median of those nearby, it is so many times the fifth of them (a
step, with which a click may end, has four). It spares every sixth model; without it four clicks in a thousand more
were found, and one more in 8 h of clean takes."""

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

GAP_CHANGE = 10.0
"""Where the sound is so many times (20 dB) louder or softer than just before, a gap begins or ends and no note."""

QUANTA = 12.0
"""And as high as so many steps of the converter (8 bits)."""


@dataclass(frozen=True, eq=False)
class Jolts:
    """What was found in the middle of some pieces of sound; all of shape (pieces,).

    Attributes
    ----------
    height : float64
        Of each click; 0 where there is none.
    step : bool
        A click, or it would be one were the sound after it not so much louder; and none that nothing begins with.
    sure : bool
        Of each click, whether one by itself can be nothing but a click.
    beginning : float64
        How much each step looks like the beginning of a note (`weigh_beginning`); NaN for others, and where a gap
        begins or ends.
    """

    height: Reals
    step: Flags
    sure: Flags
    beginning: Reals


def judge_jolts(pieces: Reals, *, around: int, sample_rate_hz: float) -> Jolts:
    """Tell clicks in the middle of pieces of sound.

    Parameters
    ----------
    pieces : float64, shape (pieces, frames)
        Of each: `ORDER` frames to begin with, `around` before, room for the click, `around` after.
    around : int
        Frames.
    sample_rate_hz : float
    """
    first, last = ORDER + around, pieces.shape[1] - around
    beginning = np.full(len(pieces), np.nan)
    flags = np.zeros((2, len(pieces)), np.bool_)
    jolts = Jolts(np.zeros(len(pieces)), flags[0], flags[1], beginning)
    sharpness = measure_sharpness(pieces[:, first : first + 2 * GUARD])
    local_peak = np.maximum(np.abs(pieces[:, :first]).max(-1), np.abs(pieces[:, last:]).max(-1))
    some = np.flatnonzero(
        (sharpness >= PULSE_SHARPNESS) | _bends(pieces[:, first - GUARD : last], local_peak)
    )
    some = some[_is_alone(pieces[some], around)]
    change = measure_change(pieces[some, ORDER:first], pieces[some, last:])
    possible = (change < GAP_CHANGE) | (sharpness[some] >= SHARPNESS)
    some, change = some[possible], change[possible]
    if not len(some):
        return jolts
    sharpness, local_peak, around_it = sharpness[some], local_peak[some], pieces[some]
    before, after = around_it[:, :first], around_it[:, last:]
    models = fit_models(before, after)
    left = measure_unexplained(around_it, models, around=around)
    growth = measure_growth(around_it, models, around=around)
    high = left.height > _least_height(around_it, left, around)
    told = _tells_click(left, sharpness, change, growth)
    told = high & (told | _tells_burst(left, local_peak, change))
    # As told, were the sound no louder after it: so begin notes, and among them are those told.
    no_change = np.zeros_like(change)
    step = _tells_click(left, sharpness, no_change, growth)
    stands_out = _stands_out(left)
    never = (sharpness >= SHARPNESS) & (left.coarse_frames >= 1) & (stands_out >= NEVER_STAND_OUT)
    never |= (growth < SPIKE_GROWTH) & (left.frames >= 1)
    step = high & (step | _tells_burst(left, local_peak, no_change)) & ~never
    least = np.select(
        [sharpness < SOFT_SHARPNESS, sharpness < SMOOTHED_SHARPNESS], [SOFT_COARSE, SMOOTHED_COARSE]
    )
    told &= (left.coarse_frames >= least) | (growth < SOFT_GROWTH)
    jolts.height[some[told]] = left.height[told]
    jolts.step[some] = step
    share, sure = left.height / np.maximum(local_peak, 1e-30), told & (stands_out > SURE_STAND_OUT)
    jolts.sure[some] = sure & (share > SURE_PEAK) & ~step
    if step.any():
        weight, as_it_was = _weigh_steps(before[step, ORDER:], after[step], change[step], sample_rate_hz)
        jolts.beginning[some[step]] = weight
        jolts.sure[some[step]] = (sure & (share > SURE_STEP_PEAK))[step] & as_it_was
    return jolts


def _weigh_steps(before: Reals, after: Reals, change: Reals, sample_rate_hz: float) -> tuple[Reals, Flags]:
    """How much steps look like beginnings of notes (NaN where a gap begins or ends); where sound goes on as it was."""
    softer = measure_change(after[:, ::-1], before[:, ::-1])
    new = measure_novelty(before, after, sample_rate_hz=sample_rate_hz)
    gone = measure_novelty(after[:, ::-1], before[:, ::-1], sample_rate_hz=sample_rate_hz)
    rise = _octaves(change, softer)
    slopes = _octaves(*(np.sqrt(np.mean(np.diff(side) ** 2, axis=-1)) for side in (after, before)))
    no_gap = (change < GAP_CHANGE) & (softer < GAP_CHANGE)
    as_it_was = no_gap & (np.maximum(new, gone) < SURE_NOVELTY) & (np.abs(rise) < SURE_RISE)
    weight = np.where(no_gap, weigh_beginning(new, gone, rise, slopes), np.nan)
    return np.asarray(weight, np.float64), np.asarray(as_it_was, np.bool_)


def _octaves(after: Reals, before: Reals) -> Reals:
    """How much more one is than the other: logarithm to base two."""
    return np.asarray(np.log2(np.maximum(after, 1e-30) / np.maximum(before, 1e-30)), np.float64)


def _bends(middle: Reals, local_peak: Reals) -> Flags:
    """Whether sound bends enough for a burst."""
    return np.asarray(np.abs(np.diff(middle, n=2)).max(-1) > BURST_BEND * local_peak, np.bool_)


def _tells_click(left: Unexplained, sharpness: Reals, change: Reals, growth: Reals) -> Flags:
    """Whether what is left is as that of a few samples that are wrong, of a longer pulse, or of a cut."""
    sigma = left.height / np.maximum(left.rms, 1e-30)
    stands_out = _stands_out(left)
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
    pulse = short & (left.coarse_frames >= 2) & (change <= BEND_CHANGE)
    pulse &= sharp | ((growth < BEND_GROWTH) & (sharpness >= PULSE_SHARPNESS))
    pulse &= (sigma > PULSE_SIGMA) & (stands_out > PULSE_STAND_OUT)
    pulse &= (sparse > PULSE_SPARSE) | (left.span <= MOST_FRAMES)
    cut = sharp & (left.frames <= CUT_FRAMES) & (left.coarse_span <= CUT_FRAMES) & (growth < CUT_GROWTH)
    loud = (sigma > LOUD_CUT_SIGMA) & (stands_out > LOUD_CUT_STAND_OUT) & (change <= LOUD_CUT_CHANGE)
    cut &= loud | ((sigma > CUT_SIGMA) & (stands_out > CUT_STAND_OUT) & (change <= CUT_CHANGE))
    return np.asarray(few | pulse | cut | _tells_wrong(left, sharpness, change, growth), np.bool_)


def _tells_wrong(left: Unexplained, sharpness: Reals, change: Reals, growth: Reals) -> Flags:
    """Whether what is left is as that of a dozen samples of which some follow from nothing."""
    stands_out = _stands_out(left)
    sparse = left.height / np.maximum(left.quarter, 1e-30)
    held = growth < WRONG_GROWTH
    wrong = (left.frames <= WRONG_FRAMES) & (left.span <= WRONG_FRAMES) & (left.coarse_frames >= WRONG_COARSE)
    wrong &= held | (sharpness >= WRONG_SHARPNESS)
    three = left.coarse_frames >= SOFTER_COARSE
    far = (stands_out > WRONG_STAND_OUT) & (change <= WRONG_CHANGE)
    far |= (stands_out > SQUARE_STAND_OUT) & (change <= SQUARE_CHANGE) & held & (sharpness >= SHARPNESS)
    softer = (stands_out > np.where(three, SOFTER_STAND_OUT, TWO_STAND_OUT)) & (change <= SOFTER_CHANGE)
    wrong &= (far & (sparse > WRONG_SPARSE)) | (softer & (sparse > SOFTER_SPARSE))
    low = three & (left.frames <= WRONG_FRAMES) & (left.coarse_span <= WRONG_FRAMES) & held
    low &= (stands_out > LOW_STAND_OUT) & (sparse > LOW_SPARSE) & (change <= SOFTER_CHANGE)
    return np.asarray(wrong | (low & (sharpness >= LOW_SHARPNESS)), np.bool_)


def _stands_out(left: Unexplained) -> Reals:
    """How far the most that is left stands above all else nearby, foretold and traced back."""
    return np.asarray(np.minimum(left.height / np.maximum(left.elsewhere, 1e-30), left.backwards), np.float64)


def _tells_burst(left: Unexplained, local_peak: Reals, change: Reals) -> Flags:
    """Whether what is left is as that of a burst."""
    height = left.height
    burst = height > BURST_SIGMA * np.maximum.reduce([left.rms, left.just, left.soon])
    burst &= _stands_out(left) > BURST_STAND_OUT
    burst &= (height > BURST_SPARSE * left.quarter) & (height > BURST_PEAK * local_peak)
    burst &= (left.coarse_span <= LONG_SPAN) & (left.frames <= BURST_FRAMES) & (change <= BURST_CHANGE)
    return np.asarray(burst, np.bool_)


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
