"""Band filters, backward integration and decay times."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.decay import (
    DecayTimes,
    band_centres_hz,
    band_edges_hz,
    band_gain,
    decay_curve_db,
    decay_time_s,
    expected_decay,
    filter_band,
    measure_decay,
)
from tests.helpers.signals import noise

RATE_HZ = 8000


def _exponential(decay_s: float, duration_s: float, rate_hz: int = RATE_HZ) -> NDArray[np.float64]:
    """An envelope that falls by 60 dB in the decay time, as a response of one channel."""
    seconds = np.arange(round(duration_s * rate_hz)) / rate_hz
    envelope: NDArray[np.float64] = (10.0 ** (-3.0 * seconds / decay_s))[:, np.newaxis]
    return envelope


def test_octave_edges_meet() -> None:
    """The upper edge of a band is the lower edge of the next."""
    centres_hz = band_centres_hz(125.0, 8000.0)
    assert len(centres_hz) == 7
    for lower, upper in itertools.pairwise(centres_hz):
        assert band_edges_hz(float(lower))[1] == pytest.approx(band_edges_hz(float(upper))[0], rel=1e-12)


def test_centres_by_their_nominal_names() -> None:
    """Third octaves from 500 to 8000 Hz are thirteen, the first near 500 and the last near 8000."""
    centres_hz = band_centres_hz(500.0, 8000.0, bands_per_octave=3)
    assert len(centres_hz) == 13
    assert centres_hz[0] == pytest.approx(501.187, abs=1e-3)
    assert centres_hz[-1] == pytest.approx(7943.28, abs=1e-2)


@pytest.mark.parametrize("bands_per_octave", [1, 3])
def test_the_filter_is_half_power_at_its_edges(bands_per_octave: int) -> None:
    """1 at the centre, -3.01 dB at both edges."""
    edges = np.array(band_edges_hz(1000.0, bands_per_octave=bands_per_octave))
    assert band_gain(np.array([1000.0]), centre_hz=1000.0, bands_per_octave=bands_per_octave)[0] == 1.0
    np.testing.assert_allclose(
        band_gain(edges, centre_hz=1000.0, bands_per_octave=bands_per_octave), math.sqrt(0.5), rtol=1e-12
    )


def test_a_sine_passes_its_band_unmoved() -> None:
    """The filter turns no phase and changes no level at its centre."""
    seconds = np.arange(RATE_HZ) / RATE_HZ
    tone = np.sin(2.0 * np.pi * 1000.0 * seconds)[:, np.newaxis]
    passed = filter_band(tone, sample_rate_hz=RATE_HZ, centre_hz=1000.0)
    np.testing.assert_allclose(passed[2000:6000], tone[2000:6000], atol=1e-4)


def test_channels_are_filtered_each_for_itself() -> None:
    """What a channel gives does not depend on the others."""
    both = noise(4000)
    together = filter_band(both, sample_rate_hz=RATE_HZ, centre_hz=500.0)
    alone = filter_band(both[:, :1], sample_rate_hz=RATE_HZ, centre_hz=500.0)
    np.testing.assert_allclose(together[:, :1], alone, atol=1e-15)


def test_the_curve_of_an_exponential_is_a_straight_line() -> None:
    """60 dB in the decay time, from 0 dB."""
    curve = decay_curve_db(_exponential(0.5, 2.0))
    at = np.array([0, 1000, 2000, 4000])
    np.testing.assert_allclose(curve[at, 0], -60.0 * at / RATE_HZ / 0.5, atol=1e-6)


def test_a_silent_channel_has_no_curve() -> None:
    """Minus infinity throughout, and decay times that are not numbers, without a warning."""
    silent = np.zeros((100, 1))
    assert np.all(np.isneginf(decay_curve_db(silent)))
    assert math.isnan(measure_decay(silent, sample_rate_hz=RATE_HZ)[0].t30_s)
    assert decay_curve_db(np.zeros((0, 1))).shape == (0, 1)


def test_a_response_cut_too_early_has_no_t30() -> None:
    """A curve that stops at -20 dB, and one of two frames, give not-a-number."""
    line = np.linspace(0.0, -20.0, 100)
    assert math.isnan(decay_time_s(line, frame_s=0.01, upper_db=-5.0, lower_db=-35.0))
    assert math.isnan(decay_time_s(np.array([0.0, -50.0]), frame_s=0.01, upper_db=-5.0, lower_db=-35.0))


def test_each_channel_has_its_own_decay() -> None:
    """Two channels of 0.3 and 0.6 s are read as such."""
    response = np.hstack([_exponential(0.3, 2.0), _exponential(0.6, 2.0)])
    times = measure_decay(response, sample_rate_hz=RATE_HZ)
    assert [time.t30_s for time in times] == pytest.approx([0.3, 0.6], rel=1e-4)


def test_curvature_is_nothing_for_a_line() -> None:
    """T30 equal to T20 is 0 %, half as much again 50 %."""
    assert DecayTimes(1.0, 1.0, 1.0).curvature_percent == pytest.approx(0.0)
    assert DecayTimes(1.0, 1.0, 1.5).curvature_percent == pytest.approx(50.0)


def test_an_even_law_is_expected_as_asked() -> None:
    """With the same decay at every frequency all three times are that decay."""
    times = expected_decay(np.array([125.0, 8000.0]), np.array([1.3, 1.3]), centre_hz=1000.0)
    assert (times.edt_s, times.t20_s, times.t30_s) == pytest.approx((1.3, 1.3, 1.3), rel=1e-9)


def test_a_sloping_law_is_expected_longer_than_at_the_centre() -> None:
    """The slow half of a band outlives the fast one, so T30 is past the decay at the centre, and past T20."""
    times = expected_decay(np.array([125.0, 8000.0]), np.array([4.0, 0.5]), centre_hz=1000.0)
    assert times.t30_s > 4.0 * 8.0**-1.0
    assert times.edt_s < times.t20_s < times.t30_s


def test_what_is_expected_is_what_noise_shows() -> None:
    """Mean T30 of 40 noises with a sloping decay, made of narrow bands, lies within its own error."""
    frames, points = 2 * RATE_HZ, np.array([125.0, 8000.0])
    asked_s = np.array([1.2, 0.4])
    random = np.random.default_rng(3)
    seconds = np.arange(frames) / RATE_HZ
    spectrum = np.fft.rfft(random.standard_normal((40, frames)), axis=1)
    frequency_hz = np.arange(spectrum.shape[1]) * (RATE_HZ / frames)
    place = 12.0 * np.log2(np.maximum(frequency_hz, 60.0) / 60.0)
    sound = np.zeros((40, frames))
    for band in range(int(place.max()) + 1):
        weight = np.where(np.abs(place - band) < 1.0, np.cos(0.5 * np.pi * (place - band)) ** 2, 0.0)
        decay_s = np.exp(np.interp(np.log(60.0 * 2.0 ** (band / 12.0)), np.log(points), np.log(asked_s)))
        sound += np.fft.irfft(spectrum * weight, frames, axis=1) * 10.0 ** (-3.0 * seconds / decay_s)
    heard = filter_band(sound.T, sample_rate_hz=RATE_HZ, centre_hz=1000.0)
    read_s = np.array([times.t30_s for times in measure_decay(heard, sample_rate_hz=RATE_HZ)])
    expected_s = expected_decay(points, asked_s, centre_hz=1000.0).t30_s
    assert abs(read_s.mean() - expected_s) < 4.0 * read_s.std(ddof=1) / math.sqrt(40)


@pytest.mark.parametrize("centre_hz", [0.0, -1.0, math.nan, math.inf])
def test_refuses_a_centre_that_is_no_frequency(centre_hz: float) -> None:
    """The message names parameter and range."""
    with pytest.raises(ValueError, match=r"centre_hz = .*: must be greater than 0"):
        band_edges_hz(centre_hz)


def test_refuses_other_nonsense() -> None:
    """No bands at all, a range upside down."""
    with pytest.raises(ValueError, match="bands_per_octave = 0: must be at least 1"):
        band_edges_hz(1000.0, bands_per_octave=0)
    with pytest.raises(ValueError, match=r"lowest_hz = 200.0: must be above 0, at most 100"):
        band_centres_hz(200.0, 100.0)
