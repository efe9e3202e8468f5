"""What a stage does, in the forms that checks want: impulse response or spectrum."""

from __future__ import annotations

import numpy as np
import scipy.fft

from render.audio.array import Complexes, Reals
from render.stages.fir import Fir
from render.stages.minimum_phase import discrete_response, response_frames
from render.stages.prototype import Prototype


def impulse_response_of(prototype: Prototype, *, sample_rate_hz: float, frames: int) -> Reals:
    """So many frames of a stage's impulse response, whatever it takes to compute them."""
    needed = max(frames, response_frames(prototype, sample_rate_hz=sample_rate_hz))
    fft_frames = 2 * scipy.fft.next_fast_len((needed + 1) // 2, real=True)
    response = discrete_response(prototype, sample_rate_hz=sample_rate_hz, fft_frames=fft_frames)
    taps: Reals = scipy.fft.irfft(response, fft_frames)[:frames]
    return taps


def fir_response(fir: Fir, *, fft_frames: int) -> Complexes:
    """Response of a FIR, shape (bins, channels); what lies before time zero is at the end of the period."""
    period = np.zeros((fft_frames, fir.taps.shape[1]))
    period[: len(fir.taps)] = fir.taps
    response: Complexes = scipy.fft.rfft(np.roll(period, -fir.lead_frames, axis=0), axis=0)
    return response
