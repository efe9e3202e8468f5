"""Statistics of listening tests against exact fractions, SciPy's own, and worked examples."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from scipy import stats

from render.analysis.votes import (
    chance_by_guessing,
    chance_of_preference,
    fewest_hits,
    holm_adjusted,
    measure_hit_rate,
    measure_mean,
    mid_ranks,
)
from tests.helpers.source import source

TAILS = {
    (5, 5): Fraction(1, 32), (7, 8): Fraction(9, 256), (8, 8): Fraction(1, 256), (8, 10): Fraction(56, 1024),
    (9, 10): Fraction(11, 1024), (10, 12): Fraction(79, 4096), (12, 15): Fraction(576, 32768),
    (12, 16): Fraction(2517, 65536), (13, 16): Fraction(697, 65536), (14, 16): Fraction(137, 65536),
    (14, 20): Fraction(60460, 1048576), (15, 20): Fraction(21700, 1048576), (16, 20): Fraction(6196, 1048576),
    (17, 24): Fraction(536155, 16777216), (18, 25): Fraction(726206, 33554432),
}  # fmt: skip
FEWEST = {
    0.05: {8: 7, 10: 9, 12: 10, 16: 12, 20: 15, 24: 17, 25: 18, 30: 20, 40: 26, 50: 32, 100: 59},
    0.01: {8: 8, 10: 10, 12: 11, 16: 14, 20: 16, 24: 19, 25: 19, 30: 22, 40: 28, 50: 34, 100: 63},
}
SLEEP_HOURS = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
SLEEP_HOURS_OTHER = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)


@source("upper tail of the binomial distribution, p = 1/2, as fractions", kind="closed form")
def test_chance_by_guessing() -> None:
    """Right to the last bit: the tabled scores, and all of up to 40 trials."""
    for (hits, trials), tail in TAILS.items():
        assert chance_by_guessing(hits=hits, trials=trials) == float(tail)
    assert chance_by_guessing(hits=20, trials=30) == pytest.approx(0.049368573353, abs=5e-13)
    for trials in range(1, 41):
        for hits in range(trials + 1):
            tail = Fraction(sum(comb(trials, k) for k in range(hits, trials + 1)), 2**trials)
            assert chance_by_guessing(hits=hits, trials=trials) == float(tail)


@source("the same distribution, its quantiles at 0.05 and 0.01", kind="closed form")
def test_fewest_hits() -> None:
    """As many right answers are asked for as the distribution says."""
    for limit, table in FEWEST.items():
        assert {trials: fewest_hits(trials=trials, at_most_fraction=limit) for trials in table} == table


@source(
    "SciPy, stats.binomtest(...).proportion_ci(method='exact'): solves the two tails by search",
    kind="library",
    tolerance="1e-9: its search ends there",
)
@pytest.mark.parametrize("trials", [1, 5, 8, 16, 25, 100])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_hit_rate_against_scipy(trials: int, confidence: float) -> None:
    """The interval of every score."""
    for hits in range(trials + 1):
        found = measure_hit_rate(hits=hits, trials=trials, confidence_fraction=confidence)
        expected = stats.binomtest(hits, trials).proportion_ci(confidence, method="exact")
        assert (found.low, found.high) == pytest.approx((expected.low, expected.high), abs=1e-9)


@source(
    "C. J. Clopper and E. S. Pearson, Biometrika 26(4), 1934, 404-413",
    "the limits' definition: at each the tail from the score outwards is 0.025, in fractions",
    kind="paper",
    tolerance="1e-9: the limits are doubles",
)
@pytest.mark.parametrize(("hits", "trials"), [(1, 8), (12, 16), (13, 16), (18, 25), (59, 100)])
def test_hit_rate_by_definition(hits: int, trials: int) -> None:
    """Sums of the binomial's terms at the limits."""

    def tail(rate: float, scores: range) -> float:
        exact = Fraction(rate)
        return float(sum(comb(trials, k) * exact**k * (1 - exact) ** (trials - k) for k in scores))

    found = measure_hit_rate(hits=hits, trials=trials)
    assert tail(found.low, range(hits, trials + 1)) == pytest.approx(0.025, abs=1e-9)
    assert tail(found.high, range(hits + 1)) == pytest.approx(0.025, abs=1e-9)


@source(
    "Clopper and Pearson's promise: whatever the true rate, the interval holds it in 95 % of runs or more",
    kind="closed form",
)
@pytest.mark.parametrize("trials", [8, 16, 25])
def test_hit_rate_never_too_narrow(trials: int) -> None:
    """Coverage, summed over all scores, at a hundred rates."""
    intervals = [measure_hit_rate(hits=hits, trials=trials) for hits in range(trials + 1)]
    for rate in np.linspace(0.005, 0.995, 100):
        terms = (comb(trials, k) * rate**k * (1.0 - rate) ** (trials - k) for k in range(trials + 1))
        inside = sum(term for one, term in zip(intervals, terms, strict=True) if one.low <= rate <= one.high)
        assert inside >= 0.95 - 1e-12


@source(
    "SciPy, stats.ttest_1samp and its confidence_interval",
    kind="library",
    tolerance="1e-9 of the value: doubles",
)
@pytest.mark.parametrize("number", [2, 3, 5, 12, 40])
def test_means_against_scipy(number: int) -> None:
    """Mean, interval and chance of seeded values; of differences as well."""
    generator = np.random.default_rng(number)
    for values in (generator.uniform(0.0, 100.0, number), generator.normal(3.0, 8.0, number)):
        expected = stats.ttest_1samp(values, 0.0)
        low, high = expected.confidence_interval(0.95)
        found = measure_mean(values)
        assert found.interval is not None
        assert (found.mean, found.interval.low, found.interval.high) == pytest.approx(
            (np.mean(values), low, high), rel=1e-9
        )
        assert found.chance_fraction == pytest.approx(expected.pvalue, rel=1e-9)


@source(
    "Student, The probable error of a mean, Biometrika 6(1), 1908, 1-25",
    "the sleep data of ten patients, difference of two drugs: mean 1.58 hours, deviation (over n) 1.17; as commonly "
    "reprinted: t = 4.0621 with 9 degrees of freedom, p = 0.002833, 95 % interval 0.7001 to 2.4599",
    kind="from memory",
    tolerance="half of the last digit printed",
)
def test_students_own_example() -> None:
    """A paired difference, worked by hand more than a hundred years ago."""
    found = measure_mean([more - less for more, less in zip(SLEEP_HOURS_OTHER, SLEEP_HOURS, strict=True)])
    assert found.mean == pytest.approx(1.58, abs=1e-12)
    assert found.interval is not None
    assert (found.interval.low, found.interval.high) == pytest.approx((0.7001, 2.4599), abs=5e-5)
    assert found.chance_fraction == pytest.approx(0.002833, abs=5e-7)


@source(
    "S. Holm, A simple sequentially rejective multiple test procedure, Scand. J. Statist. 6(2), 1979, 65-70",
    "the procedure by hand: 0.01, 0.04, 0.03, 0.005 -> 3 x 0.01, 0.06 (not below the one before), 2 x 0.03, 4 x 0.005",
    kind="paper",
    tolerance="doubles",
)
def test_holm_by_hand() -> None:
    """Four tests: two stay rare at 0.05, two do not."""
    assert holm_adjusted([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02), abs=1e-15)


@source(
    "S. Holm, 1979",
    "the stepping rule itself: reject the k-th smallest while it is at most level / (tests - k + 1), stop at the first "
    "that is not",
    kind="paper",
)
def test_holm_by_stepping() -> None:
    """Adjusted figures at most the level are those that stepping rejects, for seeded families of tests."""
    generator = np.random.default_rng(1979)
    for _ in range(200):
        chances = list(generator.uniform(0.0, 0.1, generator.integers(1, 9)))
        rejected = set()
        for done, place in enumerate(np.argsort(chances)):
            if chances[place] > 0.05 / (len(chances) - done):
                break
            rejected.add(int(place))
        adjusted = holm_adjusted(chances)
        assert {place for place, chance in enumerate(adjusted) if chance <= 0.05} == rejected


@source("SciPy, stats.binomtest(..., alternative='two-sided') at p = 1/2", kind="library", tolerance="1e-12")
def test_preference_against_scipy() -> None:
    """The sign test, for all splits of up to 20 listeners."""
    for first in range(11):
        for second in range(11):
            if first + second:
                expected = stats.binomtest(first, first + second).pvalue
                assert chance_of_preference(first=first, second=second) == pytest.approx(expected, abs=1e-12)


@source("SciPy, stats.rankdata(method='average')", kind="library")
def test_ranks_against_scipy() -> None:
    """Shared places, for seeded ranks with ties."""
    generator = np.random.default_rng(4)
    for _ in range(100):
        ranks = [int(rank) for rank in generator.integers(1, 6, generator.integers(1, 8))]
        assert list(mid_ranks(ranks)) == stats.rankdata(ranks).tolist()
