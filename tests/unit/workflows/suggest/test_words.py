"""Tests of what is said beside a value."""

from __future__ import annotations

from dataclasses import replace

import pytest

from render.analysis.advice import SideLevel
from render.analysis.meeting import Meeting
from render.workflows.suggest import words

SIDE = SideLevel(-6.5, -8.1, -8.3, -7.9, False)
LATER = Meeting(0.6, 0.02, "keep", True, 0.59, 0.61, 3)


def test_side_gain_says_where_the_side_ends_up() -> None:
    """Under or over the mid; the spread of the takes if there is one; when it did not go far enough."""
    assert words.side_gain(SIDE, -8.0) == "side 8.1 dB under mid, before the room"
    assert "-9.5 to -7.0" in words.side_gain(replace(SIDE, least_db=-9.5, most_db=-7.0), -8.0)
    assert "over mid" in words.side_gain(replace(SIDE, side_to_mid_db=0.2), 0.0)
    assert "gains anew" in words.side_gain(replace(SIDE, limited=True), -8.0)


@pytest.mark.parametrize(
    ("delay_ms", "mover", "said"),
    [
        (0.6, "mic", "mic is 0.60 ms later, 21 cm of air"),
        (-0.6, "mic", "mic is 0.60 ms earlier"),
        (0.6, "pickup", "waits: mic is 0.60 ms later"),
        (0.0, "mic", "at the same time"),
        ("auto", "mic", "differs by take, 0.59 to 0.61 ms"),
    ],
)
def test_delay_says_how_far(delay_ms: float, mover: str, said: str) -> None:
    """In milliseconds and in air."""
    assert said in words.delay(replace(LATER, delay_ms=delay_ms), microphone="mic", mover=mover)


def test_high_pass_says_which_note_it_leaves() -> None:
    """The lowest that was played, or low E where none stood out."""
    assert words.pickup_high_pass(82.4, before_db=None) == "half an octave under the lowest note E2, 82.4 Hz"
    assert "it lost 2.5 dB before" in words.pickup_high_pass(82.4, before_db=2.5)
    assert "low E" in words.pickup_high_pass(None, before_db=None)


def test_no_minus_zero() -> None:
    """Levels have their sign, nothing has none."""
    assert [words.level(db) for db in (1.23, -8.0, -0.01, 0.0)] == ["+1.2", "-8.0", "0.0", "0.0"]
    assert words.over(-2.04) == "2.0 dB under"
