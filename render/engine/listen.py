"""A take read once from beginning to end, block by block, for what only measures.

Rendering reads by its own grid (`convolve`); whoever listens only takes what comes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from render.analysis.delay import Alignment, AlignmentGauge
from render.analysis.frames import SpectralFrames
from render.audio.array import AnySamples
from render.audio.read import TakeReader
from render.session.takes import Take

BLOCK_FRAMES = 1 << 18
OnFrames = Callable[[int], None]


def each_block(reader: TakeReader, *, on_frames: OnFrames | None = None) -> Iterator[AnySamples]:
    """Successive blocks of a take, each good until the next one is asked for."""
    held = np.empty((BLOCK_FRAMES, 2), np.float32, order="F")
    for first in range(0, reader.frames_total, BLOCK_FRAMES):
        block = held[: min(BLOCK_FRAMES, reader.frames_total - first)]
        reader.read_into(block, first_frame=first)
        yield block
        if on_frames is not None:
            on_frames(len(block))


def measure_take_alignment(
    take: Take, *, channels: tuple[int, int], on_frames: OnFrames | None = None
) -> Alignment:
    """Delay and polarity of a take's sources by themselves; parameters and errors as of `inspect.inspect_take`."""
    with TakeReader(take.files, channels=channels) as reader:
        windows = SpectralFrames(sample_rate_hz=reader.info.sample_rate_hz)
        gauge = AlignmentGauge(windows)
        for block in each_block(reader, on_frames=on_frames):
            spectra = windows.add(block)
            if spectra is not None:
                gauge.add(spectra)
        spectra = windows.finish()
        if spectra is not None:
            gauge.add(spectra)
    return gauge.result()
