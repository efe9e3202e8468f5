"""Tests of what moves share: rounding, and resonances of several takes."""

from __future__ import annotations

import pytest

from render.analysis.boom import Resonance
from render.analysis.moves import median, merge_resonances, rounded_db, rounded_hz, rounded_q


def test_numbers_as_one_would_dial_them() -> None:
    """Whole hertz below 400, two digits above; half decibels; a digit of q."""
    assert [rounded_hz(hz) for hz in (57.4, 399.6, 411.0, 2349.0)] == [57.0, 400.0, 410.0, 2300.0]
    assert [rounded_db(db) for db in (-3.3, -3.2, 0.1)] == [-3.5, -3.0, 0.0]
    assert str(rounded_db(-0.1)) == "0.0"
    assert rounded_q(4.318) == 4.3


def test_median() -> None:
    """Odd and even counts."""
    assert median([3.0, 1.0, 2.0]) == 2.0
    assert median([4.0, 1.0]) == 2.5


def test_resonances_of_most_takes_are_the_guitars() -> None:
    """Found in half of the takes or more, by the median; a single sighting is chance."""
    takes = [
        [Resonance(104.0, 9.0, 20.0), Resonance(201.0, 5.0, 15.0)],
        [Resonance(105.0, 11.0, 22.0)],
        [Resonance(300.0, 6.0, 30.0), Resonance(103.5, 10.0, 21.0)],
    ]

    (found,) = merge_resonances(takes)
    assert found == Resonance(104.0, 10.0, 21.0)


def test_most_prominent_first() -> None:
    """What stands out most is dealt with first."""
    found = merge_resonances([[Resonance(100.0, 5.0, 20.0), Resonance(200.0, 9.0, 20.0)]])

    assert [one.frequency_hz for one in found] == [200.0, 100.0]
    assert merge_resonances([]) == []


def test_one_take_counts_a_resonance_once() -> None:
    """Two close peaks of a single take do not outvote the other takes."""
    takes = [[Resonance(104.0, 9.0, 20.0), Resonance(106.0, 5.0, 15.0)], [], [], []]

    assert merge_resonances(takes) == []
    assert merge_resonances(takes[:1])[0].prominence_db == pytest.approx(9.0)
