"""Another sample rate for the finished mix, before it is levelled and limited."""

from __future__ import annotations

import numpy as np
import soxr
from numpy.typing import ArrayLike

from render.audio.array import Samples, as_samples

# What the converter is fed at a time, counted from frame 0: its result then cannot depend on how the caller
# cuts a take, and its buffers stay in the cache.
_CHUNK_FRAMES = 8192


def resampled_frames(frames: int, *, sample_rate_hz: int, new_sample_rate_hz: int) -> int:
    """Length after conversion: the nearest whole number of frames, halves up, in whole-number arithmetic."""
    return (2 * frames * new_sample_rate_hz + sample_rate_hz) // (2 * sample_rate_hz)


class Resampler:
    """Change the sample rate of a stream of blocks: pitch, timing and the audible band stay.

    Parameters
    ----------
    sample_rate_hz, new_sample_rate_hz : int
        Rate of the input and of the result, greater than 0. Equal rates pass the sound through.
    channels : int
        Of every block, 1 or more.

    Notes
    -----
    Band-limited interpolation with linear phase by libsoxr at its very high quality (28-bit recipe), in
    float64: flat to 0.003 dB up to 0.913 of the lower Nyquist frequency, what is folded back below
    -170 dB. Result frame k is the input at the time k / new_sample_rate_hz: no delay. Kept: the level of
    everything in the band, the channels' relation in time. Lost: what lies above the lower Nyquist frequency.
    A true peak can rise by what the band limit takes away, so peaks are limited afterwards.
    The blocks' lengths are free and do not change one bit of the result.
    Checked by tests/reference/test_resample.py.
    """

    def __init__(self, *, sample_rate_hz: int, new_sample_rate_hz: int, channels: int = 2) -> None:
        for name, value in (
            ("sample_rate_hz", sample_rate_hz),
            ("new_sample_rate_hz", new_sample_rate_hz),
            ("channels", channels),
        ):
            if value < 1:
                raise ValueError(f"{name} must be 1 or more, not {value}")
        self._from_hz, self._to_hz, self._channels = sample_rate_hz, new_sample_rate_hz, channels
        self._converter = (
            None
            if sample_rate_hz == new_sample_rate_hz
            else soxr.ResampleStream(
                sample_rate_hz, new_sample_rate_hz, channels, dtype="float64", quality="VHQ"
            )
        )
        self._waiting = np.empty((_CHUNK_FRAMES, channels))
        self._frames_waiting = 0
        self._frames_in = 0
        self._frames_out = 0
        self._finished = False

    def process(self, block: ArrayLike) -> Samples:
        """Take the next block; return what is ready, float64 in Fortran order, maybe 0 frames.

        Raises
        ------
        ValueError
            If the shape is not ``(frames, channels)``, a sample is not finite, or the stream was finished.
        """
        if self._finished:
            raise ValueError("block must come before finish() is called")
        audio = as_samples(block, name="block", channels=self._channels)
        self._frames_in += len(audio)
        if self._converter is None:
            return self._joined([audio])
        ready: list[Samples] = []
        used = 0
        while used < len(audio):
            if self._frames_waiting == 0 and len(audio) - used >= _CHUNK_FRAMES:
                chunk = np.ascontiguousarray(audio[used : used + _CHUNK_FRAMES])
                ready.append(self._converter.resample_chunk(chunk))
                used += _CHUNK_FRAMES
                continue
            taken = min(_CHUNK_FRAMES - self._frames_waiting, len(audio) - used)
            self._waiting[self._frames_waiting : self._frames_waiting + taken] = audio[used : used + taken]
            self._frames_waiting += taken
            used += taken
            if self._frames_waiting == _CHUNK_FRAMES:
                ready.append(self._converter.resample_chunk(self._waiting))
                self._frames_waiting = 0
        return self._joined(ready)

    def finish(self) -> Samples:
        """Return the rest, so that all results together have `resampled_frames` of the input's length."""
        if self._finished:
            raise ValueError("finish() must be called once")
        self._finished = True
        if self._converter is None:
            return self._joined([])
        rest = self._converter.resample_chunk(self._waiting[: self._frames_waiting], last=True)
        total = resampled_frames(
            self._frames_in, sample_rate_hz=self._from_hz, new_sample_rate_hz=self._to_hz
        )
        missing = total - self._frames_out
        padding = np.zeros((max(missing - len(rest), 0), self._channels))
        return self._joined([rest[:missing], padding])

    def _joined(self, parts: list[Samples]) -> Samples:
        """One array of all parts, each channel contiguous."""
        joined = np.empty((sum(map(len, parts)), self._channels), order="F")
        first = 0
        for part in parts:
            joined[first : first + len(part)] = part
            first += len(part)
        self._frames_out += first
        return joined


def resample(audio: ArrayLike, *, sample_rate_hz: int, new_sample_rate_hz: int) -> Samples:
    """Change the sample rate of a whole array: `Resampler` in one call.

    Parameters
    ----------
    audio : float64, shape (frames, channels)
        One dimension is taken as mono. Not changed.
    sample_rate_hz, new_sample_rate_hz : int
        Rate of the input and of the result, greater than 0.

    Returns
    -------
    float64, shape (round(frames * new_sample_rate_hz / sample_rate_hz), channels)
        Fortran order, time zero where it was.
    """
    samples = as_samples(audio)
    resampler = Resampler(
        sample_rate_hz=sample_rate_hz, new_sample_rate_hz=new_sample_rate_hz, channels=samples.shape[1]
    )
    start = resampler.process(samples)
    rest = resampler.finish()
    result = np.empty((len(start) + len(rest), samples.shape[1]), order="F")
    result[: len(start)], result[len(start) :] = start, rest
    return result
