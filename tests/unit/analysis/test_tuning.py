"""Strings that come into tune beside music, and what fingers do to a pitch."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.ends import Part, measure_ends
from tests.helpers.rehearsal import OPEN_STRINGS, Player, hiss, strings, two_sources

RATE_HZ = 16_000
Wave = NDArray[np.float64]
Bends = tuple[tuple[float, float], ...]


def _stroke(number: float, bends: Bends, length_s: float) -> Wave:
    """A note by its number on a keyboard, and where it is bent to: (seconds, cents)."""
    seconds = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    cents = np.interp(seconds, *np.array(bends).T)
    turns = 2.0 * np.pi * np.cumsum(440.0 * 2.0 ** ((number - 69.0) / 12.0 + cents / 1200.0)) / RATE_HZ
    note = sum(0.1 * np.cos(p * turns) / p * np.exp(-(0.8 + 0.3 * p) * seconds) for p in range(1, 7))
    return np.asarray(note * np.minimum(1.0, (length_s - seconds) / 0.02))


def _turned(number: float, cents: float, strokes: int, every_s: float, *, ringing: bool) -> Wave:
    """One string struck again and again, half as far off each time, turned while it rings or between."""
    off = [cents * 0.5**stroke for stroke in range(strokes)] + [0.0]
    off[strokes - 1] = 0.0
    return np.concatenate(
        [
            _stroke(number, ((0.0, here), (0.35, here), (0.8, later if ringing else here)), every_s)
            for here, later in itertools.pairwise(off)
        ]
    )


def _parts(part: Wave, seed: int, *, music_s: float = 24.0, at_end: bool = False) -> tuple[Part, ...]:
    player = Player(notes_per_s=1.0 + seed % 3, lead_s=0.2, tail_s=3.0, ring_s=4.0)
    music = strings(music_s, sample_rate_hz=RATE_HZ, seed=seed, player=player)
    rest = np.zeros(round(2.5 * RATE_HZ))
    wave = np.concatenate([rest, music, rest, part, rest] if at_end else [rest, part, rest, music])
    take = two_sources(wave, sample_rate_hz=RATE_HZ)
    take = take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed, dbfs=(-80.0, -70.0))
    return measure_ends(take, sample_rate_hz=RATE_HZ).parts


@pytest.mark.parametrize("at_end", [False, True])
@pytest.mark.parametrize("ringing", [False, True])
@pytest.mark.parametrize("cents", [-70.0, -22.0, 28.0, 85.0])
def test_one_string_struck_again_and_again(cents: float, ringing: bool, at_end: bool) -> None:
    """A string that comes in over five strokes, from a fifth of a semitone or from most of one, is told."""
    part = _turned(OPEN_STRINGS[2], cents, 5, 1.2, ringing=ringing)
    assert [found.kind for found in _parts(part, round(abs(cents)), at_end=at_end)] == ["tuning"]


def test_six_strings_before_a_short_take() -> None:
    """All six strings, which take longer than half of the playing."""
    part = np.concatenate(
        [
            _turned(number, 24.0 * (-1.0) ** rank, 3, 0.9, ringing=True)
            for rank, number in enumerate(OPEN_STRINGS)
        ]
    )
    assert [found.kind for found in _parts(part, 3, music_s=28.0)] == ["tuning"]


@pytest.mark.parametrize("seed", range(4))
def test_quarter_tones(seed: int) -> None:
    """Fingers: a quarter tone let down slowly, held and then left, or bent up from a note that is struck again."""
    held, down = ((0.0, 45.0), (3.0, 45.0)), ((0.0, 45.0), (0.3, 45.0), (0.9, 0.0))
    up, plain = ((0.0, 0.0), (0.2, 0.0), (0.6, 45.0)), ((0.0, 0.0), (3.0, 0.0))
    phrases = (
        ((57, plain), (60, down), (57, plain), (64, plain)),
        ((60, held), (60, plain), (62, plain), (60, plain)),
        ((60, plain), (60, up), (60, plain), (60, up)),
    )
    for phrase in phrases:
        part = np.concatenate([_stroke(number + seed, bends, 1.3) for number, bends in phrase])
        assert _parts(part, seed, at_end=seed % 2 == 1) == ()


def test_a_note_repeated_with_vibrato() -> None:
    """The same note again and again, trembling, in a phrase of its own."""
    random = np.random.default_rng(5)
    at_s = np.arange(0.0, 1.4, 0.02)
    notes = []
    for _ in range(6):
        wobble = random.uniform(10.0, 30.0) * np.sin(2.0 * np.pi * random.uniform(4.0, 6.0) * at_s)
        notes.append(_stroke(62, tuple(zip(at_s.tolist(), wobble.tolist(), strict=True)), 1.3))
    assert _parts(np.concatenate(notes), 2) == ()
