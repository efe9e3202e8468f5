"""K-weighting as a response, and its energy per slot out of spectra."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft, signal

from render.audio.array import AnySamples
from render.finish.k_weighting import (
    design_k_weighting,
    k_weighting_response,
    k_weighting_run_in_frames,
    weighted_slots_from_spectrum,
)
from render.finish.slots import slot_frames
from tests.helpers.signals import noise, plucks

Audio = NDArray[np.float64]


def _weighted(audio: Audio, rate: int) -> Audio:
    for section in design_k_weighting(rate):
        audio = signal.lfilter(section.b, (1.0, *section.a), audio, axis=0)
    return audio


def _sums(audio: Audio, frames: int) -> Audio:
    rows = audio[: len(audio) // frames * frames].reshape(-1, frames, 2)
    left, right = rows[:, :, 0], rows[:, :, 1]
    return np.stack([(left * left).sum(1), (right * right).sum(1), (left * right).sum(1)], axis=1)


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


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize(
    ("rate", "bright"),
    [(48_000, 0.0), (48_000, 0.006), (48_000, 1.0), (44_100, 0.0), (22_050, 0.1), (11_025, 0.0)],
)
def test_slots_from_spectra_are_those_of_the_filter(rate: int, bright: float, dtype: type) -> None:
    """Two blocks; narrow, wider and full band, as the brightness needs; sums of the pieces and of the whole."""
    slot, run_in = slot_frames(rate), k_weighting_run_in_frames(rate)
    valid, first = 20 * slot, run_in + 4 * slot
    length = first + valid + slot
    length += length % 2
    audio = plucks(2 * length / rate, sample_rate_hz=rate, seed=2)
    audio += bright * noise(len(audio), seed=3, rms=0.05)
    blocks = [audio[start : start + length] for start in (0, length)]
    rows: AnySamples = np.concatenate([block.T for block in blocks]).astype(dtype)
    spectra = fft.rfft(rows, axis=-1)
    spectra.setflags(write=False)
    found = weighted_slots_from_spectrum(
        spectra, sample_rate_hz=rate, fft_frames=length, first_valid_frame=first, valid_frames=valid
    )
    expected = np.concatenate(
        [_sums(_weighted(block, rate)[first : first + valid], slot) for block in blocks]
    )
    assert found.shape == (40, 3)
    scale = float(expected[:, :2].max())
    assert np.abs(found - expected).max() < 0.004 * scale
    assert found.sum(axis=0) == pytest.approx(expected.sum(axis=0), rel=5e-4, abs=1e-4 * scale)


def test_silence_stays_silent() -> None:
    """Nothing is divided by nothing."""
    found = weighted_slots_from_spectrum(
        np.zeros((2, 4801), np.complex64),
        sample_rate_hz=48_000,
        fft_frames=9600,
        first_valid_frame=2880,
        valid_frames=960,
    )
    assert not found.any()


@pytest.mark.parametrize(
    ("shape", "first", "valid", "message"),
    [
        ((3, 4801), 2880, 960, "spectra must have shape"),
        ((2, 4800), 2880, 960, "spectra must have shape"),
        ((2, 4801), 2880, 961, "valid_frames must be a multiple of 960, not 961"),
        ((2, 4801), 2880, 0, "valid_frames must be a multiple of 960, not 0"),
        ((2, 4801), 2879, 960, "first_valid_frame must be 2880 to 8640, not 2879"),
        ((2, 4801), 8641, 960, "first_valid_frame must be 2880 to 8640, not 8641"),
    ],
)
def test_what_does_not_fit_is_refused(shape: tuple[int, int], first: int, valid: int, message: str) -> None:
    """Each message names the parameter."""
    with pytest.raises(ValueError, match=message):
        weighted_slots_from_spectrum(
            np.zeros(shape, np.complex64),
            sample_rate_hz=48_000,
            fft_frames=9600,
            first_valid_frame=first,
            valid_frames=valid,
        )
