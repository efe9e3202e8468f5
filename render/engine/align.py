"""Move one source of a compiled recipe in time, or turn it over, to meet the other: without computing the room again.

Sits between compile and convolve. A delay is linear, so it may come last: what a source's column of the response
gets, its room gets with it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.fft

from render.audio.array import Samples
from render.engine.compile import CompiledRecipe
from render.stages.delay import delay_response
from render.stages.fir import Fir


def move_source(
    compiled: CompiledRecipe, *, source: int, delay_ms: float, flip: bool = False
) -> CompiledRecipe:
    """Response of the same recipe with one source later or earlier, and turned over if asked.

    Parameters
    ----------
    compiled : CompiledRecipe
    source : int
        0 or 1, in the order of the recipe.
    delay_ms : float
        Later by so much, earlier where negative, by fractions of a frame too.
    flip : bool
        Whether its polarity is turned.

    Returns
    -------
    CompiledRecipe
        What `compile_recipe` makes of a recipe that has these values, cut where that source's response was cut before.
    """
    moved = delay_response(delay_ms=delay_ms, sample_rate_hz=compiled.sample_rate_hz)
    later_frames = max(len(moved.taps) - 1 - moved.lead_frames, 0)
    response = np.zeros((moved.lead_frames + len(compiled.response) + later_frames, 2, 2))
    frames = len(compiled.response)
    response[moved.lead_frames : moved.lead_frames + frames] = compiled.response
    column = _convolved(compiled.response[:, :, source], moved)
    response[:, :, source] = 0.0
    response[: len(column), :, source] = -column if flip else column
    response.flags.writeable = False
    return replace(
        compiled,
        response=response,
        lead_frames=compiled.lead_frames + moved.lead_frames,
        tail_frames=compiled.tail_frames + later_frames,
        room_tail_frames=compiled.room_tail_frames and compiled.room_tail_frames + later_frames,
    )


def _convolved(column: Samples, moved: Fir) -> Samples:
    """Both outputs of a source, shape (frames, 2), later as the taps say."""
    taps = moved.taps[:, 0]
    (places,) = np.nonzero(taps)
    frames = len(column) + len(taps) - 1
    if len(places) == 1:  # whole frames: exact
        shifted = np.zeros((frames, 2))
        shifted[places[0] : places[0] + len(column)] = taps[places[0]] * column
        return shifted
    fft_frames = int(scipy.fft.next_fast_len(frames, real=True))
    product = scipy.fft.rfft(column, fft_frames, axis=0) * scipy.fft.rfft(taps, fft_frames)[:, np.newaxis]
    return np.asarray(scipy.fft.irfft(product, fft_frames, axis=0)[:frames])
