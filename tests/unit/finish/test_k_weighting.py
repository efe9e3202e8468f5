"""K-weighting as a response."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from render.finish.k_weighting import (
    design_k_weighting,
    k_weighting_response,
    k_weighting_run_in_frames,
)

Audio = NDArray[np.float64]


def _weighted(audio: Audio, rate: int) -> Audio:
    for section in design_k_weighting(rate):
        audio = signal.lfilter(section.b, (1.0, *section.a), audio, axis=0)
    return audio


@pytest.mark.parametrize("rate", [8_000, 44_100, 192_000])
def test_response_is_that_of_the_filters(rate: int) -> None:
    """Against the impulse response run through the two sections."""
    impulse = np.zeros((rate, 2))
    impulse[0] = 1.0
    expected = np.fft.rfft(_weighted(impulse, rate)[:, 0])
    response = k_weighting_response(np.arange(rate // 2 + 1, dtype=np.float64), sample_rate_hz=rate)
    assert np.abs(response - expected).max() < 1e-8


@pytest.mark.parametrize("rate", [11_025, 44_100, 48_000, 96_000])
def test_run_in_is_long_enough(rate: int) -> None:
    """What rings later is below -125 dB."""
    impulse = np.zeros((rate, 2))
    impulse[0] = 1.0
    ringing = _weighted(impulse, rate)[:, 0] ** 2
    assert ringing[k_weighting_run_in_frames(rate) :].sum() < 3e-13 * ringing.sum()
