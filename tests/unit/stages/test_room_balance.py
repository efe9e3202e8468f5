"""Four responses made orthonormal band by band, and the passes of the room."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.stages.room.balance import (
    apply_filters,
    balance_centres_hz,
    band_energy,
    cross_spectra,
    design_balance,
    passes_spectrum,
    transform_size,
)

RATE_HZ = 16000


def _tails(frames: int = 12000, seed: int = 1) -> NDArray[np.float64]:
    """Four decaying noises that have something in common, and different levels."""
    random = np.random.default_rng(seed)
    noises = random.standard_normal((4, frames)) * 10.0 ** (-3.0 * np.arange(frames) / 8000.0)
    tails: NDArray[np.float64] = (noises + 0.2 * noises[[1, 2, 3, 0]]) * np.array(
        [[1.0], [1.2], [0.9], [1.1]]
    )
    return tails


def _products(rows: NDArray[np.float64], low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Energies and real products within a band, of one transform of the whole, mean energy 1."""
    spectrum = np.fft.rfft(rows, 1 << 16, axis=1)
    frequency_hz = np.arange(spectrum.shape[1]) * (RATE_HZ / (1 << 16))
    part = spectrum[:, (frequency_hz >= low_hz) & (frequency_hz < high_hz)]
    table = (part @ np.conj(part.T)).real
    scaled: NDArray[np.float64] = table / np.trace(table) * 4.0
    return scaled


def test_unlike_responses_become_alike_and_orthogonal() -> None:
    """Before, off by a quarter; after, orthonormal within 1 %, in octaves with sharp edges within 12 %."""
    rows = _tails()
    assert float(np.abs(_products(rows, 500.0, 8000.0) - np.eye(4)).max()) > 0.25
    filters = design_balance(cross_spectra(rows, sample_rate_hz=RATE_HZ), sample_rate_hz=RATE_HZ)
    apply_filters(rows, filters=filters, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(_products(rows, 20.0, 8000.0), np.eye(4), atol=0.01)
    for low_hz in (500.0, 1000.0, 2000.0, 4000.0):
        np.testing.assert_allclose(_products(rows, low_hz, 2.0 * low_hz), np.eye(4), atol=0.12)


def test_orthonormal_responses_are_left_alone() -> None:
    """Four impulses far apart, each in a transform of its own: filters are the identity."""
    size = transform_size(RATE_HZ)
    rows = np.zeros((4, 4 * size))
    rows[np.arange(4), np.arange(4) * size] = 1.0
    filters = design_balance(cross_spectra(rows, sample_rate_hz=RATE_HZ), sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(filters, np.eye(4)[:, :, np.newaxis] * np.ones(size // 2 + 1), atol=1e-12)


def test_silence_is_left_alone() -> None:
    """No energy, no correction beyond 6 dB, nothing that is not finite."""
    filters = design_balance(
        cross_spectra(np.zeros((4, 2000)), sample_rate_hz=RATE_HZ), sample_rate_hz=RATE_HZ
    )
    assert np.isfinite(filters).all()


def test_filters_are_causal() -> None:
    """An impulse late in one row makes nothing earlier in any."""
    rows = _tails()
    filters = design_balance(cross_spectra(rows, sample_rate_hz=RATE_HZ), sample_rate_hz=RATE_HZ)
    late = np.zeros((4, 9000))
    late[2, 5000] = 1.0
    apply_filters(late, filters=filters, sample_rate_hz=RATE_HZ)
    assert float(np.abs(late[:, :5000]).max()) < 1e-12
    assert float(np.abs(late[2, 5000:]).max()) > 0.5


def test_filtering_is_plain_convolution() -> None:
    """Overlap-add against a direct sum of the four filters."""
    random = np.random.default_rng(3)
    rows = random.standard_normal((4, 7000))
    size = transform_size(RATE_HZ)
    taps = random.standard_normal((4, 4, size)) * (np.arange(size) < 50)
    expected = np.zeros((4, 7000))
    for target in range(4):
        for origin in range(4):
            expected[target] += np.convolve(rows[origin], taps[target, origin, :50])[:7000]
    apply_filters(rows, filters=np.fft.rfft(taps, axis=-1), sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(rows, expected, atol=1e-10)


def test_cross_spectra_are_hermitian() -> None:
    """The second with the first is the conjugate of the first with the second; the diagonal is energy."""
    products = cross_spectra(_tails(), sample_rate_hz=RATE_HZ)
    np.testing.assert_array_equal(products[1, 3], np.conj(products[3, 1]))
    assert float(np.abs(products[2, 2].imag).max()) <= 1e-12 * float(products[2, 2].real.max())
    assert float(products[2, 2].real.min()) >= 0.0


@pytest.mark.parametrize("rate_hz", [8000, 48000, 192000])
def test_passes_have_their_analogue_magnitude(rate_hz: int) -> None:
    """Butterworth, 12 dB per octave, both; the response ends within the transform."""
    passes = passes_spectrum(sample_rate_hz=rate_hz, high_pass_hz=120.0, low_pass_hz=9000.0)
    frequency_hz = np.linspace(0.0, 0.5 * rate_hz, len(passes))
    inside = (frequency_hz > 20.0) & (frequency_hz < min(20000.0, 0.45 * rate_hz))
    high = (frequency_hz[inside] / 120.0) ** 2 / np.sqrt(1.0 + (frequency_hz[inside] / 120.0) ** 4)
    low = 1.0 / np.sqrt(1.0 + (frequency_hz[inside] / 9000.0) ** 4)
    np.testing.assert_allclose(20.0 * np.log10(np.abs(passes[inside]) / (high * low)), 0.0, atol=0.01)


def test_no_high_pass() -> None:
    """0 is none: 0 Hz passes."""
    passes = passes_spectrum(sample_rate_hz=RATE_HZ, high_pass_hz=0.0, low_pass_hz=1e6)
    np.testing.assert_allclose(np.abs(passes), 1.0, atol=1e-3)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 192000])
def test_balance_bands_stay_below_half_the_rate(rate_hz: int) -> None:
    """Rising, the last no more than two thirds of an octave below half the rate."""
    centres_hz = balance_centres_hz(rate_hz)
    assert np.all(np.diff(centres_hz) > 0.0)
    assert 0.5 * rate_hz / 2.0 ** (2.0 / 3.0) < centres_hz[-1] <= 0.5 * rate_hz


def test_energy_of_an_impulse_is_one() -> None:
    """What a level is measured against."""
    impulse = np.zeros(5000)
    impulse[100] = 1.0
    assert band_energy(impulse, sample_rate_hz=RATE_HZ) == pytest.approx(1.0, abs=1e-12)
