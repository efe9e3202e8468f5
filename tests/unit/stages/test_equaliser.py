"""Peaking, shelves, notch and all-pass prototypes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.stages.equaliser import all_pass, high_shelf, low_shelf, notch, peaking
from render.stages.prototype import Prototype, analogue_response, inverse


def _level_db(prototype: Prototype, frequency_hz: float) -> float:
    return float(20.0 * np.log10(np.abs(analogue_response(prototype, frequency_hz))))


@pytest.mark.parametrize("gain_db", [-24.0, -3.0, 0.5, 18.0])
@pytest.mark.parametrize("q", [0.1, 0.707, 30.0])
def test_peaking_reaches_its_gain_at_the_centre_only(gain_db: float, q: float) -> None:
    """Full gain at the centre, none far away."""
    prototype = peaking(centre_hz=700.0, gain_db=gain_db, q=q)
    assert _level_db(prototype, 700.0) == pytest.approx(gain_db, abs=1e-10)
    assert _level_db(prototype, 0.0) == pytest.approx(0.0, abs=1e-10)
    assert _level_db(prototype, 1e9) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("gain_db", [-24.0, -3.0, 0.5, 18.0])
@pytest.mark.parametrize("q", [0.1, 0.707, 3.0])
def test_shelves_reach_half_their_gain_at_the_corner(gain_db: float, q: float) -> None:
    """All of it on the one side, half at the corner, nothing on the other."""
    low = low_shelf(corner_hz=300.0, gain_db=gain_db, q=q)
    high = high_shelf(corner_hz=300.0, gain_db=gain_db, q=q)
    assert _level_db(low, 0.0) == pytest.approx(gain_db, abs=1e-10)
    assert _level_db(low, 300.0) == pytest.approx(gain_db / 2.0, abs=1e-10)
    assert _level_db(low, 1e9) == pytest.approx(0.0, abs=1e-3)
    assert _level_db(high, 0.0) == pytest.approx(0.0, abs=1e-10)
    assert _level_db(high, 300.0) == pytest.approx(gain_db / 2.0, abs=1e-10)
    assert _level_db(high, 1e9) == pytest.approx(gain_db, abs=1e-3)


@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
def test_shelf_of_q_root_half_does_not_bump(gain_db: float) -> None:
    """From one end to the other the level never turns round."""
    frequency_hz = np.geomspace(10.0, 1e5, 2000)
    for make in (low_shelf, high_shelf):
        prototype = make(corner_hz=1000.0, gain_db=gain_db, q=math.sqrt(0.5))
        steps = np.diff(np.abs(analogue_response(prototype, frequency_hz)))
        assert (steps >= -1e-12).all() or (steps <= 1e-12).all()


def test_a_cut_is_the_inverse_of_the_boost_to_the_bit() -> None:
    """Zeros and poles change places and nothing else happens."""
    assert peaking(centre_hz=900.0, gain_db=-5.0, q=2.0) == inverse(
        peaking(centre_hz=900.0, gain_db=5.0, q=2.0)
    )
    assert low_shelf(corner_hz=900.0, gain_db=-5.0, q=0.2) == inverse(
        low_shelf(corner_hz=900.0, gain_db=5.0, q=0.2)
    )
    assert high_shelf(corner_hz=900.0, gain_db=-5.0, q=0.7) == inverse(
        high_shelf(corner_hz=900.0, gain_db=5.0, q=0.7)
    )


def test_zero_decibels_are_a_wire() -> None:
    """No poles, no zeros, gain 1."""
    assert peaking(centre_hz=900.0, gain_db=0.0, q=2.0) == Prototype()
    assert low_shelf(corner_hz=900.0, gain_db=0.0, q=2.0) == Prototype()
    assert high_shelf(corner_hz=900.0, gain_db=0.0, q=2.0) == Prototype()


@pytest.mark.parametrize("q", [0.1, 0.5, 10.0])
def test_notch_takes_out_its_centre(q: float) -> None:
    """Nothing at the centre, half power half a bandwidth away, all of it far off."""
    prototype = notch(centre_hz=60.0, q=q)
    half = 1.0 / (2.0 * q)
    edge_hz = 60.0 * (math.sqrt(1.0 + half * half) + half)
    assert analogue_response(prototype, 60.0) == 0.0
    assert _level_db(prototype, edge_hz) == pytest.approx(10.0 * math.log10(0.5), abs=1e-10)
    assert _level_db(prototype, 0.0) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("q", [0.1, 0.5, 10.0])
def test_all_pass_turns_the_phase_alone(q: float) -> None:
    """Level 0 dB everywhere, 180 degrees at the centre."""
    prototype = all_pass(centre_hz=500.0, q=q)
    np.testing.assert_allclose(
        np.abs(analogue_response(prototype, np.geomspace(1.0, 1e5, 50))), 1.0, rtol=1e-13
    )
    assert analogue_response(prototype, 500.0) == pytest.approx(-1.0, abs=1e-12)


def test_wrong_numbers_are_refused() -> None:
    """By name, value and range."""
    with pytest.raises(ValueError, match=r"centre_hz = 0.0: must be 0.1 to 1e\+06 Hz"):
        peaking(centre_hz=0.0, gain_db=1.0, q=1.0)
    with pytest.raises(ValueError, match=r"gain_db = 130.0: must be -120 to 120 dB"):
        low_shelf(corner_hz=100.0, gain_db=130.0, q=1.0)
    with pytest.raises(ValueError, match="gain_db = nan"):
        peaking(centre_hz=100.0, gain_db=math.nan, q=1.0)
    with pytest.raises(ValueError, match="corner_hz = inf"):
        high_shelf(corner_hz=math.inf, gain_db=3.0, q=1.0)
    with pytest.raises(ValueError, match=r"q = 0.0: must be 0.01 to 1000"):
        notch(centre_hz=100.0, q=0.0)
    with pytest.raises(ValueError, match=r"q = -1.0"):
        all_pass(centre_hz=100.0, q=-1.0)
