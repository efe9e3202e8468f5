"""High-pass and low-pass prototypes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.stages.passes import SLOPES_DB_PER_OCTAVE, high_pass, low_pass
from render.stages.prototype import analogue_response


@pytest.mark.parametrize("slope", SLOPES_DB_PER_OCTAVE)
def test_order_follows_from_the_slope(slope: int) -> None:
    """6 dB per octave is one pole."""
    assert len(high_pass(cutoff_hz=100.0, slope_db_per_octave=slope).poles) == slope // 6
    assert len(low_pass(cutoff_hz=100.0, slope_db_per_octave=slope).poles) == slope // 6


@pytest.mark.parametrize("slope", SLOPES_DB_PER_OCTAVE)
def test_each_mirrors_the_other(slope: int) -> None:
    """An octave above the one is like an octave below the other, in magnitude."""
    high = analogue_response(high_pass(cutoff_hz=100.0, slope_db_per_octave=slope), 50.0)
    low = analogue_response(low_pass(cutoff_hz=100.0, slope_db_per_octave=slope), 200.0)
    assert abs(high) == pytest.approx(abs(low), rel=1e-13)


@pytest.mark.parametrize("slope", SLOPES_DB_PER_OCTAVE)
def test_pass_band_is_unity_and_has_no_peak(slope: int) -> None:
    """0 Hz passes a low-pass untouched, and nothing anywhere is lifted."""
    prototype = low_pass(cutoff_hz=1000.0, slope_db_per_octave=slope)
    assert analogue_response(prototype, 0.0) == pytest.approx(1.0, abs=1e-14)
    assert np.abs(analogue_response(prototype, np.geomspace(1.0, 1e5, 500))).max() <= 1.0 + 1e-14


@pytest.mark.parametrize("make", [high_pass, low_pass])
def test_wrong_numbers_are_refused(make: type) -> None:
    """By name, value and range."""
    with pytest.raises(ValueError, match="slope_db_per_octave = 10: must be one of 6, 12, 18, 24"):
        make(cutoff_hz=100.0, slope_db_per_octave=10)
    for cutoff_hz in (0.0, -5.0, math.nan, math.inf):
        with pytest.raises(ValueError, match=r"cutoff_hz = .*: must be 0.1 to 1e\+06 Hz"):
            make(cutoff_hz=cutoff_hz, slope_db_per_octave=12)
