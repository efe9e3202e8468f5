"""Level and group delay of responses: closed forms of short filters, SciPy for long ones."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from render.analysis.spectrum import measure_spectrum

RATE_HZ = 48_000
FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 200)
ANGLE = 2.0 * np.pi * FREQUENCY_HZ / RATE_HZ


def test_echo_of_one_frame_has_its_closed_form() -> None:
    """1 + a z^-1: power 1 + a^2 + 2 a cos w, group delay a (a + cos w) / power frames."""
    a = 0.6
    power = 1.0 + a * a + 2.0 * a * np.cos(ANGLE)
    spectrum = measure_spectrum(np.array([[1.0], [a]]), sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ)
    assert_allclose(spectrum.level_db[:, 0], 10.0 * np.log10(power), atol=1e-6)
    assert_allclose(spectrum.group_delay_s[:, 0] * RATE_HZ, a * (a + np.cos(ANGLE)) / power, atol=1e-6)


def test_long_filter_agrees_with_scipy() -> None:
    """A response of 300 random frames: scipy.signal.freqz and group_delay at the same frequencies."""
    taps = np.random.default_rng(3).standard_normal(300) * np.exp(-np.arange(300) / 40.0)
    spectrum = measure_spectrum(taps[:, np.newaxis], sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ)
    _, response = scipy.signal.freqz(taps, worN=ANGLE)
    _, delay_frames = scipy.signal.group_delay((taps, [1.0]), w=ANGLE)
    assert_allclose(spectrum.level_db[:, 0], 20.0 * np.log10(np.abs(response)), atol=0.005)
    assert_allclose(spectrum.group_delay_s[:, 0] * RATE_HZ, delay_frames, atol=0.02)


@pytest.mark.parametrize("bands_per_octave", [None, 3.0])
@pytest.mark.parametrize("at", [0, 7, 40_000])
def test_delay_is_late_by_itself(at: int, bands_per_octave: float | None) -> None:
    """A single impulse: 0 dB everywhere, late by its frames after the lead, averaged or not."""
    response = np.zeros((40_001, 1))
    response[at] = 1.0
    lead_frames = 5
    spectrum = measure_spectrum(
        response,
        sample_rate_hz=RATE_HZ,
        frequency_hz=FREQUENCY_HZ,
        lead_frames=lead_frames,
        bands_per_octave=bands_per_octave,
    )
    assert_allclose(spectrum.level_db, 0.0, atol=1e-9)
    assert_allclose(spectrum.group_delay_s, (at - lead_frames) / RATE_HZ, atol=1e-9)


@pytest.mark.parametrize("bands_per_octave", [1.0, 3.0, 12.0])
def test_band_means_are_the_integral_of_power(bands_per_octave: float) -> None:
    """1 + a z^-n: its power integrated over each band in closed form."""
    a, n = 0.9, 60
    response = np.zeros((n + 1, 1))
    response[0], response[n] = 1.0, a
    half = 2.0 ** (0.5 / bands_per_octave)
    low, high = ANGLE / half, np.minimum(ANGLE * half, np.pi)
    mean = 1.0 + a * a + 2.0 * a * (np.sin(n * high) - np.sin(n * low)) / (n * (high - low))
    spectrum = measure_spectrum(
        response, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ, bands_per_octave=bands_per_octave
    )
    assert_allclose(spectrum.level_db[:, 0], 10.0 * np.log10(mean), atol=1e-3)


def test_bands_narrower_than_a_bin_read_the_bin() -> None:
    """Very narrow bands give what is there without averaging."""
    taps = np.random.default_rng(5).standard_normal((50, 1))
    narrow = measure_spectrum(
        taps, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ, bands_per_octave=100_000.0
    )
    plain = measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ)
    assert_allclose(narrow.level_db, plain.level_db, atol=0.01)


def test_ends_of_the_band_are_read() -> None:
    """0 Hz and half the sample rate, averaged or not."""
    ends = np.array([0.0, RATE_HZ / 2])
    for bands_per_octave in (None, 3.0):
        spectrum = measure_spectrum(
            np.array([[1.0], [0.5]]),
            sample_rate_hz=RATE_HZ,
            frequency_hz=ends,
            bands_per_octave=bands_per_octave,
        )
        assert spectrum.level_db[0, 0] == pytest.approx(20.0 * np.log10(1.5), abs=1e-6)
        assert spectrum.level_db[1, 0] == pytest.approx(20.0 * np.log10(0.5), abs=1.0)


def test_every_channel_as_if_alone() -> None:
    """A silent channel is minus infinity and has no delay; it changes nothing in the other."""
    taps = np.random.default_rng(4).standard_normal((64, 1))
    both = measure_spectrum(
        np.hstack([taps, np.zeros((64, 1))]), sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ
    )
    alone = measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ)
    assert np.array_equal(both.level_db[:, :1], alone.level_db)
    assert np.all(np.isneginf(both.level_db[:, 1]))
    assert np.all(np.isnan(both.group_delay_s[:, 1]))


def test_input_is_not_changed() -> None:
    """A read-only response is measured."""
    taps: NDArray[np.float64] = np.ones((4, 2))
    taps.flags.writeable = False
    measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ)


def test_bad_values_are_refused_by_name() -> None:
    """Each parameter with its range."""
    taps = np.ones((4, 1))
    with pytest.raises(ValueError, match="sample_rate_hz = 0: must be greater than 0"):
        measure_spectrum(taps, sample_rate_hz=0, frequency_hz=FREQUENCY_HZ)
    with pytest.raises(ValueError, match="frequency_hz must be one list of 0 to 24000 Hz"):
        measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=np.array([24_001.0]))
    with pytest.raises(ValueError, match="frequency_hz must be one list"):
        measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=np.array([np.nan]))
    with pytest.raises(ValueError, match="lead_frames = 4: must be 0 to 3"):
        measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ, lead_frames=4)
    with pytest.raises(ValueError, match=r"bands_per_octave = 0\.0: must be greater than 0"):
        measure_spectrum(taps, sample_rate_hz=RATE_HZ, frequency_hz=FREQUENCY_HZ, bands_per_octave=0.0)
