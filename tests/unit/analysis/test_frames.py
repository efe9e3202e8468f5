from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.frames import BLOCK_FRAMES, Spectra, SpectralFrames, each_spectra, window_frames
from tests.helpers.signals import noise, sine


def gather(frames: SpectralFrames, audio: NDArray[Any], cuts: list[int]) -> NDArray[np.complex64]:
    """All windows of the array handed over in pieces, checked to be numbered through."""
    found: list[Spectra | None] = [frames.add(part) for part in np.split(audio, cuts)]
    found.append(frames.finish())
    parts = []
    count = 0
    for spectra in found:
        if spectra is not None:
            assert spectra.first_window == count
            parts.append(spectra.bins)
            count += len(spectra.bins)
    return np.concatenate(parts)


@pytest.mark.parametrize(
    ("sample_rate_hz", "expected"),
    [
        (8000, 1536),
        (32000, 6144),
        (44100, 8192),
        (48000, 8192),
        (88200, 16384),
        (96000, 16384),
        (192000, 32768),
    ],
)
def test_window_length(sample_rate_hz: int, expected: int) -> None:
    """A window lasts about 0.17 to 0.2 s at every sample rate."""
    assert window_frames(sample_rate_hz) == expected


def test_windows_are_plain_transforms() -> None:
    """Window k is the transform of frames k * hop onwards under a Hann window, the last one padded with silence."""
    audio = noise(5 * 4096 + 1234, seed=3)
    frames = SpectralFrames(sample_rate_hz=48000)
    bins = gather(frames, audio, [])
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(frames.size) / frames.size)
    assert bins.dtype == np.complex64
    assert bins.shape == (5, 2, frames.size // 2 + 1)
    padded = np.concatenate([audio, np.zeros((frames.size, 2))])
    for k, both in enumerate(bins):
        part = padded[k * frames.hop : k * frames.hop + frames.size]
        expected = np.fft.rfft(part * hann[:, np.newaxis], axis=0).T
        np.testing.assert_allclose(both, expected, atol=2e-5 * float(np.abs(expected).max()))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("order", ["C", "F"])
def test_cuts_do_not_matter(dtype: type, order: str) -> None:
    """Whatever the lengths of the blocks, memory order and type, the spectra are the same to the bit."""
    audio: NDArray[Any] = noise(40000, seed=4).astype(np.float32).astype(dtype)
    audio = np.asfortranarray(audio) if order == "F" else np.ascontiguousarray(audio)
    audio.setflags(write=False)
    whole = gather(SpectralFrames(sample_rate_hz=8000), audio, [])
    random = np.random.default_rng(5)
    for pieces in (3, 40, 900):
        cuts = sorted(random.integers(0, len(audio), pieces).tolist())
        np.testing.assert_array_equal(gather(SpectralFrames(sample_rate_hz=8000), audio, cuts), whole)


def test_single_frames() -> None:
    """A take handed over frame by frame is cut into the same windows."""
    audio = noise(700, seed=6).astype(np.float32)
    whole = gather(SpectralFrames(sample_rate_hz=1000), audio, [])
    np.testing.assert_array_equal(
        gather(SpectralFrames(sample_rate_hz=1000), audio, list(range(1, 700))), whole
    )


@pytest.mark.parametrize(
    ("length", "windows"), [(1, 1), (1535, 1), (1536, 1), (1537, 2), (2304, 2), (2305, 3)]
)
def test_number_of_windows(length: int, windows: int) -> None:
    """Every frame lies in a window, and there is no window more than that takes."""
    assert len(gather(SpectralFrames(sample_rate_hz=8000), noise(length), [])) == windows


def test_nothing_in_nothing_out() -> None:
    """No frames, no windows; silence gives zeros."""
    frames = SpectralFrames(sample_rate_hz=48000)
    assert frames.add(np.zeros((0, 2))) is None
    assert frames.finish() is None
    assert not np.any(gather(SpectralFrames(sample_rate_hz=48000), np.zeros((20000, 2)), []))


def test_level_of_a_sine_and_of_noise() -> None:
    """A full-scale sine reads a quarter of the size; noise of the whole band its power density."""
    frames = SpectralFrames(sample_rate_hz=48000)
    audio = sine(float(frames.frequency_hz[300]), duration_s=1.0, sample_rate_hz=48000)
    bins = gather(frames, audio, [])
    assert np.abs(bins[:5, :, 300]) == pytest.approx(frames.size / 4, rel=1e-4)
    frames = SpectralFrames(sample_rate_hz=48000)
    bins = gather(frames, noise(48000 * 8, rms=0.1), [])[:-1]
    density = 2.0 * np.mean(np.abs(bins) ** 2) / (48000 * frames.window_energy)
    assert density * 24000 == pytest.approx(0.01, rel=0.01)


def test_whole_array() -> None:
    """`each_spectra` yields what the stream yields, also for more than one block and for mono."""
    audio = noise(BLOCK_FRAMES * 2 + 77, channels=1).astype(np.float32)
    parts = list(each_spectra(audio, sample_rate_hz=48000))
    assert len(parts) == 3
    whole = gather(SpectralFrames(sample_rate_hz=48000, channels=1), audio, [])
    np.testing.assert_array_equal(np.concatenate([part.bins for part in parts]), whole)
    assert not list(each_spectra(audio[:0], sample_rate_hz=48000))


def test_refusals() -> None:
    """What cannot be transformed is refused with name, value and range."""
    with pytest.raises(ValueError, match=r"sample_rate_hz = 0: must be greater than 0"):
        SpectralFrames(sample_rate_hz=0)
    with pytest.raises(ValueError, match=r"channels = 0: must be at least 1"):
        SpectralFrames(sample_rate_hz=48000, channels=0)
    with pytest.raises(ValueError, match=r"block must have shape \(frames, 2\), not \(10, 3\)"):
        SpectralFrames(sample_rate_hz=48000).add(np.zeros((10, 3)))
