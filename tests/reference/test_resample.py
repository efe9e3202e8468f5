"""The sample-rate converter: pass band, images, phase, and there and back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from render.finish.resample import resample
from tests.helpers.signals import impulse, plucks
from tests.helpers.source import source

MEASURED = "python-soxr 1.1.0, quality VHQ, float64: measured apart from this project"


def _tone(frequency_hz: float, rate_hz: int, frames: int = 48000) -> NDArray[np.float64]:
    return np.sin(2.0 * np.pi * frequency_hz * np.arange(frames) / rate_hz)[:, np.newaxis]


def _fit(audio: NDArray[np.float64], frequency_hz: float, rate_hz: int) -> tuple[float, float]:
    """Level of a tone in dB, and of what is beside it against the tone, over the middle half (least squares)."""
    quarter = len(audio) // 4
    middle = audio[quarter : 3 * quarter, 0]
    angle = 2.0 * np.pi * frequency_hz * np.arange(quarter, 3 * quarter) / rate_hz
    basis = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    weights = np.linalg.lstsq(basis, middle, rcond=None)[0]
    tone, rest = basis @ weights, middle - basis @ weights
    level = math.hypot(*weights)
    return 20.0 * math.log10(level), 10.0 * math.log10(float(rest @ rest) / float(tone @ tone) + 1e-30)


@source(
    MEASURED,
    "48 to 44.1 kHz at 0.8 and 0.913 of the new Nyquist frequency: -0.0003, -0.0025 dB; beside it -186 dB",
    kind="library",
    tolerance="0.0005 dB; residue 6 dB more than measured",
)
@pytest.mark.parametrize(
    ("share", "level_db"), [(0.05, 0.0), (0.2, 0.0), (0.5, 0.0), (0.8, -0.0003), (0.913, -0.0025)]
)
def test_pass_band(share: float, level_db: float) -> None:
    """Flat, and clean beside the tone."""
    frequency_hz = share * 22050.0
    result = resample(_tone(frequency_hz, 48000), sample_rate_hz=48000, new_sample_rate_hz=44100)
    level, rest = _fit(result, frequency_hz, 44100)
    assert level == pytest.approx(level_db, abs=0.0005)
    assert rest < -180.0


@source(
    MEASURED,
    "96 to 48 kHz: 0.0000 dB at 0.8 and 0.913 of Nyquist, beside it -209 dB",
    kind="library",
    tolerance="0.0001 dB; residue bounded at -190 dB, when the rate is doubled at -180 dB",
)
@pytest.mark.parametrize("share", [0.8, 0.913])
@pytest.mark.parametrize(("from_hz", "to_hz", "bound_db"), [(96000, 48000, -190.0), (48000, 96000, -180.0)])
def test_pass_band_of_whole_ratios(share: float, from_hz: int, to_hz: int, bound_db: float) -> None:
    """Halving and doubling."""
    result = resample(_tone(share * 24000.0, from_hz), sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    level, rest = _fit(result, share * 24000.0, to_hz)
    assert level == pytest.approx(0.0, abs=0.0001)
    assert rest < bound_db


@source(
    MEASURED,
    "tones above the new Nyquist frequency: -188.3 dB (48 to 44.1 kHz), -177.3 dB (96 to 48 kHz at 24,024 Hz)",
    kind="library",
    tolerance="bounded at -170 dB",
)
@pytest.mark.parametrize(
    ("from_hz", "to_hz", "frequency_hz"),
    [(48000, 44100, 22500.0), (48000, 44100, 23900.0), (96000, 48000, 24024.0), (96000, 48000, 40000.0)],
)
def test_nothing_is_folded_back(from_hz: int, to_hz: int, frequency_hz: float) -> None:
    """What the new rate cannot hold is gone."""
    result = resample(_tone(frequency_hz, from_hz), sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    middle = result[len(result) // 4 : -len(result) // 4]
    assert 10.0 * math.log10(2.0 * float((middle**2).mean()) + 1e-30) < -170.0


@source(
    MEASURED,
    "images of a tone when the rate rises: none above -170 dB",
    kind="library",
    tolerance="bounded at -170 dB",
)
@pytest.mark.parametrize(("from_hz", "to_hz"), [(44100, 96000), (48000, 96000), (44100, 48000)])
def test_no_images(from_hz: int, to_hz: int) -> None:
    """Beside a tone high in the band there is nothing, above the old Nyquist frequency least of all."""
    frequency_hz = 0.9 * from_hz / 2.0
    result = resample(_tone(frequency_hz, from_hz), sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    assert _fit(result, frequency_hz, to_hz)[1] < -170.0


@source(
    "linear phase: the response to an impulse is symmetrical about its place",
    kind="closed form",
    tolerance="1e-14 of full scale: rounding",
)
@pytest.mark.parametrize(
    ("from_hz", "to_hz", "at", "comes"),
    [(48000, 96000, 9600, 19200), (48000, 44100, 9600, 8820), (44100, 48000, 8820, 9600)],
)
def test_linear_phase_and_no_delay(from_hz: int, to_hz: int, at: int, comes: int) -> None:
    """In time with the input to the frame, and the same to both sides."""
    result = resample(impulse(20000, channels=1, at=at), sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)[
        :, 0
    ]
    assert int(np.abs(result).argmax()) == comes
    before, after = result[comes - 2000 : comes], result[comes + 1 : comes + 2001]
    np.testing.assert_allclose(before[::-1], after, atol=1e-14)


@source(
    "band-limited interpolation there and back is the identity",
    kind="closed form",
    tolerance="-120 dB: what the project asks of itself",
)
def test_there_and_back() -> None:
    """44.1 to 48 to 44.1 kHz returns plucked notes."""
    audio = plucks(2.0, sample_rate_hz=44100)
    up = resample(audio, sample_rate_hz=44100, new_sample_rate_hz=48000)
    back = resample(up, sample_rate_hz=48000, new_sample_rate_hz=44100)
    # Partials end below 0.45 of the rate; their sudden onsets do not: the filter's edge is left out.
    spectrum = np.fft.rfft((back - audio)[2000:-2000] * np.hanning(len(audio) - 4000)[:, np.newaxis], axis=0)
    original = np.fft.rfft(audio[2000:-2000] * np.hanning(len(audio) - 4000)[:, np.newaxis], axis=0)
    heard = slice(0, int(0.9 * len(spectrum)))
    ratio = float((np.abs(spectrum[heard]) ** 2).sum()) / float((np.abs(original[heard]) ** 2).sum())
    assert 10.0 * math.log10(ratio) < -120.0
