"""Delays, whole and fractional."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.stages.delay import HALF_WIDTH_FRAMES, delay_response, fractional_delay
from tests.helpers.responses import fir_response


@pytest.mark.parametrize("delay_frames", [0, 1, 7, 1000])
def test_whole_frames_later_are_a_single_one(delay_frames: int) -> None:
    """Exact, nothing before time zero."""
    fir = fractional_delay(delay_frames=delay_frames)
    assert fir.lead_frames == 0
    np.testing.assert_array_equal(fir.taps[:, 0], [0.0] * delay_frames + [1.0])


@pytest.mark.parametrize("delay_frames", [-1, -7, -1000])
def test_whole_frames_earlier_are_a_single_one(delay_frames: int) -> None:
    """Exact, all of it before time zero."""
    fir = fractional_delay(delay_frames=delay_frames)
    assert fir.lead_frames == -delay_frames
    np.testing.assert_array_equal(fir.taps[:, 0], [1.0] + [0.0] * -delay_frames)


@pytest.mark.parametrize("delay_frames", [0.5, -0.5, 0.001, 3.3, 79.9, 80.1, 500.75, -79.5, -80.25, -300.123])
def test_fractions_are_right_to_a_billionth(delay_frames: float) -> None:
    """Flat and late by what was asked, 0 Hz to 20 kHz at 44.1 kHz."""
    fir = fractional_delay(delay_frames=delay_frames)
    response = fir_response(fir, fft_frames=4096)[:, 0]
    angle = 2.0 * np.pi * np.arange(2049) / 4096
    heard = angle <= 2.0 * np.pi * 20000.0 / 44100.0
    off = response[heard] * np.exp(1j * angle[heard] * delay_frames)
    assert np.abs(20.0 * np.log10(np.abs(off))).max() < 1e-8
    assert np.abs(np.angle(off)[1:] / angle[heard][1:]).max() < 1e-8


def test_a_fraction_begins_before_time_zero_only_if_it_must() -> None:
    """Eighty frames to both sides; far enough away there is no lead."""
    assert fractional_delay(delay_frames=0.5).lead_frames == HALF_WIDTH_FRAMES - 1
    assert fractional_delay(delay_frames=200.5).lead_frames == 0
    assert len(fractional_delay(delay_frames=200.5).taps) == 200 + HALF_WIDTH_FRAMES + 1


def test_products_of_milliseconds_and_rates_are_taken_as_whole() -> None:
    """4.1 ms at 96 kHz are 393.6 frames, 4.2 ms at 10 kHz are 42 in spite of the last digit."""
    assert len(delay_response(delay_ms=4.2, sample_rate_hz=10000).taps) == 43
    assert len(delay_response(delay_ms=0.7, sample_rate_hz=90000).taps) == 64
    assert len(delay_response(delay_ms=4.1, sample_rate_hz=96000).taps) == 393 + HALF_WIDTH_FRAMES + 1


def test_wrong_numbers_are_refused() -> None:
    """By name, value and range."""
    with pytest.raises(ValueError, match=r"delay_frames = inf: must be -1e\+07 to 1e\+07 frames"):
        fractional_delay(delay_frames=math.inf)
    with pytest.raises(ValueError, match=r"delay_ms = 20000.0: must be -10000 to 10000 ms"):
        delay_response(delay_ms=20000.0, sample_rate_hz=48000)
    with pytest.raises(ValueError, match="sample_rate_hz = 0"):
        delay_response(delay_ms=1.0, sample_rate_hz=0)
