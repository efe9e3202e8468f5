"""Whether notes begin at jolts: tones that are there after them and were not before.

Behind `clicks`. A step in the sound is a click, unless a note begins with it. No string and no nail begins a note from
one sample to the next, but notes that a program makes do, and nothing in the step itself tells the two apart. What
follows does: after a click the sound goes on with the tones that it had and as loud as it was, and where a piece is
lost as many are gone as are new. One note among many that ring adds little; all the steps of a take together tell.
Notes that are cut cannot be told so.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from scipy import fft

from render.audio.array import Reals

LOWEST_HZ = 150.0
"""Below it 10 ms do not part tones."""

BAND_EDGES_HZ = (LOWEST_HZ, 400.0, 800.0, 1_600.0, 3_200.0, 6_400.0, 12_800.0)
"""Bands that count alike: of most notes it is the treble that is new."""

LOUDER = 2.0
"""Power after that is new: more than so many times what was there before. Tones that beat stay below, mostly."""

FADE = 1 / 8
"""Share of the sound over which its window rises, next to the jolt; from there it falls to its far end."""

MOST = 0.4
MOST_RISE = 1.0
"""One measure tells no more than this: of what is new, or gone, and of how much louder the sound is, 6 dB."""

LEAST_SUM, SPREAD = 1.0, 1.65
"""Steps are beginnings of notes where the sum of their weights, none more than 1, is above the first figure and the
second times the root of their number. Of 880 channels with steps, lost pieces, pulses or jumping samples put into
recorded notes and harder sounds, mostly 18 on each, none has so much; of 142 with a program's notes all but six."""


def measure_novelty(before: Reals, after: Reals, *, sample_rate_hz: float) -> Reals:
    """Share of the power after a jolt that was not there before it, in the mean of octaves.

    From the very first: of the whole sound after it or of its first half, whichever is less. A note that follows some
    milliseconds later has nothing to do with the jolt.

    Parameters
    ----------
    before, after : float64, shape (pieces, frames)
        Of 16 frames at least, next to the jolt. Both turned round and exchanged: what is gone after it.
    sample_rate_hz : float

    Returns
    -------
    float64, shape (pieces,)
        0 where every tone goes on as it was, 1 where nothing that was there is left.
    """
    half = after.shape[1] // 2
    return np.minimum(
        _new_share(before, after, sample_rate_hz),
        _new_share(before[:, -half:], after[:, :half], sample_rate_hz),
    )


def weigh_beginning(new: Reals, gone: Reals, *rises: Reals) -> Reals:
    """How much each of some steps looks like the beginning of a note, and not like its end.

    Parameters
    ----------
    new, gone : float64, shape (steps,)
        What is new after each, and gone (`measure_novelty`).
    rises : float64, shape (steps,)
        How much louder the sound is after each, by one measure or several: logarithms to base two of the amplitudes'
        ratio.

    Returns
    -------
    float64, shape (steps,)
        Between -1 and 1, as much as each measure by itself tells at most: a step before a louder note is one step.
    """
    weight = (np.minimum(new, MOST) - np.minimum(gone, MOST)) / MOST
    for rise in rises:
        weight += np.clip(rise, -MOST_RISE, MOST_RISE) / MOST_RISE
    return np.clip(weight, -1.0, 1.0)


def are_beginnings(weights: Reals) -> bool:
    """Whether all the steps of a take, of which these are the weights (`weigh_beginning`), are beginnings of notes."""
    steps = len(weights)
    return steps >= 2 and float(np.sum(weights)) > LEAST_SUM + SPREAD * math.sqrt(steps)


def _new_share(before: Reals, after: Reals, sample_rate_hz: float) -> Reals:
    earlier, later = _powers(before[:, ::-1]), _powers(after)
    known = np.maximum(earlier, np.pad(earlier[:, 1:], ((0, 0), (0, 1))))
    known = np.maximum(known, np.pad(earlier[:, :-1], ((0, 0), (1, 0))))
    new = np.maximum(later - LOUDER * known, 0.0)
    frequency_hz = np.arange(later.shape[1]) * (sample_rate_hz / fft.next_fast_len(after.shape[1] - 1, True))
    edges = np.searchsorted(frequency_hz, BAND_EDGES_HZ)
    shares = [
        new[:, low:high].sum(-1) / (later[:, low:high].sum(-1) + 1e-30)
        for low, high in itertools.pairwise(edges)
        if high > low
    ]
    return np.asarray(np.mean(shares, axis=0) if shares else np.zeros(len(after)), np.float64)


def _powers(sound: Reals) -> Reals:
    """Spectrum of what begins with the first frame, its treble raised by a difference."""
    bends = np.diff(sound)
    bends -= bends.mean(-1, keepdims=True)
    frames = bends.shape[1]
    window = np.cos(np.linspace(0.0, 0.5 * math.pi, frames)) ** 2
    rising = max(1, round(FADE * frames))
    window[:rising] *= np.sin(0.5 * math.pi * (np.arange(rising) + 0.5) / rising) ** 2
    spectrum = fft.rfft(bends * window, fft.next_fast_len(frames, True), axis=-1)
    return np.asarray(np.square(np.abs(spectrum)), np.float64)
