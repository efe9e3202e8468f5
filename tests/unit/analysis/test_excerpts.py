"""Passages are chosen as one would choose them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.excerpts import choose_windows

HOP_S = 0.1
Reals = NDArray[np.float64]


def take(levels_db: list[float], *, seconds: float = 20.0, bright: int | None = None) -> tuple[Reals, Reals]:
    """Stretches of equal length at these levels; the one numbered `bright` has another spectrum."""
    each = round(seconds / HOP_S)
    random = np.random.default_rng(5)
    tilt = 10.0 ** (-np.arange(20) / 10.0)
    parts = []
    for number, level_db in enumerate(levels_db):
        shape = tilt[::-1] if number == bright else tilt
        parts.append(10.0 ** (level_db / 10.0) * shape * random.uniform(0.7, 1.4, (each, 1)))
    power = np.concatenate(parts)
    return power, power.sum(axis=1)


def test_loudest_has_the_largest_short_term_loudness_in_its_middle() -> None:
    """Three seconds that stand out lie in the middle of the excerpt."""
    power, weighted = take([-20.0] * 6)
    weighted[800:830] *= 20.0

    chosen = choose_windows(power, weighted, hop_s=HOP_S, excerpt_s=10.0)

    assert chosen.loudest == 815 - 50


def test_typical_is_what_most_of_the_take_is_like() -> None:
    """Neither a silent, nor a loud, nor an oddly coloured stretch is typical; a little of what is loud may be in it."""
    power, weighted = take([-60.0, -20.0, -20.0, -20.0, -8.0, -20.0], bright=5)

    chosen = choose_windows(power, weighted, hop_s=HOP_S, excerpt_s=10.0)

    assert 200 <= chosen.typical <= 750
    assert chosen.loudest is not None
    assert 750 <= chosen.loudest <= 900


def test_never_the_same_passage_twice() -> None:
    """Both have at most half an excerpt in common, or there is one only."""
    for seconds in (10.5, 14.0, 15.5, 21.0, 60.0):
        power, weighted = take([-20.0], seconds=seconds)
        chosen = choose_windows(power, weighted, hop_s=HOP_S, excerpt_s=10.0)
        assert 0 <= chosen.typical <= len(power) - 100
        if chosen.loudest is None:
            assert seconds < 20.0
        else:
            assert 0 <= chosen.loudest <= len(power) - 100
            assert abs(chosen.typical - chosen.loudest) >= 50


def test_a_single_passage_has_the_loudest_in_it() -> None:
    """Where there is no room for two, the one holds the loudest three seconds, wherever they are."""
    for seconds, at in ((10.5, 2), (14.0, 5), (14.0, 108), (12.0, 60)):
        power, weighted = take([-20.0], seconds=seconds)
        weighted[at : at + 30] *= 20.0
        chosen = choose_windows(power, weighted, hop_s=HOP_S, excerpt_s=10.0)
        assert chosen.loudest is None
        assert chosen.typical <= at
        assert at + 30 <= chosen.typical + 100


def test_level_does_not_matter() -> None:
    """A softer copy is cut alike."""
    power, weighted = take([-30.0, -20.0, -25.0, -22.0])

    assert choose_windows(power, weighted, hop_s=HOP_S, excerpt_s=10.0) == choose_windows(
        1e-4 * power, 1e-4 * weighted, hop_s=HOP_S, excerpt_s=10.0
    )


def test_short_or_silent_takes_have_one_passage() -> None:
    """Nothing to choose from: the beginning."""
    power, weighted = take([-20.0], seconds=8.0)
    assert choose_windows(power, weighted, hop_s=HOP_S, excerpt_s=10.0).loudest is None

    silent = choose_windows(np.zeros((500, 20)), np.zeros(500), hop_s=HOP_S, excerpt_s=10.0)
    assert (silent.typical, silent.loudest) == (0, None)


@pytest.mark.parametrize(
    ("hop_s", "excerpt_s", "match"),
    [(0.0, 10.0, "hop_s must be greater than 0"), (0.1, -1.0, "excerpt_s must be greater than 0")],
)
def test_refuses_bad_lengths(hop_s: float, excerpt_s: float, match: str) -> None:
    """Lengths are above 0."""
    with pytest.raises(ValueError, match=match):
        choose_windows(np.ones((10, 3)), np.ones(10), hop_s=hop_s, excerpt_s=excerpt_s)


def test_refuses_windows_that_do_not_match() -> None:
    """As many powers as weighted powers."""
    with pytest.raises(ValueError, match="as many windows"):
        choose_windows(np.ones((10, 3)), np.ones(9), hop_s=0.1, excerpt_s=1.0)
