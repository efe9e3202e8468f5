"""A take as the convolution wants it: two sources at the output's sample rate, any stretch of them, zero outside."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np

from render.audio.array import AnySamples
from render.audio.read import TakeInfo, TakeReader
from render.engine.convolve import SourceReader
from render.engine.store import open_store
from render.finish.ends import fade_gain
from render.finish.resample import Resampler, resampled_frames
from render.units import frames_from_ms

Precision: TypeAlias = np.dtype[np.float32] | np.dtype[np.float64]
READ_FRAMES = 65_536
LAST_MS = 5.0


@dataclass(frozen=True)
class Capture:
    """An open take: its length at the output's rate, and readers of it, one for every thread."""

    frames: int
    open_reader: Callable[[], AbstractContextManager[SourceReader]]
    warnings: list[str]


@dataclass(frozen=True)
class StoredReader:
    """Reads from an array what a `TakeReader` reads from files: zero before the beginning and past the end."""

    store: AnySamples

    def read_into(self, out: AnySamples, *, first_frame: int) -> None:
        """Fill `out`, shape (frames, 2), with what is stored from `first_frame` on."""
        low, high = max(first_frame, 0), min(first_frame + len(out), len(self.store))
        begin, end = (low - first_frame, high - first_frame) if low < high else (len(out), len(out))
        out[:begin] = 0.0
        out[end:] = 0.0
        out[begin:end] = self.store[low:high] if low < high else 0.0


@dataclass(frozen=True)
class FadedReader:
    """A reader whose last frames are faded out: hiss, or a string that still rings, does not end like cut off."""

    reader: SourceReader
    stop_frame: int
    fade_frames: int

    def read_into(self, out: AnySamples, *, first_frame: int) -> None:
        """As the reader inside does it, faded."""
        self.reader.read_into(out, first_frame=first_frame)
        fade_from = self.stop_frame - self.fade_frames
        low, high = max(first_frame, fade_from), min(first_frame + len(out), self.stop_frame)
        if low < high:
            gain = fade_gain(
                low - fade_from,
                high - fade_from,
                frames=self.fade_frames,
                fade_in_frames=0,
                fade_out_frames=self.fade_frames,
            )
            out[low - first_frame : high - first_frame] *= gain[:, np.newaxis].astype(out.dtype)


def faded_end(
    reader: SourceReader, *, frames: int, fade_frames: int, sample_rate_hz: int, dtype: Precision
) -> SourceReader:
    """A reader that fades the end of its take if there is sound to the last, be it hiss.

    Without that the room would go on alone after a wall of silence. At most a tenth of the take is touched.
    """
    last = np.empty((2, min(frames, frames_from_ms(LAST_MS, sample_rate_hz=sample_rate_hz))), dtype).T
    reader.read_into(last, first_frame=frames - len(last))
    fade_frames = min(fade_frames, frames // 10)
    return FadedReader(reader, frames, fade_frames) if fade_frames and last.any() else reader


@contextmanager
def open_capture(
    files: tuple[Path, ...],
    info: TakeInfo,
    *,
    channels: tuple[int, int],
    dtype: Precision,
    sample_rate_hz: int,
    end_fade_ms: float,
    folder: Path,
    on_frames: Callable[[int], None],
) -> Iterator[Capture]:
    """Open a take for rendering at `sample_rate_hz`.

    Where that is not the capture's own rate, the whole take is converted first: a recipe sounds the same at every
    rate, so converting the capture equals converting the mix, and the limiter then works on what is written.

    Parameters
    ----------
    files, info : tuple of Path, TakeInfo
    channels : two ints
        Which tracks, counted from 1, in the order of the recipe's sources.
    dtype : float32 or float64
    sample_rate_hz : int
    end_fade_ms : float
        How long the end of the capture is faded if it sounds to the last; see `faded_end`.
    folder : Path
        Where a spool file may lie.
    on_frames : callable
        Called now and then with 0: the place to stop from.

    Raises
    ------
    TakeError
        If the take cannot be read.
    """
    fade_frames = frames_from_ms(end_fade_ms, sample_rate_hz=sample_rate_hz)

    def open_files() -> TakeReader:
        return TakeReader(files, channels=channels, dtype="float64" if dtype == np.float64 else "float32")

    def faded(reader: SourceReader, length: int) -> SourceReader:
        return faded_end(
            reader, frames=length, fade_frames=fade_frames, sample_rate_hz=sample_rate_hz, dtype=dtype
        )

    @contextmanager
    def open_faded() -> Iterator[SourceReader]:
        with open_files() as opened:
            yield faded(opened, opened.frames_total)

    with open_files() as reader:
        frames, warnings = reader.frames_total, list(reader.info.warnings)
        if info.sample_rate_hz == sample_rate_hz:
            yield Capture(frames, open_faded, warnings)
            return
        rates = {"sample_rate_hz": info.sample_rate_hz, "new_sample_rate_hz": sample_rate_hz}
        resampled = resampled_frames(frames, **rates)
        with open_store(resampled, dtype=dtype, folder=folder) as store:
            resampler = Resampler(**rates)
            written = 0
            for first in range(0, frames, READ_FRAMES):
                block = resampler.process(reader.read(first, min(READ_FRAMES, frames - first)))
                store[written : written + len(block)] = block
                written += len(block)
                on_frames(0)
            store[written:] = resampler.finish()
            stored = faded(StoredReader(store), resampled)
            yield Capture(resampled, lambda: nullcontext(stored), warnings)
