"""Spectrum, width and correlation by bands, and the columns of a waveform."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.stereo_bands import measure_stereo_bands, waveform_columns
from tests.helpers.signals import noise, sine

RATE_HZ = 48_000


@pytest.mark.parametrize("ratio_db", [-20.0, -6.0, 0.0, 3.0])
def test_uncorrelated_mid_and_side(ratio_db: float) -> None:
    """With r = side / mid power, every octave has r and the correlation (1 - r) / (1 + r)."""
    mid, side = noise(20 * RATE_HZ, seed=3).T
    side = side * 10.0 ** (ratio_db / 20.0)
    found = measure_stereo_bands(np.stack([mid + side, mid - side], axis=1), sample_rate_hz=RATE_HZ)

    ratio = 10.0 ** (ratio_db / 10.0)
    upper = found.octave_hz > 400.0
    assert np.abs(10.0 * np.log10(found.side_to_mid[upper] / ratio)).max() < 0.35
    assert np.abs(found.correlation[upper] - (1.0 - ratio) / (1.0 + ratio)).max() < 0.03


def test_spectrum_of_a_sine() -> None:
    """All of a sine's power lies in its band, of both channels together."""
    found = measure_stereo_bands(
        sine(1000.0, duration_s=4.0, sample_rate_hz=RATE_HZ, peak_dbfs=-6.0), sample_rate_hz=RATE_HZ
    )
    at = int(np.argmin(np.abs(found.band_hz - 1000.0)))
    assert int(np.argmax(found.power)) == at
    assert 10.0 * np.log10(found.power[at]) == pytest.approx(-6.0 - 3.01 + 3.01, abs=0.1)


def test_octaves_are_those_of_the_standard() -> None:
    """Base ten, from 63 Hz to 16 kHz where the rate allows it."""
    audio = noise(RATE_HZ)
    at_48 = measure_stereo_bands(audio, sample_rate_hz=48_000)
    at_44 = measure_stereo_bands(audio, sample_rate_hz=44_100)

    assert at_48.octave_hz == pytest.approx([1000.0 * 10.0 ** (0.3 * n) for n in range(-4, 5)])
    assert at_44.octave_hz == pytest.approx(at_48.octave_hz[:-1])


def test_mono_silence_and_one_side() -> None:
    """What cannot be told is not-a-number."""
    one = noise(RATE_HZ, channels=1)
    mono = measure_stereo_bands(np.repeat(one, 2, axis=1), sample_rate_hz=RATE_HZ)
    assert np.isnan(mono.side_to_mid).all()
    assert mono.correlation == pytest.approx(1.0, abs=1e-6)

    left = measure_stereo_bands(np.concatenate([one, 0.0 * one], axis=1), sample_rate_hz=RATE_HZ)
    assert np.isnan(left.correlation).all()
    assert left.side_to_mid == pytest.approx(1.0, abs=1e-6)

    silent = measure_stereo_bands(np.zeros((RATE_HZ, 2)), sample_rate_hz=RATE_HZ)
    assert not silent.power.any()
    assert np.isnan(silent.side_to_mid).all()


def test_refuses_other_channels() -> None:
    """Two channels."""
    with pytest.raises(ValueError, match=r"shape \(frames, 2\)"):
        measure_stereo_bands(noise(100, channels=1), sample_rate_hz=RATE_HZ)


def test_columns_hold_every_extreme() -> None:
    """Each column has the lowest and highest sample of its frames, of either channel."""
    audio = noise(1003, seed=8)
    columns = waveform_columns(audio, columns=10)

    assert columns.shape == (10, 2)
    assert columns[:, 0].min() == audio.min()
    assert columns[:, 1].max() == audio.max()
    assert columns[0].tolist() == [audio[:100].min(), audio[:100].max()]
    assert waveform_columns(audio[:4], columns=10).shape == (4, 2)


def test_columns_refuse_nothing() -> None:
    """One frame and one column at least."""
    with pytest.raises(ValueError, match="1 frame and 1 column"):
        waveform_columns(np.zeros((0, 2)), columns=3)
    with pytest.raises(ValueError, match="1 frame and 1 column"):
        waveform_columns(np.zeros((5, 2)), columns=0)
