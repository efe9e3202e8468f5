"""Tests of the moves that bring a microphone's low band to the pickup's balance."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from render.analysis.balance import LINES_HZ, measure_balance
from render.analysis.boom import measure_boom
from render.analysis.guitar import Guitar, combine_takes
from render.analysis.low_fit import LowBand, fit_low_band, low_band_as_it_is, low_thirds
from render.analysis.moves import (
    MICROPHONE_HIGH_PASS_HZ,
    MOST_RESONANCES,
    RESONANCE_CUT_DB,
    SHELF_CUT_DB,
    HighPassMove,
)
from render.engine.respond import power_response
from tests.helpers.known_guitar import RATE_HZ, Known, play_known

RUMBLE = HighPassMove(58.0, 12)


@cache
def _fit(known: Known, seed: int = 1) -> tuple[Guitar, LowBand]:
    audio = play_known(known, seed=seed, duration_s=14.0)
    guitar = combine_takes([measure_balance(audio, sample_rate_hz=RATE_HZ)])
    resonances = measure_boom(audio, sample_rate_hz=RATE_HZ)
    low = fit_low_band(guitar, resonances=resonances, respond=power_response, base_high_pass=RUMBLE)
    return guitar, low


def test_a_balanced_pair_gets_a_high_pass_against_rumble_only() -> None:
    """Where the microphone is like the pickup nothing is cut."""
    _, low = _fit(Known())

    assert low.moves == (RUMBLE,)


def test_a_boom_gets_one_cut_where_it_is() -> None:
    """A resonance alone is cut at its frequency, about as far as it stands out."""
    _, low = _fit(Known(booms=((108.0, 9.0, 6.0),)))

    (cut,) = low.cuts
    assert cut.centre_hz == pytest.approx(108.0, rel=0.02)
    assert -10.0 <= cut.gain_db <= -5.0
    assert low.shelf is None
    assert low.resonances[0] is not None
    assert low.low_after_db == pytest.approx(0.0, abs=1.5)


def test_too_much_low_end_is_taken_off() -> None:
    """A microphone with 8 dB more below 250 Hz comes to within 3 dB, as a whole and third by third."""
    _, low = _fit(Known(shelf=(250.0, 8.0)))

    assert low.low_before_db is not None
    assert low.low_before_db > 5.0
    assert low.low_after_db == pytest.approx(0.0, abs=1.5)
    assert low.worst_after_db < 3.0


def test_a_lean_microphone_is_not_lifted() -> None:
    """What the microphone lacks stays lacking: no move but the high-pass against rumble."""
    _, low = _fit(Known(shelf=(250.0, -9.0)))

    assert low.moves == (RUMBLE,)
    assert low.low_after_db is not None
    assert low.low_after_db < -4.5


def test_what_is_too_much_for_ordinary_moves_is_told() -> None:
    """A microphone with 30 dB too much stays over, its moves at their bounds."""
    _, low = _fit(Known(shelf=(330.0, 24.0), booms=((100.0, 20.0, 2.0), (180.0, 20.0, 2.0))))

    assert low.high_pass is not None
    assert low.high_pass.cutoff_hz <= MICROPHONE_HIGH_PASS_HZ[1]
    assert len(low.cuts) <= MOST_RESONANCES
    assert all(-RESONANCE_CUT_DB <= cut.gain_db < 0.0 for cut in low.cuts)
    assert low.shelf is None or low.shelf.gain_db >= -SHELF_CUT_DB
    assert low.low_before_db is not None
    assert low.low_after_db is not None
    assert low.low_after_db < low.low_before_db - 12.0


def test_kept_stages_count() -> None:
    """Behind a high-pass that does the work already, nothing is left to do."""
    guitar, low = _fit(Known(booms=((100.0, 8.0, 3.0),)))
    assert low.cuts
    kept = power_response(HighPassMove(180.0, 18), LINES_HZ)
    done = fit_low_band(guitar, resonances=(), respond=power_response, base_high_pass=None, fixed=kept)
    read = low_band_as_it_is(guitar, response=kept)

    assert done.moves == ()
    assert done.low_before_db == low.low_before_db
    assert np.array_equal(done.after_db, read.after_db, equal_nan=True)
    assert read.worst_after_db < 3.0


def test_the_low_band_has_seven_thirds() -> None:
    """80 to 315 Hz."""
    assert np.count_nonzero(low_thirds()) == 7
