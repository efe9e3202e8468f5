"""Tuning before or after the playing: strings that come into tune, whether they are turned as they ring or between.

Beside the chain, for `ends`; read from the strongest low tone over time (`envelope`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from render.analysis.envelope import Tones
from render.analysis.speech import Spans, windows_within
from render.audio.array import Reals

OFF_CENTS, STEADY_CENTS = 10.0, 5.0
"""A note so far from the semitones of the playing is out of tune; one that moves by less a window keeps its pitch."""

FEWEST_STEADY, CLEAR_GRID = 20, 0.5
"""Windows, and length of their mean phasor on a circle of a semitone, from which the playing keeps to a tuning."""

FEWEST_OF_NOTE = 4
"""Windows, half a second, from which a note has a pitch."""

SAME_STRING_CENTS = 90.0
"""Two notes so near are one string, before and after its peg was turned: less than a semitone apart."""

STEP_CENTS, LEFT_SHARE = 4.0, 0.5
"""A string that is struck again comes nearer by more than the first, and is left out of tune by less than the second
of what it was."""

FEWEST_STEPS = 2
"""A finger that holds a quarter tone, or lets it down, makes one."""

LOOSENED_CENTS, LOOSENED_S = (120.0, 300.0), 0.9
"""A string that is let down by more than a semitone, and slowly, is given another tuning."""


def find_glides(span: tuple[float, float], others: Spans, tones: Tones) -> int:
    """How often a string comes nearer to tune within a stretch, as a peg brings it: `FEWEST_STEPS` are told.

    From a pitch that the playing does not have to one that it has, step by step: while it rings, or from one stroke to
    the next. A finger bends from a pitch of the playing, comes back to it, and lets down quickly.

    Parameters
    ----------
    span : (float, float)
        From when to when, in seconds.
    others : sequence of (float, float)
        The playing.
    tones : Tones

    Returns
    -------
    int
        Most of any source; 0 where the playing keeps to no tuning.
    """
    found = 0
    for channel in range(tones.power.shape[1]):
        in_tune = _in_tune_cents(others, tones, channel)
        if in_tune is None:
            continue
        ringing = _ringing(span, tones, channel)
        loosened = FEWEST_STEPS * sum(_is_loosened(cents, tones.hop_s) for cents in ringing)
        found = max(found, loosened + _steps_into_tune(ringing, in_tune, tones.hop_s))
    return found


def _is_loosened(cents: Reals, hop_s: float) -> bool:
    """Whether a string is let down far and slowly, one way."""
    moves = np.diff(cents)
    net = float(moves.sum())
    lasting_s = int(np.count_nonzero(np.abs(moves) > 2.0)) * hop_s
    far = LOOSENED_CENTS[0] <= -net <= LOOSENED_CENTS[1] and -net >= 0.8 * float(np.abs(moves).sum())
    return far and lasting_s >= LOOSENED_S


def _steps_into_tune(ringing: Sequence[Reals], in_tune_cents: float, hop_s: float) -> int:
    """Steps of all strings into tune, less those of strings that go out of tune."""
    notes = [(cents, _begin_and_end(cents)) for cents in ringing if len(cents) >= FEWEST_OF_NOTE]
    if not notes:
        return 0
    strokes = [[notes[0]]]
    for before, after in itertools.pairwise(notes):
        if abs(after[1][0] - before[1][1]) < SAME_STRING_CENTS:
            strokes[-1].append(after)
        else:
            strokes.append([after])
    # a tune goes from note to note
    again = 2 * sum(len(of) - 1 for of in strokes) >= len(notes) - 1
    count = 0
    for of in strokes:
        pitch = [cents for _, ends in of for cents in ends]
        # from the semitone where it is left: a string may be most of one away
        aim = pitch[-1] - float(_off_cents(np.array(pitch[-1] - in_tune_cents)))
        off = np.abs(np.array(pitch) - aim)
        steps = np.diff(off)
        if off[-1] - off[0] > OFF_CENTS:
            count -= FEWEST_STEPS
        elif len(of) == 1:
            count += int(_is_turned(of[0][0], off, hop_s))
        elif again and (
            OFF_CENTS <= off[0] <= SAME_STRING_CENTS
            and off[-1] < LEFT_SHARE * off[0]
            and steps.max() < STEADY_CENTS
            and abs(float(of[0][0][1] - of[0][0][0])) < STEADY_CENTS
        ):
            count += int(np.count_nonzero(steps < -STEP_CENTS))
    return max(0, count)


def _begin_and_end(cents: Reals) -> tuple[float, float]:
    """Pitch at the begin of a note and at its end, without its last window, which may hold the next note."""
    few = min(3, len(cents) // 2)
    return float(np.median(cents[:few])), float(np.median(cents[-few - 1 : -1]))


def _is_turned(cents: Reals, off: Reals, hop_s: float) -> bool:
    """Whether a string struck once is held out of tune for a moment, and turned one way, slowly, nearer to it."""
    moves = np.diff(cents)
    net = abs(float(moves.sum()))
    lasting_s = int(np.count_nonzero(np.abs(moves) > 2.0)) * hop_s
    one_way = 25.0 <= net <= SAME_STRING_CENTS and net >= 0.8 * float(np.abs(moves).sum())
    held = abs(float(moves[0])) < STEADY_CENTS and OFF_CENTS <= off[0] <= SAME_STRING_CENTS
    return one_way and lasting_s >= 0.4 and held and off[-1] < 0.7 * off[0]


def _ringing(span: tuple[float, float], tones: Tones, channel: int) -> list[Reals]:
    """Pitches in cents, window by window, of each note that rings within a stretch, without its first windows."""
    window = windows_within(span, tones.hop_s, len(tones.power))
    power = tones.power[window, channel].astype(np.float64)
    if len(power) < 6 or not power.any():
        return []
    cents = _cents(tones.frequency_hz[window, channel])
    rise = power[1:] / np.maximum(power[:-1], 1e-30)
    joined = (np.abs(np.diff(cents)) < 60.0) & (rise < 2.0) & (power[1:] > 1e-3 * power.max())
    edges = np.flatnonzero(np.diff(np.concatenate([[False], joined, [False]]).astype(np.int8)))
    # the first windows after a pluck may hold two notes
    return [cents[begin + 1 : end + 1] for begin, end in edges.reshape(-1, 2) if end > begin]


def _in_tune_cents(spans: Spans, tones: Tones, channel: int) -> float | None:
    """Where the semitones of the playing lie, in cents from those of 440 Hz; None if it keeps to none."""
    turns: list[Reals] = []
    for span in spans:
        for cents in _ringing(span, tones, channel):
            steady = np.abs(np.diff(cents)) < STEADY_CENTS
            turns.append(2.0 * np.pi * cents[1:][steady] / 100.0)
    if sum(map(len, turns)) < FEWEST_STEADY:
        return None
    mean = complex(np.exp(1j * np.concatenate(turns)).mean())
    return 100.0 * math.atan2(mean.imag, mean.real) / (2.0 * math.pi) if abs(mean) >= CLEAR_GRID else None


def _off_cents(cents: Reals) -> Reals:
    """Distance to the nearest semitone, from -50 to 50."""
    return np.asarray((cents + 50.0) % 100.0 - 50.0, np.float64)


def _cents(frequency_hz: NDArray[np.float32]) -> Reals:
    return np.asarray(1200.0 * np.log2(np.maximum(frequency_hz.astype(np.float64), 1.0) / 440.0), np.float64)
