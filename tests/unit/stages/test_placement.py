"""Where a source stands, and the side's own gain and filter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.stages.placement import apply_side_response, place_gains, side_gain


def test_mid_side_and_the_middle() -> None:
    """Mid is the same on both sides, side has opposite signs, position 0 is mid."""
    assert place_gains("mid") == (1.0, 1.0)
    assert place_gains("side") == (1.0, -1.0)
    assert place_gains(0.0) == place_gains("mid")
    assert place_gains(-0.0) == place_gains("mid")


def test_hard_sides_leave_the_other_silent() -> None:
    """The root of two on one side, exactly nothing on the other."""
    assert place_gains(-100.0) == (math.sqrt(2.0), 0.0)
    assert place_gains(100) == (0.0, math.sqrt(2.0))


def test_positions_move_steadily() -> None:
    """The further left, the more left and the less right."""
    left, right = np.array([place_gains(position) for position in range(-100, 101)]).T
    assert (np.diff(left) < 0.0).all()
    assert (np.diff(right) > 0.0).all()


@pytest.mark.parametrize("place", ["left", "", "MID"])
def test_other_words_are_refused(place: str) -> None:
    """With what is allowed."""
    with pytest.raises(ValueError, match='must be "mid", "side" or -100 to 100'):
        place_gains(place)  # type: ignore[arg-type]


@pytest.mark.parametrize("place", [-100.5, 101.0, math.nan])
def test_positions_outside_are_refused(place: float) -> None:
    """By name, value and range."""
    with pytest.raises(ValueError, match=r"place = .*: must be -100 to 100"):
        place_gains(place)


def test_side_gain_in_decibels_or_off() -> None:
    """0 dB is 1, "off" is mono, all else is refused."""
    assert side_gain(0.0) == 1.0
    assert side_gain("off") == 0.0
    assert side_gain(-20.0) == pytest.approx(0.1, rel=1e-15)
    with pytest.raises(ValueError, match='side_gain_db = "mono": must be "off" or -120 to 120 dB'):
        side_gain("mono")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=r"side_gain_db = 200.0: must be -120 to 120 dB"):
        side_gain(200.0)


def test_no_side_is_mono() -> None:
    """Left and right become the same, to the bit."""
    left, right = np.random.default_rng(1).standard_normal((2, 50))
    mono_left, mono_right = apply_side_response(left, right, side_response=side_gain("off"))
    np.testing.assert_array_equal(mono_left, mono_right)
    np.testing.assert_array_equal(mono_left, 0.5 * (left + right))


def test_unity_returns_the_input() -> None:
    """Nothing is computed where nothing changes."""
    left, right = np.random.default_rng(2).standard_normal((2, 50))
    same_left, same_right = apply_side_response(left, right, side_response=1.0)
    assert same_left is left
    assert same_right is right


def test_matrix_and_sum_and_difference_agree() -> None:
    """Two ways to the same sound, with a response for a gain."""
    random = np.random.default_rng(3)
    left, right, side = random.standard_normal((3, 40)) + 1j * random.standard_normal((3, 40))
    own, other = 0.5 * (1.0 + side), 0.5 * (1.0 - side)
    new_left, new_right = apply_side_response(left, right, side_response=side)
    np.testing.assert_allclose(new_left, own * left + other * right, rtol=1e-13)
    np.testing.assert_allclose(new_right, other * left + own * right, rtol=1e-13)
