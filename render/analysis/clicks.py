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

from render.analysis.stretches import Counts, Flags, Stretch, each_stretch
from render.audio.array import AnySamples, Reals, Samples32

BOUND_SIGMA = 4.5
"""Looked at more closely: a fourth difference so many times its own RMS in the slots before and after. A click of
ten times the RMS of white noise has seven."""

CLICK_SIGMA = 6.8
"""A click: so many times the RMS of what the model leaves unexplained. Gaussian noise gets there once in 10**11
samples, 500 hours."""

STAND_OUT = 2.8
"""And so many times the third largest of it anywhere else nearby: playing has more than one peak. Of 1700 clicks that
are heard one in a hundred has less than 3.9."""

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

NEAR_S = 0.004
"""And louder already within this time: a note that follows later has not begun with the click."""

LONGEST_S = 0.0012
"""A click is over by then."""

SOON_S = 0.002
DECAY_SIGMA = 12.0
"""So much higher than what is more in these 2 ms after it than before: a slap, however short, is still decaying."""

SPARSE_SIGMA = 24.0
"""And so much higher than the lower quartile of its own millisecond: between the jolts of a click there is nothing,
within a burst of noise there is noise. Nails on strings, noise that decays in a millisecond, come up to 23; of clicks
that are heard one in two hundred has less than 28."""

FAR_SIGMA = 50.0
"""Unless it is so much higher than what is left just before and soon after."""

AROUND_S = 0.010
"""What is fitted and compared on both sides: a note played so near to a click hides it."""

ORDER = 24
"""Of the model: enough for the ten or twelve partials that matter within 20 ms."""

NOISE_FRACTION = 1e-5
"""Of the power, added as though noise: a model of perfect sound would ring after every jolt."""

UNSURE_SHARPNESS = 10.0
UNSURE_GROWTH = 3.0
"""Up to this sharpness it may be a bend with noise on it, and grows as one does."""

SHARPNESS = 7.5
"""Energy of the fifth difference against that of the middle band (third difference of sums of neighbours). A spike
has 21, a step from one sample to the next 11.7; a bend, with which a smooth sound begins, 5; a step over two samples
2.3, and what strings and bodies do, hardly anything. A spike of exactly two equal samples has 4.2: see
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
BEGINS_FRACTION = 0.3
"""A click begins with the first sample that is off by so much of the most."""

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
        before = self._around + _GUARD + ORDER
        beyond = self._longest + _GUARD + self._around
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


def fit_models(before: Reals, after: Reals, *, order: int = ORDER) -> Reals:
    """Coefficients that foretell a sample from those before it, as well as they can on both stretches of a piece.

    Least squares (covariance method), `NOISE_FRACTION` added; shape (pieces, order), of the last sample first.
    """
    earlier, later = _sliding(before, order), _sliding(after, order)
    moments = earlier.swapaxes(1, 2) @ earlier + later.swapaxes(1, 2) @ later
    moments = moments[:, ::-1, ::-1]  # of the newest sample first
    power = moments[:, 0, 0]
    within = moments[:, 1:, 1:] + (NOISE_FRACTION * power + 1e-30)[:, np.newaxis, np.newaxis] * np.eye(order)
    return np.asarray(np.linalg.solve(within, moments[:, 1:, :1])[..., 0], np.float64)


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
    sharpness = measure_sharpness(pieces[:, first : first + 2 * _GUARD])
    heights, change = np.zeros(len(pieces)), np.zeros(len(pieces))
    some = np.flatnonzero(sharpness >= BEND_SHARPNESS)
    some = some[_is_alone(pieces[some], around)]
    change[some] = _measure_change(pieces[some, ORDER:first], pieces[some, last:])
    some = some[change[some] <= _most_change(sharpness[some], np.zeros(len(some)))]
    if len(some):
        heights[some] = _stand_out(pieces[some], around)
        some = some[heights[some] > 0.0]
    if len(some):
        growth = measure_growth(pieces[some], around=around)
        heights[some[change[some] > _most_change(sharpness[some], growth)]] = 0.0
    return heights


def _most_change(sharpness: Reals, growth: Reals) -> Reals:
    """How much louder the sound may be after a click; below zero where it is none."""
    spike = np.where(growth < SPIKE_GROWTH, math.inf, SPIKE_CHANGE)
    step = np.where(growth < HELD_GROWTH, HELD_CHANGE, STEP_CHANGE)
    unsure = np.where(growth < UNSURE_GROWTH, step, -1.0)
    bend = np.where(growth < BEND_GROWTH, BEND_CHANGE, -1.0)
    bounds = (SPIKE_SHARPNESS, UNSURE_SHARPNESS, SHARPNESS, BEND_SHARPNESS)
    return np.select([sharpness >= bound for bound in bounds], [spike, step, unsure, bend], -1.0)


def measure_growth(pieces: Reals, *, around: int) -> Reals:
    """How far the sound goes away from what is foretold, 4 to 9 samples from the click on, against the first two.

    Pieces as for `click_heights`. A spike of one sample has nearly 0, a step 1, a bend 2 or more: what begins goes on.
    """
    first, last = ORDER + around, pieces.shape[1] - around
    models = fit_models(pieces[:, :first], pieces[:, last:])
    rest = np.abs(_left_over(pieces, models))[:, around - _GUARD : around + 2 * _GUARD]
    begins = rest > BEGINS_FRACTION * rest[:, _GUARD:].max(-1, keepdims=True)
    onset = first - _GUARD + begins.argmax(-1)
    rows = np.arange(len(pieces))
    past = pieces[rows[:, np.newaxis], onset[:, np.newaxis] - 1 - np.arange(ORDER)]
    away = np.empty((len(pieces), 9))
    for step in range(9):
        foretold = np.einsum("ij,ij->i", models, past)
        away[:, step] = np.abs(pieces[rows, onset + step] - foretold)
        past = np.concatenate([foretold[:, np.newaxis], past[:, :-1]], axis=1)
    return np.asarray(away[:, 3:].max(-1) / np.maximum(away[:, :2].max(-1), 1e-30), np.float64)


def _is_alone(pieces: Reals, around: int) -> Flags:
    """Whether hardly a bend nearby is like the one in the middle, where bends are few.

    What is played jolts with every turn of the string and hardly bends between: no model is needed to see that. Where
    bends are everywhere, as in noise, they do not tell.
    """
    first, last = ORDER + around, pieces.shape[1] - around
    bends = np.abs(np.diff(pieces, n=4))
    own = bends[:, first - 4 : first + 2 * _GUARD].max(-1)
    others = np.concatenate([bends[:, : first - _GUARD], bends[:, last:]], axis=1)
    middle, fifth = others.shape[1] // 2, others.shape[1] - 5
    others = np.partition(others, (middle, fifth))
    few = own > FEW_BENDS * others[:, middle]
    return np.asarray(~few | (own > FEW_STAND_OUT * others[:, fifth]), np.bool_)


def _stand_out(pieces: Reals, around: int) -> Reals:
    """Heights of what the models leave unexplained in the middle; 0 where it does not stand out enough."""
    first, last = ORDER + around, pieces.shape[1] - around
    before, after = pieces[:, :first], pieces[:, last:]
    rest = np.abs(_left_over(pieces, fit_models(before, after)))
    # Within `ORDER` frames after the click its samples still take part in what is foretold.
    left, middle, right = rest[:, :around], rest[:, around : last - ORDER], rest[:, last:]
    height = middle[:, : 2 * _GUARD].max(-1)
    some = max(8, round(around * SOON_S / AROUND_S))
    quiet, loud = _power(left), _power(right)
    just, soon = _power(left[:, -some:]), _power(right[:, :some])
    others = np.partition(np.concatenate([left, right], axis=1), -3)[:, -3]
    quarter = middle.shape[1] // 4
    moved = np.abs(np.diff(before))
    least = np.max(
        [
            CLICK_SIGMA * np.sqrt(np.max([quiet, loud, just, soon], axis=0)),
            DECAY_SIGMA * np.sqrt(np.maximum(soon - just, 0.0)),
            np.minimum(
                SPARSE_SIGMA * np.partition(middle, quarter)[:, quarter],
                FAR_SIGMA * np.sqrt(np.maximum(just, soon)),
            ),
            STAND_OUT * others,
            PEAK_FRACTION * np.maximum(np.abs(before).max(-1), np.abs(after).max(-1)),
            QUANTA * np.min(moved, axis=-1, initial=math.inf, where=moved > 0.0),
        ],
        axis=0,
    )
    return np.where(height > least, height, 0.0)


def _left_over(pieces: Reals, models: Reals) -> Reals:
    """What the models leave unexplained, from frame `ORDER` on."""
    whitening = np.concatenate([-models[:, ::-1], np.ones((len(pieces), 1))], axis=1)
    return np.asarray((_sliding(pieces) @ whitening[..., np.newaxis])[..., 0], np.float64)


def measure_sharpness(sound: Reals) -> Reals:
    """Energy at the top against that of the middle band, over a few frames, as `SHARPNESS` says; 0 for silence.

    Along the last axis.
    """
    bends = np.diff(sound, n=3)
    top = np.diff(bends, n=2)
    middle = bends[..., 2:] + 2.0 * bends[..., 1:-1] + bends[..., :-2]
    return np.asarray(np.square(top).sum(-1) / np.maximum(np.square(middle).sum(-1), 1e-30), np.float64)


def _sliding(pieces: Reals, order: int = ORDER) -> Reals:
    """Every run of order + 1 frames of each piece: shape (pieces, runs, order + 1), no copy."""
    return np.lib.stride_tricks.sliding_window_view(pieces, order + 1, axis=-1)


def _measure_change(before: Reals, after: Reals) -> Reals:
    """How many times louder the sound is after, whole or in its treble, from the click on; amplitudes."""
    near = max(8, round(after.shape[1] * NEAR_S / AROUND_S))
    change = np.zeros(len(before))
    for _ in range(3):
        whole = _power(after) / np.maximum(_power(before), 1e-30)
        soon = _power(after[:, :near]) / np.maximum(_power(before[:, -near:]), 1e-30)
        change = np.maximum(change, np.minimum(whole, soon))
        before, after = np.diff(before), np.diff(after)
    return np.asarray(np.sqrt(change), np.float64)


def _power(sound: Reals) -> Reals:
    """Mean square of each piece."""
    return np.asarray(np.einsum("ij,ij->i", sound, sound) / sound.shape[1], np.float64)


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
