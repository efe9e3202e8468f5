"""True peak of a source that is looked at in stretches: between the samples, but only where they are high.

Beside the chain: the line check reads it. The interpolation is that of a finished file (`true_peak`); where it looks is
simpler, since nothing is limited by it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from render.audio.array import Samples32
from render.finish.interpolation import HALF_FRAMES, read_windows

NEARBY_FRACTION = 0.6
"""Looked at are places whose samples reach this share of the highest found so far: nothing a source can make stands
4.4 dB above its samples, only tones next to half the sample rate do."""

BEND_FRACTION = 0.5
"""A waveform between two samples stands above the higher by an eighth of their second difference if it is a parabola;
white noise, by less than so much of it."""

CELL_FRAMES = 16
_CELLS_AT_ONCE = 256


def highest_between(
    sound: Samples32, *, slots: NDArray[np.int64], slot_frames: int, highest_gain: float
) -> float:
    """Largest absolute value of the waveform in some slots, or what was found before if that is more.

    Parameters
    ----------
    sound : float32, shape (frames,)
        One channel, with at least 128 + 16 frames around the slots.
    slots : int64, shape (slots,)
        Slot k begins at frame k * slot_frames of `sound`.
    slot_frames : int
    highest_gain : float
        Found so far; the largest sample of the slots at least.

    Returns
    -------
    float
        Linear.
    """
    offsets = np.arange(0, slot_frames, CELL_FRAMES)
    starts = (slots[:, np.newaxis] * slot_frames + offsets).ravel()
    starts = starts[(starts >= HALF_FRAMES) & (starts + CELL_FRAMES + HALF_FRAMES <= len(sound))]
    cells = sound[starts[:, np.newaxis] + np.arange(-1, CELL_FRAMES + 2)]
    bends = np.abs(np.diff(cells, n=2, axis=1)).max(axis=1, initial=0.0)
    starts = starts[np.abs(cells).max(axis=1, initial=0.0) + BEND_FRACTION * bends >= highest_gain]
    for first in range(0, len(starts), _CELLS_AT_ONCE):
        some = starts[first : first + _CELLS_AT_ONCE, np.newaxis]
        windows = sound[some + np.arange(-HALF_FRAMES, CELL_FRAMES + HALF_FRAMES)]
        reading, _ = read_windows(windows, CELL_FRAMES, least=highest_gain)
        highest_gain = max(highest_gain, float(reading.max()))
    return highest_gain
