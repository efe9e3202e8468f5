"""What the line check is timed against: reading the take, and one pass of spectra as a good script would do it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import signal

from render.audio.read import TakeReader
from render.engine.listen import each_block
from render.session.takes import Take

WINDOW_FRAMES = 8192


def decode(take: Path) -> float:
    """Read a take from beginning to end; the last sample, so that nothing is left out."""
    last = 0.0
    with TakeReader((take,)) as reader:
        for block in each_block(reader):
            last = float(block[-1, 0])
    return last


def decode_and_transform(take: Path) -> float:
    """Read a take and make windowed spectra of both sources, half overlapping, with their powers and cross powers.

    scipy's own short-time transform in single precision, block by block; what a line check cannot do without.
    """
    window = signal.windows.hann(WINDOW_FRAMES, sym=False).astype(np.float32)
    sums = np.zeros((3, WINDOW_FRAMES // 2 + 1))
    with TakeReader((take,)) as reader:
        rate_hz = reader.info.sample_rate_hz
        transform = signal.ShortTimeFFT(window, hop=WINDOW_FRAMES // 2, fs=rate_hz)
        for block in each_block(reader):
            first, second = transform.stft(block.T, p0=1, p1=len(block) // transform.hop)
            sums[0] += np.square(np.abs(first)).sum(axis=1)
            sums[1] += np.square(np.abs(second)).sum(axis=1)
            sums[2] += np.abs((first.conj() * second).sum(axis=1))
    return float(sums.sum())


def check(take: Path, *, threads: int = 1) -> float:
    """All gauges of the line check."""
    from render.engine.inspect import inspect_take

    return inspect_take(Take((take,), "take"), channels=(1, 2), threads=threads).duration_s
