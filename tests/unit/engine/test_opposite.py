"""Whether a take's delay is that of its session, or the same turned over: one rule for render and line check."""

from __future__ import annotations

import pytest

from render.engine.opposite import LEAST_MS, Usual, compare_with_usual, is_opposite, opposite_of_ms

OTHERS_MS = (0.8, 0.9, 0.75)


@pytest.mark.parametrize(
    ("later_ms", "usual"),
    [
        (-0.8, Usual(0.8, opposite=True)),
        (-0.65, Usual(0.8, opposite=True)),
        (0.9, Usual(0.8, opposite=False)),
        (0.0, None),
        (2.5, None),
        (-2.5, None),
    ],
)
def test_a_take_is_as_its_session_or_turned_over_or_another(later_ms: float, usual: Usual | None) -> None:
    """Within a quarter of what is usual; and only a turned one is asked about."""
    assert compare_with_usual(later_ms, 0.01, OTHERS_MS) == usual
    assert opposite_of_ms(later_ms, 0.01, OTHERS_MS) == (0.8 if usual and usual.opposite else None)


def test_nothing_is_said_where_nothing_can_be_known() -> None:
    """Others that disagree, a delay too short to have a sign, one too uncertain, and two takes."""
    assert compare_with_usual(-0.8, 0.01, (0.8, 2.0, -0.5, 5.0)) is None
    assert compare_with_usual(-0.2, 0.01, (0.9 * LEAST_MS,) * 3) is None
    assert compare_with_usual(-0.8, 0.5, OTHERS_MS) is None
    assert compare_with_usual(-0.8, 0.01, (0.8,)) is None
    assert is_opposite(-0.8, 0.01, 0.8) is True
    assert is_opposite(0.8, 0.01, 0.8) is False
    assert is_opposite(0.1, 0.01, 0.8) is None


def test_half_of_a_session_is_no_majority() -> None:
    """Each take stands against most of the others there, and none is the odd one."""
    session = [0.8, 0.8, -0.8, -0.8]
    for at, later_ms in enumerate(session):
        assert compare_with_usual(later_ms, 0.01, session[:at] + session[at + 1 :]) is None
