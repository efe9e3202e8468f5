"""Tests of the hard edge of a pickup's attacks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from render.analysis.balance import measure_balance
from render.analysis.edge import NO_EDGE, find_edge
from render.analysis.guitar import Guitar, combine_takes
from render.analysis.moves import EDGE_CUT_DB, EDGE_HZ, EDGE_Q
from tests.helpers.known_guitar import RATE_HZ, Known, play_known


@cache
def _guitar(known: Known, seed: int = 1, rate_hz: int = RATE_HZ) -> Guitar:
    audio = play_known(known, seed=seed, duration_s=12.0, rate_hz=rate_hz)
    return combine_takes([measure_balance(audio, sample_rate_hz=rate_hz)])


@pytest.mark.parametrize("centre_hz", [1700.0, 2400.0, 3200.0])
def test_an_edge_is_found_and_tamed(centre_hz: float) -> None:
    """A pickup with 6 dB more around its edge gets a cut there, of two thirds at most."""
    edge = find_edge(_guitar(Known(pickup_peaks=((centre_hz, 6.0, 1.2),))))

    assert edge.cut is not None
    assert edge.cut.centre_hz == pytest.approx(centre_hz, rel=0.25)
    assert -5.0 <= edge.cut.gain_db <= -2.0


def test_a_pickup_without_an_edge_is_left_alone() -> None:
    """Where pickup and microphone agree there is nothing to tame, however the strings sound."""
    for seed in range(3):
        assert find_edge(_guitar(Known(), seed)).cut is None


def test_a_hole_in_the_microphone_is_no_edge_of_the_pickup() -> None:
    """What only the comparison shows is the microphone's own."""
    edge = find_edge(_guitar(Known(booms=((2500.0, -10.0, 1.2),))))

    assert edge.cut is None or edge.cut.gain_db > -3.0
    assert np.max(edge.against_db) > 4.0


def test_an_edge_is_never_cut_further_than_its_bound() -> None:
    """15 dB too much are not taken off by more than 5."""
    edge = find_edge(_guitar(Known(pickup_peaks=((2500.0, 15.0, 1.0),))))

    assert edge.cut is not None
    assert edge.cut.gain_db == -EDGE_CUT_DB
    assert EDGE_Q[0] <= edge.cut.q <= EDGE_Q[1]
    assert EDGE_HZ[0] <= edge.cut.centre_hz <= EDGE_HZ[1]


def test_without_attacks_nothing_is_told() -> None:
    """No onsets, no edge."""
    guitar = _guitar(Known())

    assert find_edge(replace(guitar, onset=np.zeros_like(guitar.onset))) is NO_EDGE


def test_a_low_rate_has_no_edge_to_tell() -> None:
    """At 8 kHz the trend above is missing: no crash, and nothing beyond the bounds."""
    edge = find_edge(_guitar(Known(), 1, 8_000))

    assert edge.cut is None or -EDGE_CUT_DB <= edge.cut.gain_db < 0.0
