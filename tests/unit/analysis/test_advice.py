"""Tests of hum that is worth a notch, and of the side's level."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from render.analysis.advice import TakeHum, find_hum, find_hum_notches, find_side_level, nearest_note_hz
from render.analysis.balance import LINES_HZ, measure_balance
from render.analysis.guitar import Guitar, combine_takes
from render.analysis.hum import Hum, HumLine
from render.analysis.moves import GAIN_DB, HUM_Q, MOST_HUM_LINES, HighPassMove
from render.audio.array import Reals
from render.engine.respond import power_response
from tests.helpers.known_guitar import RATE_HZ, Known, play_known

FLAT = np.ones(len(LINES_HZ))


def _hum(*levels_dbfs: float, hz: float = 50.0) -> Hum:
    lines = tuple(HumLine(number, number * hz, level) for number, level in enumerate(levels_dbfs, 1))
    return Hum(True, 50.0, hz, max(levels_dbfs), lines)


def _notches(hum: Hum, chain: Reals = FLAT) -> list[float]:
    found = find_hum_notches(
        hum, playing_dbfs=-25.0, lowest_note_hz=82.4, chain=chain, respond=power_response
    )
    assert len(found) <= MOST_HUM_LINES
    assert all(HUM_Q[0] <= one.notch.q <= HUM_Q[1] for one in found)
    return [one.notch.centre_hz for one in found]


def test_only_lines_that_are_heard_get_a_notch() -> None:
    """60 dB under the playing and more is left."""
    assert _notches(_hum(-60.0, -84.0, -86.0, -70.0)) == [50.0, 100.0, 200.0]
    assert _notches(Hum(present=False)) == []
    assert _notches(Hum(present=None)) == []


def test_at_most_four_the_loudest() -> None:
    """Of seven lines the four loudest."""
    assert _notches(_hum(-60.0, -50.0, -45.0, -61.0, -52.0, -53.0, -70.0)) == [100.0, 150.0, 250.0, 300.0]


def test_what_the_high_pass_takes_needs_no_notch() -> None:
    """Behind a high-pass of 150 Hz a soft line at 50 Hz is gone."""
    chain = power_response(HighPassMove(150.0, 18), LINES_HZ)

    assert _notches(_hum(-60.0, -90.0), chain) == []
    assert _notches(_hum(-60.0, -90.0)) == [50.0]


def test_a_note_close_by_asks_for_a_narrow_notch() -> None:
    """G2 at 98 Hz lies 2 percent from 100 Hz: narrower there, and what it loses is told."""
    found = find_hum_notches(
        _hum(-90.0, -60.0), playing_dbfs=-25.0, lowest_note_hz=82.4, chain=FLAT, respond=power_response
    )
    (one,) = found

    assert one.note == "G2"
    assert one.notch.q == 60.0
    assert one.note_loss_db == pytest.approx(0.69, abs=0.05)


def test_hum_is_common_if_half_of_the_takes_have_it() -> None:
    """One take of three does not make a source hum, and is told all the same; levels are medians."""
    none = TakeHum("silent", Hum(present=False), -25.0)
    loud, louder = TakeHum("a", _hum(-60.0, -70.0), -25.0), TakeHum("b", _hum(-56.0, hz=50.02), -20.0)

    few = find_hum([loud, none, none], heard_db=50.0)
    assert (few.heard, few.common, few.of, few.takes) == (True, False, 3, (loud,))
    both = find_hum([loud, louder, none], heard_db=50.0)
    assert both.common
    assert both.playing_dbfs == -22.5
    assert [(line.multiple, line.level_dbfs) for line in both.hum.lines] == [(1, -58.0), (2, -70.0)]
    assert both.hum.frequency_hz == pytest.approx(50.01)
    assert find_hum([none], heard_db=50.0).takes == ()


def test_hum_is_heard_from_the_given_distance_on() -> None:
    """50 dB below the playing it is not, a shade nearer it is; beside takes that are heard soft ones do not count."""
    soft, near = TakeHum("a", _hum(-75.0), -25.0), TakeHum("b", _hum(-74.9), -25.0)

    found = find_hum([soft], heard_db=50.0)
    assert (found.heard, found.common, found.takes) == (False, False, (soft,))
    assert find_hum([soft, near], heard_db=50.0).takes == (near,)


def test_nearest_note() -> None:
    """Equal temperament, A4 at 440 Hz."""
    assert nearest_note_hz(100.0) == pytest.approx(97.9989, abs=1e-3)
    assert nearest_note_hz(250.0) == pytest.approx(246.9417, abs=1e-3)


@cache
def _guitar() -> Guitar:
    takes = [
        measure_balance(play_known(Known(gain=0.4), seed=seed, duration_s=6.0), sample_rate_hz=RATE_HZ)
        for seed in (1, 2)
    ]
    return combine_takes(takes)


@pytest.mark.parametrize("width_db", [-14.0, -8.0, -3.0])
def test_the_side_gets_its_level(width_db: float) -> None:
    """Within the quarter of a decibel that steps of half a decibel leave."""
    level = find_side_level(_guitar(), width_db=width_db, mid=FLAT, side=FLAT)

    assert level.side_to_mid_db == pytest.approx(width_db, abs=0.26)
    assert level.least_db <= level.side_to_mid_db <= level.most_db
    assert not level.limited


def test_a_gain_that_would_go_too_far_is_told() -> None:
    """Past -24 or 12 dB the recorder's gains are to be set anew."""
    faint = find_side_level(_guitar(), width_db=-8.0, mid=FLAT, side=1e-4 * FLAT)
    strong = find_side_level(_guitar(), width_db=-8.0, mid=FLAT, side=1e4 * FLAT)

    assert (strong.gain_db, faint.gain_db) == GAIN_DB
    assert faint.limited
    assert strong.limited
