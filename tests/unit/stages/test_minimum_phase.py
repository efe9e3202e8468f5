"""From prototypes to discrete responses: shapes, wires, chains, lengths, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.fft

from render.stages.equaliser import all_pass, low_shelf, notch, peaking
from render.stages.minimum_phase import (
    CORRECTION_FRAMES,
    chain_frames,
    chain_response,
    discrete_response,
    response_frames,
)
from render.stages.passes import high_pass, low_pass
from render.stages.prototype import Prototype, analogue_response, inverse
from tests.helpers.responses import impulse_response_of

RATES_HZ = (8000, 44100, 48000, 88200, 96000, 192000)


def test_an_empty_chain_is_a_wire_to_the_bit() -> None:
    """Ones on every bin; so is a chain of stages of 0 dB."""
    np.testing.assert_array_equal(chain_response((), sample_rate_hz=48000, fft_frames=4096), np.ones(2049))
    flat = [peaking(centre_hz=100.0, gain_db=0.0, q=1.0)] * 3
    np.testing.assert_array_equal(chain_response(flat, sample_rate_hz=48000, fft_frames=4096), np.ones(2049))
    assert chain_frames((), sample_rate_hz=48000) == CORRECTION_FRAMES


def test_a_gain_is_a_prototype_too() -> None:
    """Also a negative one, which turns the polarity."""
    np.testing.assert_allclose(
        discrete_response(Prototype(gain=-0.25), sample_rate_hz=48000, fft_frames=4096), -0.25, rtol=1e-14
    )


def test_a_chain_is_the_product_of_its_stages() -> None:
    """One correction for all makes no other sound than one for each."""
    stages = [
        high_pass(cutoff_hz=60.0, slope_db_per_octave=18),
        low_pass(cutoff_hz=9000.0, slope_db_per_octave=6),
        peaking(centre_hz=12000.0, gain_db=-7.0, q=2.0),
        notch(centre_hz=100.0, q=10.0),
        all_pass(centre_hz=800.0, q=0.4),
        low_shelf(corner_hz=200.0, gain_db=4.0, q=0.3),
    ]
    together = chain_response(stages, sample_rate_hz=44100, fft_frames=65536)
    apart = np.ones(32769, dtype=np.complex128)
    for stage in stages:
        apart = apart * discrete_response(stage, sample_rate_hz=44100, fft_frames=65536)
    np.testing.assert_allclose(together, apart, atol=1e-10)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_grid_carries_a_real_response(rate_hz: int) -> None:
    """First and last bin are real, and nothing is infinite or NaN."""
    for prototype in (
        high_pass(cutoff_hz=20.0, slope_db_per_octave=24),
        low_pass(cutoff_hz=20000.0, slope_db_per_octave=18),
        notch(centre_hz=2000.0, q=30.0),
        all_pass(centre_hz=1000.0, q=0.1),
    ):
        response = discrete_response(prototype, sample_rate_hz=rate_hz, fft_frames=16000)
        assert response.shape == (8001,)
        assert response.dtype == np.complex128
        assert np.isfinite(response).all()
        assert response[0].imag == 0.0
        assert response[-1].imag == 0.0


def test_zeros_on_the_axis_stay_exact() -> None:
    """0 Hz through a high-pass, and a hum that falls on a bin through its notch, are gone."""
    high = discrete_response(
        high_pass(cutoff_hz=80.0, slope_db_per_octave=18), sample_rate_hz=48000, fft_frames=48000
    )
    hum = discrete_response(notch(centre_hz=100.0, q=5.0), sample_rate_hz=48000, fft_frames=48000)
    assert high[0] == 0.0
    assert abs(hum[100]) < 1e-12


@pytest.mark.parametrize("floor_db", [-60.0, -100.0, -150.0])
@pytest.mark.parametrize(
    "prototype",
    [
        high_pass(cutoff_hz=40.0, slope_db_per_octave=24),
        peaking(centre_hz=110.0, gain_db=24.0, q=8.0),
        peaking(centre_hz=200.0, gain_db=3.0, q=0.2),
        notch(centre_hz=50.0, q=5.0),
        all_pass(centre_hz=50.0, q=3.0),
        low_pass(cutoff_hz=50.0, slope_db_per_octave=12),
        all_pass(centre_hz=20000.0, q=0.1),
    ],
)
def test_response_frames_are_enough(prototype: Prototype, floor_db: float) -> None:
    """What sounds after them is below the floor, in energy and against the largest frame."""
    frames = response_frames(prototype, sample_rate_hz=48000, floor_db=floor_db)
    taps = impulse_response_of(prototype, sample_rate_hz=48000, frames=frames + 60000)
    late = taps[frames:]
    assert 10.0 * math.log10((late**2).sum() / (taps**2).sum() + 1e-40) < floor_db
    assert 20.0 * math.log10(np.abs(late).max() / np.abs(taps).max() + 1e-40) < floor_db


def test_a_chain_sounds_longer_than_its_stages() -> None:
    """Ten equal stages need more than one, and the bound still holds."""
    stages = [high_pass(cutoff_hz=80.0, slope_db_per_octave=24)] * 10
    frames = chain_frames(stages, sample_rate_hz=48000)
    assert frames > response_frames(stages[0], sample_rate_hz=48000)
    fft_frames = 2 * scipy.fft.next_fast_len(frames, real=True)
    taps = scipy.fft.irfft(chain_response(stages, sample_rate_hz=48000, fft_frames=fft_frames), fft_frames)
    assert 10.0 * math.log10((taps[frames:] ** 2).sum() / (taps**2).sum()) < -150.0


def test_response_frames_grow_with_the_rate() -> None:
    """The same seconds, whatever the rate; the correction's frames come on top."""
    prototype = high_pass(cutoff_hz=30.0, slope_db_per_octave=12)
    slow = response_frames(prototype, sample_rate_hz=48000) - CORRECTION_FRAMES
    fast = response_frames(prototype, sample_rate_hz=96000) - CORRECTION_FRAMES
    assert fast == pytest.approx(2 * slow, abs=2)


@pytest.mark.parametrize("centre_hz", [20000.0, 21900.0, 22049.0, 22051.0, 25000.0])
def test_what_lies_at_and_above_half_the_rate_does_no_harm(centre_hz: float) -> None:
    """Far below such a centre the level is the prototype's, and the response stays short."""
    prototype = peaking(centre_hz=centre_hz, gain_db=12.0, q=5.0)
    response = discrete_response(prototype, sample_rate_hz=44100, fft_frames=8192)
    frequency_hz = np.arange(4097) * 44100 / 8192
    heard = frequency_hz <= 20000.0
    ratio = np.abs(response[heard]) / np.abs(analogue_response(prototype, frequency_hz[heard]))
    assert np.abs(20.0 * np.log10(ratio)).max() < 1e-3
    taps = scipy.fft.irfft(response)
    assert np.abs(taps[4096:]).max() < 1e-10


def test_wrong_numbers_are_refused() -> None:
    """By name, value and range."""
    stage = peaking(centre_hz=100.0, gain_db=3.0, q=1.0)
    for frames in (4097, 1024):
        with pytest.raises(ValueError, match=f"fft_frames = {frames}: must be even and at least 2048"):
            discrete_response(stage, sample_rate_hz=48000, fft_frames=frames)
    with pytest.raises(ValueError, match=r"sample_rate_hz = 4000: must be 8000 to 1.536e\+06 Hz"):
        discrete_response(stage, sample_rate_hz=4000, fft_frames=4096)
    with pytest.raises(ValueError, match=r"floor_db = 3.0: must be -300 to -20 dB"):
        response_frames(stage, sample_rate_hz=48000, floor_db=3.0)


def test_a_low_pass_and_its_inverse_are_a_wire() -> None:
    """Zeros without poles are met as well."""
    stage = low_pass(cutoff_hz=3000.0, slope_db_per_octave=18)
    undone = chain_response((stage, inverse(stage)), sample_rate_hz=48000, fft_frames=8192)
    np.testing.assert_allclose(undone, 1.0, atol=1e-11)
    frequency_hz = np.array([10.0, 3000.0, 15000.0])
    np.testing.assert_allclose(
        analogue_response(inverse(stage), frequency_hz) * analogue_response(stage, frequency_hz),
        1.0,
        rtol=1e-12,
    )
