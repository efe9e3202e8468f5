"""Tests of one delay and polarity for a session."""

from __future__ import annotations

import pytest

from render.analysis.meeting import TakeMeeting, find_meeting


def test_takes_that_agree_give_one_number() -> None:
    """The median, to a hundredth of a millisecond."""
    found = find_meeting([TakeMeeting(0.611, 0.02, 1), TakeMeeting(0.622, 0.02, 1), None])

    assert found.delay_ms == pytest.approx(0.62)
    assert found.polarity == "keep"
    assert found.polarity_known
    assert found.measured == 2


def test_takes_that_differ_are_measured_one_by_one() -> None:
    """More apart than their uncertainty allows: "auto"."""
    found = find_meeting([TakeMeeting(0.4, 0.02, 1), TakeMeeting(0.6, 0.02, 1), TakeMeeting(0.61, 0.02, 1)])

    assert found.delay_ms == "auto"
    assert (found.least_ms, found.most_ms) == (0.4, 0.61)


def test_uncertain_takes_may_lie_apart() -> None:
    """The same spread is within what badly measured takes show."""
    found = find_meeting([TakeMeeting(0.4, 0.3, 1), TakeMeeting(0.6, 0.3, 1), TakeMeeting(0.61, 0.3, 1)])

    assert found.delay_ms == pytest.approx(0.6)


def test_a_centimetre_is_left_alone() -> None:
    """Less than 0.03 ms is none."""
    assert find_meeting([TakeMeeting(0.02, 0.01, 1)]).delay_ms == 0.0


@pytest.mark.parametrize(
    ("signs", "polarity"),
    [((-1, -1, None), "flip"), ((1, None, 1), "keep"), ((1, -1, 1), "auto"), ((None, None, None), "keep")],
)
def test_polarity_is_that_of_all(signs: tuple[int | None, ...], polarity: str) -> None:
    """Turned if every take that knows says so; "auto" if they differ."""
    found = find_meeting([TakeMeeting(0.5, 0.02, sign) for sign in signs])

    assert found.polarity == polarity
    assert found.polarity_known == any(sign is not None for sign in signs)


def test_nothing_measured_leaves_all_alone() -> None:
    """No answer, no delay."""
    found = find_meeting([None, None])

    assert found.delay_ms is None
    assert found.polarity == "keep"
    assert not found.polarity_known
