"""Means, intervals and chances of votes: the edges; values from elsewhere are in tests/reference."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from render.analysis.votes import (
    Interval,
    chance_by_guessing,
    chance_of_preference,
    fewest_hits,
    holm_adjusted,
    measure_hit_rate,
    measure_mean,
    mid_ranks,
)


def test_one_listener_has_no_interval() -> None:
    """One value has a mean and nothing else."""
    found = measure_mean([63.0])
    assert (found.number, found.mean, found.interval, found.chance_fraction) == (1, 63.0, None, None)


def test_equal_values_are_not_believed_to_the_last_digit() -> None:
    """Values that agree by rounding have the interval of their rounding; without that, none to speak of."""
    bare = measure_mean([4.0, 4.0, 4.0])
    assert bare.interval == Interval(4.0, 4.0)
    assert bare.chance_fraction == 0.0
    rounded = measure_mean([4.0, 4.0, 4.0], least_spread=0.3)
    assert rounded.interval is not None
    quantile = 0.95 / math.sqrt(2.0 * 0.975 * 0.025)  # of two degrees of freedom, in closed form
    assert rounded.interval.high == pytest.approx(4.0 + quantile * 0.3 / math.sqrt(3.0), rel=1e-10)
    assert rounded.chance_fraction is not None
    assert 0.0 < rounded.chance_fraction < 0.01
    assert measure_mean([0.0, 0.0]).chance_fraction == 1.0
    assert measure_mean([1.0, 9.0], least_spread=0.3) == measure_mean([1.0, 9.0])


def test_hit_rates_at_the_ends() -> None:
    """None right and all right touch the ends of the scale, from one side only."""
    assert measure_hit_rate(hits=0, trials=10).low == 0.0
    assert measure_hit_rate(hits=10, trials=10).high == 1.0
    assert measure_hit_rate(hits=0, trials=10).high == pytest.approx(1.0 - 0.025**0.1, rel=1e-12)
    assert measure_hit_rate(hits=10, trials=10).low == pytest.approx(0.025**0.1, rel=1e-12)


def test_many_trials_do_not_overflow() -> None:
    """Whole numbers of any size are divided exactly."""
    assert chance_by_guessing(hits=0, trials=20_000) == 1.0
    assert chance_by_guessing(hits=10_000, trials=20_000) == pytest.approx(0.5028, abs=1e-4)
    assert chance_by_guessing(hits=20_000, trials=20_000) == 0.0


def test_few_trials_cannot_convince() -> None:
    """Four trials are too few, whatever the score."""
    assert fewest_hits(trials=4) is None
    assert fewest_hits(trials=5) == 5


def test_preferences() -> None:
    """Six of one mind are rare among coin tossers, five are not; nobody is no evidence; sides may be exchanged."""
    assert chance_of_preference(first=6, second=0) == 2.0 / 64.0
    assert chance_of_preference(first=0, second=5) == 2.0 / 32.0
    assert chance_of_preference(first=0, second=0) == 1.0
    assert chance_of_preference(first=3, second=3) == 1.0
    assert chance_of_preference(first=7, second=2) == chance_of_preference(first=2, second=7)


def test_corrections_keep_their_order() -> None:
    """Each result stands where its test stood; one test is not corrected, none is past 1."""
    assert holm_adjusted([]) == ()
    assert holm_adjusted([0.03]) == (0.03,)
    assert holm_adjusted([0.9, 0.01, 0.8]) == pytest.approx((1.0, 0.03, 1.0))
    assert holm_adjusted([0.02, 0.02]) == pytest.approx((0.04, 0.04))


def test_equal_ranks_share_places() -> None:
    """However ties are counted on, they come to the same."""
    assert mid_ranks([1, 1, 2]) == mid_ranks([1, 1, 3]) == (1.5, 1.5, 3.0)
    assert mid_ranks([3, 1, 2]) == (3.0, 1.0, 2.0)
    assert mid_ranks([2, 2, 2]) == (2.0, 2.0, 2.0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: measure_mean([]), "values must be"),
        (lambda: measure_mean([1.0, math.nan]), "values must be"),
        (lambda: measure_mean([1.0], confidence_fraction=1.0), "confidence_fraction must be"),
        (lambda: measure_mean([1.0], least_spread=-1.0), "least_spread must be 0 or more, not -1.0"),
        (lambda: chance_by_guessing(hits=9, trials=8), "hits must be 0 to 8, not 9"),
        (lambda: chance_by_guessing(hits=0, trials=0), "trials must be 1 to"),
        (lambda: fewest_hits(trials=8, at_most_fraction=0.0), "at_most_fraction must be"),
        (lambda: measure_hit_rate(hits=-1, trials=8), "hits must be"),
        (lambda: measure_hit_rate(hits=1, trials=8, confidence_fraction=0.0), "confidence_fraction must be"),
        (lambda: chance_of_preference(first=-1, second=2), "first and second must be"),
        (lambda: holm_adjusted([0.5, 1.5]), "chance_fractions must be 0 to 1, not 1.5"),
    ],
)
def test_what_cannot_be_is_refused(call: Callable[[], object], named: str) -> None:
    """Refused by name, with the value and the range."""
    with pytest.raises(ValueError, match=named):
        call()
