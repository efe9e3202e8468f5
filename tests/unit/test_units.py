"""Moments and lengths in words."""

from __future__ import annotations

import pytest

from render.units import clock, length_words


@pytest.mark.parametrize(
    ("instant_s", "words"),
    [(7.4, "0:07.4"), (59.96, "1:00.0"), (750.0, "12:30.0"), (3723.0, "1:02:03.0")],
)
def test_a_moment_is_read_as_on_a_clock(instant_s: float, words: str) -> None:
    """Minutes, seconds and tenths; hours where there are any."""
    assert clock(instant_s) == words


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [(0.2, "0 s"), (59.4, "59 s"), (59.6, "1:00"), (80.0, "1:20"), (3723.0, "1:02:03")],
)
def test_a_length_is_said_as_players_say_it(duration_s: float, words: str) -> None:
    """Seconds below a minute, then minutes and seconds: nobody counts to eighty."""
    assert length_words(duration_s) == words
