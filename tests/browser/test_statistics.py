"""Figures of the discrimination test, in the browser, against exact whole-number sums."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from playwright.sync_api import Error, Page

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


def exact(hits: int, trials: int) -> Fraction:
    """The upper tail, as a fraction."""
    return Fraction(sum(comb(trials, k) for k in range(hits, trials + 1)), 2**trials)


@source("upper tail of the binomial distribution, p = 1/2, as fractions", kind="closed form")
def test_chance_by_guessing(modules: Page) -> None:
    """The chance of so many hits by guessing is exact to the last bit, for all scores up to 50 trials."""
    pairs = [
        (hits, trials)
        for trials in (*range(1, 51), 100, 1000)
        for hits in range(0, trials + 1, max(1, trials // 50))
    ]
    found = modules.evaluate("pairs => pairs.map(([h, n]) => chanceByGuessing(h, n))", pairs)
    assert found == [float(exact(*pair)) for pair in pairs]
    assert all(exact(*pair) == tail for pair, tail in TAILS.items())


@source("the same distribution, its quantiles at 0.05 and 0.01", kind="closed form")
def test_fewest_hits(modules: Page) -> None:
    """As many right answers are asked for as the distribution says."""
    for limit, table in FEWEST.items():
        found = modules.evaluate("([ns, p]) => ns.map((n) => fewestHits(n, p))", [list(table), limit])
        assert dict(zip(table, found, strict=True)) == table
    assert modules.evaluate("fewestHits(4, 0.05)") is None


@source(
    "upper tail of the binomial distribution, p = 3/4, as fractions",
    kind="closed form",
    tolerance="1e-12: doubles",
)
@pytest.mark.parametrize(("hits", "trials"), [(12, 16), (7, 8), (32, 50)])
def test_chance_of_reaching(modules: Page, hits: int, trials: int) -> None:
    """A listener who is right three times out of four passes as often as the distribution says."""
    right = Fraction(3, 4)
    expected = sum(comb(trials, k) * right**k * (1 - right) ** (trials - k) for k in range(hits, trials + 1))
    assert modules.evaluate(f"chanceOfReaching({hits}, {trials}, 0.75)") == pytest.approx(
        float(expected), abs=1e-12
    )


@pytest.mark.parametrize(
    "call",
    [
        "chanceByGuessing(9, 8)",
        "chanceByGuessing(-1, 8)",
        "chanceByGuessing(1, 0)",
        "chanceByGuessing(0.5, 8)",
    ],
)
def test_impossible_scores_are_refused(modules: Page, call: str) -> None:
    """More hits than trials, or parts of one, are an error."""
    with pytest.raises(Error, match="must be a whole number"):
        modules.evaluate(call)


def test_meaning_is_plain(modules: Page) -> None:
    """A score is explained in a sentence, either way, with the exact chance in it."""
    passed = modules.evaluate("meaning(13, 16)")
    assert passed.startswith("13 of 16 right.")
    assert "1.1\u00a0%" in passed
    assert "you hear a difference" in passed
    failed = modules.evaluate("meaning(11, 16)")
    assert "11\u00a0%" in failed
    assert "does not show that there is none" in failed
    assert "falls short of the 12 of 16 needed in 37\u00a0% of all tests" in failed
    assert "runs" not in failed
    assert modules.evaluate("aim(16)").startswith(
        "12 of 16 right are needed: guessing reaches that in 3.8\u00a0%"
    )


@source("both tails of the binomial distribution, p = 1/2, are alike", kind="closed form")
@pytest.mark.parametrize(("hits", "trials"), [(0, 8), (1, 8), (1, 10), (4, 16), (5, 20)])
def test_a_score_that_is_too_low_is_told(modules: Page, hits: int, trials: int) -> None:
    """As few right answers as guessing hardly ever has: as rare as the mirrored score, and perhaps mixed up."""
    few = Fraction(sum(comb(trials, k) for k in range(hits + 1)), 2**trials)
    assert few <= Fraction(1, 20)
    said = modules.evaluate(f"meaning({hits}, {trials})")
    assert f"as rare as {trials - hits} of {trials}: " in said
    assert f"in only {float(f'{float(100 * few):.2g}'):g}\u00a0% of all tests" in said
    assert "mixed up" in said
    assert "you hear a difference. It does not" not in said


@pytest.mark.parametrize(("hits", "trials"), [(2, 8), (3, 8), (5, 16), (7, 8)])
def test_other_scores_are_not_called_mixed_up(modules: Page, hits: int, trials: int) -> None:
    """A score that guessing reaches easily, or a good one, says nothing of the kind."""
    assert "mixed up" not in modules.evaluate(f"meaning({hits}, {trials})")
