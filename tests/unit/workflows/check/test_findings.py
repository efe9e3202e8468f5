"""Words of findings: lengths, places, and numbers as they are read."""

from __future__ import annotations

import pytest

from render.workflows.check.findings import Finding, at_places, duration_words, listed


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [
        (0.0001, "0.1 ms"),
        (0.0025, "2.5 ms"),
        (0.00996, "10 ms"),
        (0.143, "143 ms"),
        (0.9996, "1.0 s"),
        (1.6117, "1.6 s"),
    ],
)
def test_lengths_have_as_many_digits_as_are_read(duration_s: float, words: str) -> None:
    """No tenths behind a hundred milliseconds, no thousands of them."""
    assert duration_words(duration_s) == words


@pytest.mark.parametrize(
    ("places_s", "words"),
    [
        ((), ""),
        ((7.3,), "at 0:07.3"),
        ((7.31, 7.33, 13.1), "at 0:07.3 (twice) and 0:13.1"),
        ((1.0, 2.0, 3.0, 4.0, 5.0), "at 0:01.0, 0:02.0, 0:03.0, 0:04.0 and 0:05.0"),
        ((1.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0), "at 0:01.0, 0:02.0, 0:03.0, 0:04.0, 0:05.0 and other places"),
    ],
)
def test_up_to_five_places_are_named(places_s: tuple[float, ...], words: str) -> None:
    """Several in one tenth of a second are counted, so that their sum is the number told."""
    assert at_places(places_s) == words


def test_more_names_than_can_be_read_are_counted() -> None:
    """Three of them, and how many more."""
    assert [listed("abcde"[:count]) for count in (1, 2, 3, 5)] == [
        "a",
        "a and b",
        "a, b and c",
        "a, b, c and 2 more",
    ]


def test_no_figure_is_minus_zero() -> None:
    """A script that prints it would puzzle its reader."""
    finding = Finding("level", "note", "text", "remedy", figures={"true_peak_dbtp": -0.0, "count": 1})
    assert str(finding.as_dict()["true_peak_dbtp"]) == "0.0"
