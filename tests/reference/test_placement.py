"""Placement against the identities of sum and difference and of constant power."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from render.stages.minimum_phase import discrete_response
from render.stages.passes import high_pass
from render.stages.placement import apply_side_response, place_gains, side_gain
from tests.helpers.responses import impulse_response_of
from tests.helpers.source import source

BLUMLEIN = "A. D. Blumlein, British patent 394,325, 1931 (sum and difference; algebra)"
CONSTANT_POWER = "sine and cosine pan law: left^2 + right^2 constant"
RATES_HZ = (44100, 48000, 88200, 96000, 192000)


MID = np.sin(2.0 * np.pi * 7 * np.arange(4800) / 4800)
SIDE = np.sin(2.0 * np.pi * 11 * np.arange(4800) / 4800)


def _uncorrelated(level_db: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Left and right of a mid and a side source that have nothing in common, side louder by so much."""
    mid, side = MID, 10.0 ** (level_db / 20.0) * SIDE
    (mid_left, mid_right), (side_left, side_right) = place_gains("mid"), place_gains("side")
    return mid_left * mid + side_left * side, mid_right * mid + side_right * side


@source(BLUMLEIN, "correlation (1 - r) / (1 + r), power 1 + r", kind="closed form", tolerance="rounding")
@pytest.mark.parametrize(
    ("side_db", "correlation", "power_db"),
    [
        (-20.0, 0.980198020, 0.043213738),
        (-10.0, 0.818181818, 0.413926852),
        (-6.0, 0.598479982, 0.973227937),
        (-3.0, 0.332278849, 1.764348625),
        (0.0, 0.0, 3.010299957),
        (3.0, -0.332278849, 4.764348625),
        (6.0, -0.598479982, 6.973227937),
    ],
)
def test_correlation_and_power_of_mid_and_side(side_db: float, correlation: float, power_db: float) -> None:
    """Level of the side against the mid decides both."""
    left, right = _uncorrelated(side_db)
    assert float(np.corrcoef(left, right)[0, 1]) == pytest.approx(correlation, abs=1e-8)
    stereo_power = float((left**2 + right**2).mean())
    mid_power = float((0.25 * (left + right) ** 2).mean())
    assert 10.0 * math.log10(stereo_power / (2.0 * mid_power)) == pytest.approx(power_db, abs=1e-8)


@source(BLUMLEIN, "left + right = 2 mid", kind="closed form", tolerance="-300 dB: rounding of |mid| + |side|")
@pytest.mark.parametrize("side_db", [-20.0, 0.0, 6.0])
def test_side_leaves_the_mono_sum(side_db: float) -> None:
    """Twice the mid source and nothing else."""
    left, right = _uncorrelated(side_db)
    residue = left + right - 2.0 * MID
    assert 20.0 * math.log10(float(np.abs(residue).max()) + 1e-300) < -300.0


@source(CONSTANT_POWER, "hard left 3.01 dB above one side of the middle", kind="closed form")
def test_pan_keeps_the_power() -> None:
    """At 2001 positions; hard left is 3.0103 dB above one side of mid."""
    for position in np.linspace(-100.0, 100.0, 2001):
        left, right = place_gains(float(position))
        assert left * left + right * right == pytest.approx(2.0, abs=1e-14)
    assert 20.0 * math.log10(place_gains(-100.0)[0]) == pytest.approx(3.0102999566, abs=1e-9)


@source(CONSTANT_POWER, "half way: cos and sin of 22.5 degrees", kind="closed form")
def test_half_way_to_the_left() -> None:
    """Position -50 stands at 22.5 degrees of the quarter circle."""
    left, right = place_gains(-50.0)
    assert left == pytest.approx(math.sqrt(2.0) * math.cos(math.pi / 8.0), rel=1e-15)
    assert right == pytest.approx(math.sqrt(2.0) * math.sin(math.pi / 8.0), rel=1e-15)
    assert left / right == pytest.approx(1.0 + math.sqrt(2.0), rel=1e-14)  # cot 22.5 degrees


@source(BLUMLEIN, "mid and side from left and right", kind="closed form")
@pytest.mark.parametrize("gain_db", [-12.0, -3.0, 2.0, 9.0])
def test_two_decibels_entered_are_two_decibels_of_side(gain_db: float) -> None:
    """The side of what comes out is the side of what went in, so much louder; the mid is the same."""
    left, right = np.random.default_rng(4).standard_normal((2, 1000))
    new_left, new_right = apply_side_response(left, right, side_response=side_gain(gain_db))
    np.testing.assert_allclose(new_left + new_right, left + right, atol=1e-14)
    np.testing.assert_allclose(
        new_left - new_right, 10.0 ** (gain_db / 20.0) * (left - right), rtol=1e-12, atol=1e-14
    )


@source("S. Butterworth, 1930", "high-pass of the side: -3.0103 dB at its corner", kind="closed form")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_side_high_pass_works_on_the_side_alone(rate_hz: int) -> None:
    """A source hard left: its side is 3 dB down at the corner, its mid untouched."""
    prototype = high_pass(cutoff_hz=200.0, slope_db_per_octave=12)
    response = discrete_response(prototype, sample_rate_hz=rate_hz, fft_frames=rate_hz)
    one = np.ones(len(response), dtype=np.complex128)
    left, right = apply_side_response(math.sqrt(2.0) * one, 0.0 * one, side_response=response)
    np.testing.assert_allclose(left + right, math.sqrt(2.0), rtol=1e-14)
    side_db = 20.0 * np.log10(np.abs(left - right)[200] / math.sqrt(2.0))
    assert side_db == pytest.approx(-3.0102999566, abs=1e-6)
    taps = impulse_response_of(prototype, sample_rate_hz=rate_hz, frames=rate_hz)
    np.testing.assert_allclose(np.fft.irfft(left - right)[:2000], math.sqrt(2.0) * taps[:2000], atol=1e-7)
