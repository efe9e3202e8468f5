"""What a model of the sound around a jolt leaves unexplained: foretold from before, and traced back from after.

Behind `clicks`, for pieces of sound with something in the middle. Sound that strings and rooms make follows from what
was there just before, and, as well, from what comes just after. A click follows from neither, for as long as it
lasts; a cut in the sound follows from one of the two everywhere; a burst of noise, a nail or a slap, follows from
neither for a millisecond or more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.stretches import Counts, Flags
from render.audio.array import Reals

ORDER = 24
"""Of the model: enough for the ten or twelve partials that matter within 20 ms."""

NOISE_FRACTION = 1e-5
"""Of the power, added as though noise: a model of perfect sound would ring after every jolt."""

GUARD = 8
"""Frames between what is fitted before and the jolt, which lies within as many frames after, or twice as many."""

AROUND_S = 0.010
SOON_S = 0.002
NEAR_S = 0.004

BEGINS_FRACTION = 0.3
"""A click begins with the first sample that is off by so much of the most."""

COARSE, FINE = 6.0, 10.0
"""A frame is unexplained if what is left of it, both ways, is more than this share of the most that is left."""


@dataclass(frozen=True, eq=False)
class Unexplained:
    """What is left of each of some pieces; all of shape (pieces,), amplitudes.

    Attributes
    ----------
    height : float64
        The most that is left of what was foretold, at the jolt.
    elsewhere : float64
        Third largest anywhere else around.
    backwards : float64
        How many times what is left of what was traced back stands above its own third largest elsewhere.
    rms : float64
        What is left in the 10 ms, or the 2 ms, before or after, whichever is most.
    soon, just : float64
        RMS of the 2 ms after and before.
    quarter : float64
        Lower quartile within the jolt's own millisecond.
    frames : int64
        How many frames follow from neither side: more than a tenth of the height is left of them.
    coarse_frames, coarse_span, span : int64
        How many have a sixth left, and from the first to the last of those, or of `frames`.
    """

    height: Reals
    elsewhere: Reals
    backwards: Reals
    rms: Reals
    soon: Reals
    just: Reals
    quarter: Reals
    frames: Counts
    coarse_frames: Counts
    coarse_span: Counts
    span: Counts


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


def measure_unexplained(pieces: Reals, models: Reals, *, around: int) -> Unexplained:
    """What models leave of pieces of sound, and how that is spread in their middle.

    Parameters
    ----------
    pieces : float64, shape (pieces, frames)
        Of each: `ORDER` frames to begin with, `around` before, room for the click, `around` after.
    models : float64, shape (pieces, ORDER)
    around : int
        Frames.
    """
    forth, back = _left_over(pieces, models)
    gap = pieces.shape[1] - ORDER - 2 * around  # of the middle
    left, middle, right = forth[:, :around], forth[:, around : around + gap], forth[:, around + gap + ORDER :]
    height = middle[:, : 2 * GUARD].max(-1)
    some = max(8, round(around * SOON_S / AROUND_S))
    just, soon = _power(left[:, -some:]), _power(right[:, :some])
    # Traced back, the frames before the jolt are spoilt as those after it are, foretold.
    ours = back[:, ORDER:]
    others = np.concatenate([back[:, : around - GUARD], ours[:, around + gap :]], axis=1)
    both = np.minimum(forth[:, :-ORDER], ours)
    floor = np.maximum(_nth_largest(both[:, : around - ORDER], 2), _nth_largest(both[:, around + gap :], 2))
    centre = both[:, around - GUARD : around + gap]
    frames, span = _extent(centre > np.maximum(height / FINE, floor)[:, np.newaxis])
    coarse_frames, coarse_span = _extent(centre > np.maximum(height / COARSE, floor)[:, np.newaxis])
    return Unexplained(
        height=height,
        elsewhere=_nth_largest(np.concatenate([left, right], axis=1), 3),
        backwards=ours[:, around - GUARD : around + 2 * GUARD].max(-1)
        / np.maximum(_nth_largest(others, 3), 1e-30),
        rms=np.sqrt(np.max([_power(left), _power(right), just, soon], axis=0)),
        soon=np.sqrt(soon),
        just=np.sqrt(just),
        quarter=np.partition(middle, middle.shape[1] // 4)[:, middle.shape[1] // 4],
        frames=frames,
        coarse_frames=coarse_frames,
        coarse_span=coarse_span,
        span=span,
    )


def measure_growth(pieces: Reals, models: Reals, *, around: int) -> Reals:
    """How far the sound goes away from what is foretold, 4 to 9 samples from the click on, against the first two.

    Pieces and models as above. A spike of one sample has nearly 0, a step 1, a bend 2 or more: what begins goes on.
    """
    first = ORDER + around
    rest = _left_over(pieces, models)[0][:, around - GUARD : around + 2 * GUARD]
    begins = rest > BEGINS_FRACTION * rest[:, GUARD:].max(-1, keepdims=True)
    onset = first - GUARD + begins.argmax(-1)
    rows = np.arange(len(pieces))
    past = pieces[rows[:, np.newaxis], onset[:, np.newaxis] - 1 - np.arange(ORDER)]
    away = np.empty((len(pieces), 9))
    for step in range(9):
        foretold = np.einsum("ij,ij->i", models, past)
        away[:, step] = np.abs(pieces[rows, onset + step] - foretold)
        past = np.concatenate([foretold[:, np.newaxis], past[:, :-1]], axis=1)
    return np.asarray(away[:, 3:].max(-1) / np.maximum(away[:, :2].max(-1), 1e-30), np.float64)


def measure_change(before: Reals, after: Reals) -> Reals:
    """How many times louder the sound is after, whole or in its treble, from the click on; amplitudes.

    And louder already within `NEAR_S`: a note that follows later has not begun with the click.
    """
    near = max(8, round(after.shape[1] * NEAR_S / AROUND_S))
    change = np.zeros(len(before))
    for _ in range(3):
        whole = _power(after) / np.maximum(_power(before), 1e-30)
        soon = _power(after[:, :near]) / np.maximum(_power(before[:, -near:]), 1e-30)
        change = np.maximum(change, np.minimum(whole, soon))
        before, after = np.diff(before), np.diff(after)
    return np.asarray(np.sqrt(change), np.float64)


def measure_sharpness(sound: Reals) -> Reals:
    """Energy of the fifth difference against that of the middle band (third difference of sums of neighbours).

    Over a few frames, along the last axis; 0 for silence. A spike has 21, a step from one sample to the next 11.7; a
    bend, with which a smooth sound begins, 5; a step over two samples 2.3, and what strings and bodies do, hardly
    anything. A spike of exactly two equal samples has 4.2.
    """
    bends = np.diff(sound, n=3)
    top = np.diff(bends, n=2)
    middle = bends[..., 2:] + 2.0 * bends[..., 1:-1] + bends[..., :-2]
    return np.asarray(np.square(top).sum(-1) / np.maximum(np.square(middle).sum(-1), 1e-30), np.float64)


def _left_over(pieces: Reals, models: Reals) -> tuple[Reals, Reals]:
    """Sizes of what is left of each frame but the first `ORDER`, foretold, and but the last as many, traced back."""
    whitening = np.concatenate([-models[:, ::-1], np.ones((len(pieces), 1))], axis=1)
    both = np.stack([whitening, whitening[:, ::-1]], axis=-1)
    left = np.abs(_sliding(pieces) @ both)
    return left[..., 0], left[..., 1]


def _extent(unexplained: Flags) -> tuple[Counts, Counts]:
    """How many frames of each row, and from the first of them to the last."""
    count = unexplained.sum(-1)
    span = unexplained.shape[1] - unexplained.argmax(-1) - unexplained[:, ::-1].argmax(-1)
    return np.asarray(count, np.int64), np.where(count > 0, span, 0)


def _nth_largest(sizes: Reals, nth: int) -> Reals:
    return np.partition(sizes, -nth)[:, -nth]


def _sliding(pieces: Reals, order: int = ORDER) -> Reals:
    """Every run of order + 1 frames of each piece: shape (pieces, runs, order + 1), no copy."""
    return np.lib.stride_tricks.sliding_window_view(pieces, order + 1, axis=-1)


def _power(sound: Reals) -> Reals:
    """Mean square of each piece."""
    return np.asarray(np.einsum("ij,ij->i", sound, sound) / sound.shape[1], np.float64)
