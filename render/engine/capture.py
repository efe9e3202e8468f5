"""A take as the convolution wants it: two sources at the output's sample rate, any stretch of them, zero outside."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from render.audio.array import AnySamples
from render.audio.read import TakeInfo, TakeReader
from render.engine.convolve import SourceReader
from render.engine.store import open_store
from render.finish.resample import Resampler, resampled_frames

READ_FRAMES = 65_536


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


@contextmanager
def open_capture(
    files: tuple[Path, ...],
    info: TakeInfo,
    *,
    channels: tuple[int, int],
    dtype: np.dtype[np.float32] | np.dtype[np.float64],
    sample_rate_hz: int,
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
    folder : Path
        Where a spool file may lie.
    on_frames : callable
        Called now and then with 0: the place to stop from.

    Raises
    ------
    TakeError
        If the take cannot be read.
    """

    def open_files() -> TakeReader:
        return TakeReader(files, channels=channels, dtype="float64" if dtype == np.float64 else "float32")

    with open_files() as reader:
        frames, warnings = reader.frames_total, list(reader.info.warnings)
        if info.sample_rate_hz == sample_rate_hz:
            yield Capture(frames, open_files, warnings)
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
            stored = StoredReader(store)
            yield Capture(resampled, lambda: nullcontext(stored), warnings)
