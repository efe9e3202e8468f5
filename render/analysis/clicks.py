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

STAND_OUT = 2.2
"""And so many times the largest of it anywhere else nearby: playing has more than one peak."""

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
        channels, slots = candidate_slots(stretch)
        if len(slots):
            self._look(stretch, channels, slots)

    def _look(self, stretch: Stretch, channels: Counts, slots: Counts) -> None:
        """Judge the sharpest bend of each of some slots."""
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
        heights = click_heights(pieces, around=self._around)
        for one in np.flatnonzero(heights > 0.0):
            place, found = stretch.first_frame + int(at[one]), self._found[channels[one]]
            if not found or place - found[-1][0] > self._longest:
                found.append((place, float(heights[one])))

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


def fit_models(before: Reals, after: Reals, *, order: int = ORDER) -> Reals:
    """Coefficients that foretell a sample from those before it, as well as they can on both stretches of a piece.

    Parameters
    ----------
    before, after : float64, shape (pieces, frames)
    order : int

    Returns
    -------
    float64, shape (pieces, order)
        Of the last sample first. Least squares (covariance method), `NOISE_FRACTION` added.
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

    Returns
    -------
    float64, shape (pieces,)
    """
    first, last = ORDER + around, pieces.shape[1] - around
    heights = np.zeros(len(pieces))
    sharpness = measure_sharpness(pieces[:, first : first + 2 * _GUARD])
    most = np.where(sharpness >= SPIKE_SHARPNESS, SPIKE_CHANGE, STEP_CHANGE)
    worth = sharpness >= SHARPNESS
    worth[worth] = _is_alone(pieces[worth], around)
    worth[worth] = ~_has_changed(pieces[worth, ORDER:first], pieces[worth, last:], most=most[worth])
    if np.any(worth):
        heights[worth] = _stand_out(pieces[worth], around)
    return heights


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
    whitening = np.concatenate([-fit_models(before, after)[:, ::-1], np.ones((len(pieces), 1))], axis=1)
    rest = np.abs(_sliding(pieces) @ whitening[..., np.newaxis])[..., 0]
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
            SPARSE_SIGMA * np.partition(middle, quarter)[:, quarter],
            STAND_OUT * others,
            PEAK_FRACTION * np.maximum(np.abs(before).max(-1), np.abs(after).max(-1)),
            QUANTA * np.min(moved, axis=-1, initial=math.inf, where=moved > 0.0),
        ],
        axis=0,
    )
    return np.where(height > least, height, 0.0)


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


def _has_changed(before: Reals, after: Reals, *, most: Reals) -> Flags:
    """Whether the sound is louder after, whole or in its treble, and is so from the click on."""
    near = max(8, round(after.shape[1] * NEAR_S / AROUND_S))
    changed = np.zeros(len(before), np.bool_)
    for _ in range(3):
        changed |= _is_louder(before, after, most) & _is_louder(before[:, -near:], after[:, :near], most)
        before, after = np.diff(before), np.diff(after)
    return changed


def _is_louder(before: Reals, after: Reals, most: Reals) -> Flags:
    return np.asarray(_power(after) > np.square(most) * _power(before), np.bool_)


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
