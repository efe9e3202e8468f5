"""Loudness out of windowed spectra: what the sound itself measures, and what others measure."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
from numpy.typing import NDArray

from render.analysis.frames import each_spectra, window_frames
from render.finish.loudness import integrated_loudness_lufs, measure_slots
from render.finish.spectral_loudness import SpectralLoudness
from tests.helpers.signals import plucks


def _measured(audio: NDArray[np.float64], rate_hz: int) -> tuple[float | None, ...]:
    """By the class under test."""
    gauge = SpectralLoudness(sample_rate_hz=rate_hz, size=window_frames(rate_hz))
    for spectra in each_spectra(audio.astype(np.float32), sample_rate_hz=rate_hz):
        gauge.add(spectra.bins, spectra.power)
    return gauge.loudness_lufs(len(audio))


def _wanted(audio: NDArray[np.float64], rate_hz: int, channel: int) -> float | None:
    """Of one channel, by the measurement that finished files have."""
    alone = np.zeros_like(audio)
    alone[:, 0] = audio[:, channel]
    return integrated_loudness_lufs(measure_slots(alone, sample_rate_hz=rate_hz))


def _library(audio: NDArray[np.float64], rate_hz: int, channel: int) -> float:
    """Of one channel, by libebur128."""
    meter = pyebur128.R128State(1, rate_hz, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(audio[:, channel]), len(audio))
    return float(pyebur128.get_loudness_global(meter))


def _sparse(rate_hz: int, seed: int) -> NDArray[np.float64]:
    """A few notes with bright attacks and long rests, which the gates cut through."""
    random, frames = np.random.default_rng(seed), 12 * rate_hz
    audio = 1e-5 * random.standard_normal((frames, 2))
    t = np.arange(2 * rate_hz) / rate_hz
    for onset_s in np.arange(0.5, 9.5, random.uniform(1.0, 2.0)):
        first = round(onset_s * rate_hz)
        tones = np.sin(2 * np.pi * random.uniform(80, 800) * t) * np.exp(-3.0 * t)
        attack = np.convolve(random.standard_normal(len(t)), np.hanning(5), "same") * np.exp(-60.0 * t)
        audio[first : first + len(t)] += 0.03 * np.stack([tones + attack, 0.2 * tones + 2.0 * attack], axis=1)
    return audio


@pytest.mark.parametrize("rate_hz", [8000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_strings_measure_as_in_a_finished_file(rate_hz: int) -> None:
    """Each channel by itself, to 0.005 LU at every rate."""
    audio = np.pad(plucks(5.0, sample_rate_hz=rate_hz, seed=3), ((rate_hz // 3, 0), (0, 0)))
    for channel, found in enumerate(_measured(audio, rate_hz)):
        assert found == pytest.approx(_wanted(audio, rate_hz, channel), abs=0.005)


@pytest.mark.parametrize("seed", range(6))
def test_sparse_notes_measure_as_by_libebur128(seed: int) -> None:
    """To 0.02 LU, though attacks are bright past 10 kHz and gates cut through rests; EBU Tech 3341 allows 0.1."""
    audio = _sparse(48_000, seed)
    for channel, found in enumerate(_measured(audio, 48_000)):
        assert found == pytest.approx(_library(audio, 48_000, channel), abs=0.02)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_bursts_of_noise_measure_to_a_thirtieth_of_a_unit(rate_hz: int) -> None:
    """Though most of their energy lies above what is transformed back, and the gates cut through them."""
    rng = np.random.default_rng(2)
    audio = (
        0.1
        * rng.normal(size=(10 * rate_hz, 2))
        * (np.arange(10 * rate_hz) % rate_hz < 0.4 * rate_hz)[:, np.newaxis]
    )
    for channel, found in enumerate(_measured(audio, rate_hz)):
        assert found == pytest.approx(_wanted(audio, rate_hz, channel), abs=0.03)


def test_what_is_too_short_or_silent_has_no_loudness() -> None:
    """Less than 400 ms, or nothing above -70 LUFS."""
    assert _measured(np.full((100, 2), 0.1), 48_000) == (None, None)
    assert _measured(np.zeros((96_000, 2)), 48_000) == (None, None)
    assert SpectralLoudness(sample_rate_hz=48_000, size=8192).loudness_lufs(0) == (None, None)


def test_spectra_of_another_shape_are_refused() -> None:
    """With the shape that is wanted."""
    with pytest.raises(ValueError, match=r"bins must have shape \(windows, 2, 4097\), not \(1, 2, 5\)"):
        SpectralLoudness(sample_rate_hz=48_000, size=8192).add(
            np.zeros((1, 2, 5), np.complex64), np.zeros((1, 2, 5), np.float32)
        )
