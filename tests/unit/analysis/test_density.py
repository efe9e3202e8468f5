"""Echo density, coherence and roughness."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.analysis.density import (
    BEYOND_ONE_SIGMA,
    NOISE_SPREAD_DB,
    measure_coherence,
    measure_echo_density,
    measure_level_spread_db,
)
from tests.helpers.signals import noise

RATE_HZ = 16000


def test_noise_has_density_one() -> None:
    """The mean over many windows of Gaussian noise is 1 within its error."""
    density = measure_echo_density(
        noise(RATE_HZ, channels=8), sample_rate_hz=RATE_HZ, at_s=np.linspace(0.05, 0.95, 40)
    )
    assert density.shape == (40, 8)
    assert density.mean() == pytest.approx(1.0, abs=0.02)


def test_few_echoes_have_little_density() -> None:
    """Five echoes in a window of 320 frames: those weights alone."""
    response = np.zeros((RATE_HZ, 1))
    response[7900:8100:40] = 1.0
    density = measure_echo_density(response, sample_rate_hz=RATE_HZ, at_s=np.array([0.5]))
    assert 0.0 < density[0, 0] < 0.1


def test_equal_echoes_everywhere_are_not_past_themselves() -> None:
    """A constant never exceeds its own standard deviation by more than rounding; a plain count says so."""
    response = np.ones((RATE_HZ, 1))
    response[::2] = 0.0
    density = measure_echo_density(response, sample_rate_hz=RATE_HZ, at_s=np.array([0.5]))
    assert density[0, 0] == pytest.approx(0.5 / BEYOND_ONE_SIGMA, rel=0.01)


def test_silence_has_no_density() -> None:
    """Nothing there, or a window past the end: 0, without a warning."""
    density = measure_echo_density(np.zeros((100, 2)), sample_rate_hz=RATE_HZ, at_s=np.array([0.0, 9.0]))
    np.testing.assert_array_equal(density, np.zeros((2, 2)))


def test_density_does_not_depend_on_level() -> None:
    """Scaling the response changes nothing."""
    response = noise(2000, channels=1)
    at_s = np.array([0.0, 0.05])
    np.testing.assert_array_equal(
        measure_echo_density(response, sample_rate_hz=RATE_HZ, at_s=at_s),
        measure_echo_density(4.0 * response, sample_rate_hz=RATE_HZ, at_s=at_s),
    )


def test_refuses_a_window_of_nothing() -> None:
    """The message names the parameter, the value and the range."""
    with pytest.raises(ValueError, match=r"window_ms = 0.0: must be greater than 0"):
        measure_echo_density(np.zeros((9, 1)), sample_rate_hz=RATE_HZ, at_s=np.zeros(1), window_ms=0.0)


def test_the_same_sound_is_coherent_whatever_its_polarity() -> None:
    """1 for a copy turned over and made softer."""
    left = noise(RATE_HZ, channels=1)
    pair = np.hstack([left, -0.3 * left])
    assert measure_coherence(pair, sample_rate_hz=RATE_HZ) == pytest.approx(1.0, abs=1e-12)


def test_independent_noise_is_coherent_by_chance_only() -> None:
    """Near 0.886 / sqrt(bins of a band), the mean of the absolute value of a complex Gaussian mean."""
    values = [
        measure_coherence(noise(RATE_HZ, seed=seed), sample_rate_hz=RATE_HZ, highest_hz=4000.0)
        for seed in range(20)
    ]
    widths = np.array([1000.0 * 10.0 ** (0.1 * third) for third in range(-3, 7)]) * 0.23077
    expected = float(np.mean(0.5 * math.sqrt(math.pi) / np.sqrt(widths)))
    assert float(np.mean(values)) == pytest.approx(expected, rel=0.1)


def test_no_band_below_half_the_rate_is_no_number() -> None:
    """At a rate so low that no third octave fits, and where a side is silent."""
    assert math.isnan(measure_coherence(noise(500), sample_rate_hz=900))
    assert math.isnan(measure_coherence(np.zeros((4000, 2)), sample_rate_hz=RATE_HZ))


def test_noise_has_the_spread_of_noise() -> None:
    """5.6 dB, with or without a slope of the spectrum."""
    white = noise(4 * RATE_HZ, channels=4)
    sloping = np.diff(white, axis=0)
    for response in (white, sloping):
        spread = measure_level_spread_db(response, sample_rate_hz=RATE_HZ)
        assert spread.shape == (4,)
        np.testing.assert_allclose(spread, NOISE_SPREAD_DB, atol=0.2)


def test_ringing_modes_spread_more() -> None:
    """A tail of 20 modes a kilohertz, each much narrower than its distance to the next."""
    random = np.random.default_rng(2)
    seconds = np.arange(2 * RATE_HZ)[:, np.newaxis] / RATE_HZ
    modes_hz = random.uniform(400.0, 3100.0, 54)
    tail = np.sum(
        np.exp(-5.0 * seconds) * np.cos(2.0 * np.pi * (modes_hz * seconds + random.random(54))), axis=1
    )
    assert measure_level_spread_db(tail[:, np.newaxis], sample_rate_hz=RATE_HZ)[0] > NOISE_SPREAD_DB + 0.7
