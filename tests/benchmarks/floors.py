"""What no renderer can be faster than: decoding and encoding the take, and the bare convolution of its length."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
import soundfile
from numpy.typing import NDArray

_BLOCK_FRAMES = 65_536
_TILE_BINS = 8_192
# Length of the transform against the response: from much overlap to little.
_FFT_PER_TAP = (2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0)
_TRIAL_STEPS = 4


def copy_sound(take: Path, output: Path) -> None:
    """Decode a take to whole numbers and encode them again, 24 bits, in the container that `output` ends in."""
    audio, rate = soundfile.read(take, dtype="int32")
    soundfile.write(output, audio, rate, subtype="PCM_24")


def copy_sound_in_blocks(take: Path, output: Path) -> None:
    """The same in blocks that stay in the cache: the least that a stream through the library can cost."""
    block = np.empty((_BLOCK_FRAMES, 2), np.int32)
    with (
        soundfile.SoundFile(take) as source,
        soundfile.SoundFile(output, "w", source.samplerate, source.channels, "PCM_24") as target,
    ):
        while len(decoded := source.read(out=block)):
            target.write(decoded)


@dataclass(frozen=True)
class BareConvolution:
    """Two sources into two outputs by overlap-save in memory, single precision, two blocks a transform."""

    spectrum: NDArray[np.complex64]
    fft_frames: int
    taps: int
    sources: NDArray[np.float32]
    mix: NDArray[np.float32]

    @property
    def hop_frames(self) -> int:
        """Frames of output that one block gives."""
        return self.fft_frames - self.taps + 1

    def run(self, *, steps: int | None = None) -> int:
        """Convolve everything, or the first few pairs of blocks; frames done."""
        hop = self.hop_frames
        row, item = self.sources.strides
        shape = (2, 2, self.fft_frames)
        starts = range(0, self.mix.shape[1], 2 * hop)[:steps]
        for start in starts:
            window = np.lib.stride_tricks.as_strided(
                self.sources[:, start:], shape, (hop * item, row, item), writeable=False
            )
            mixed = self._multiply(scipy.fft.rfft(window, axis=-1))
            blocks = scipy.fft.irfft(mixed, self.fft_frames, axis=-1, overwrite_x=True)[:, :, self.taps - 1 :]
            for block in range(2):
                target = self.mix[:, start + block * hop : start + (block + 1) * hop]
                target[:] = blocks[block, :, : target.shape[1]]
        return min(len(starts) * 2 * hop, int(self.mix.shape[1]))

    def _multiply(self, spectra: NDArray[np.complex64]) -> NDArray[np.complex64]:
        mixed = np.empty_like(spectra)
        part = np.empty((2, _TILE_BINS), np.complex64)
        bins = spectra.shape[-1]
        for low in range(0, bins, _TILE_BINS):
            high = min(low + _TILE_BINS, bins)
            for out in range(2):
                target, second = mixed[:, out, low:high], part[:, : high - low]
                np.multiply(spectra[:, 0, low:high], self.spectrum[out, 0, low:high], out=target)
                np.multiply(spectra[:, 1, low:high], self.spectrum[out, 1, low:high], out=second)
                target += second
        return mixed


def prepare_convolution(
    audio: NDArray[np.float32], response: NDArray[np.float64], *, frames: int
) -> BareConvolution:
    """Convolution of a take with a response, shape (taps, 2 out, 2 in), at the best of several block lengths."""
    lengths = sorted({_even_fast_length(len(response) * ratio) for ratio in _FFT_PER_TAP})
    candidates = [_convolution(audio, response, frames=frames, fft_frames=length) for length in lengths]
    return min(candidates, key=_seconds_a_frame)


def _convolution(
    audio: NDArray[np.float32], response: NDArray[np.float64], *, frames: int, fft_frames: int
) -> BareConvolution:
    taps = len(response)
    sources = np.zeros((2, taps - 1 + frames + 2 * fft_frames), np.float32)
    sources[:, taps - 1 : taps - 1 + len(audio)] = audio.T
    rows = np.ascontiguousarray(response.transpose(1, 2, 0))
    spectrum = scipy.fft.rfft(rows, fft_frames, axis=-1).astype(np.complex64)
    return BareConvolution(spectrum, fft_frames, taps, sources, np.zeros((2, frames), np.float32))


def _seconds_a_frame(convolution: BareConvolution) -> float:
    """Best of three trials over a few blocks."""
    trials = []
    for _ in range(3):
        began = time.process_time()
        frames = convolution.run(steps=_TRIAL_STEPS)
        trials.append((time.process_time() - began) / frames)
    return min(trials)


def _even_fast_length(frames: float) -> int:
    return 2 * int(scipy.fft.next_fast_len(int(frames / 2), real=True))
