"""Finite responses that may begin before time zero: what a delay or an impulse-response file comes to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from render.audio.array import Complexes, Samples


@dataclass(frozen=True, eq=False)
class Fir:
    """Taps, and how many of them lie before time zero.

    Parameters
    ----------
    taps : float64, shape (frames, channels)
        Read-only is enough.
    lead_frames : int
        ``taps[lead_frames]`` is time zero: sound that goes through it neither earlier nor later.
        0 to ``len(taps) - 1``.

    Raises
    ------
    ValueError
        If one of this does not hold.
    """

    taps: Samples
    lead_frames: int

    def __post_init__(self) -> None:
        """Refuse a response without time zero."""
        if self.taps.ndim != 2:
            raise ValueError(f"taps must have shape (frames, channels), not {self.taps.shape}")
        if not 0 <= self.lead_frames < len(self.taps):
            raise ValueError(f"lead_frames = {self.lead_frames}: must be 0 to {len(self.taps) - 1}")


def fir_response(fir: Fir, *, fft_frames: int) -> Complexes:
    """Response of a FIR with time zero at frame 0; what lies before it is found at the end of the period.

    Parameters
    ----------
    fir : Fir
        Not longer than `fft_frames`.
    fft_frames : int
        Length of the transform, even.

    Returns
    -------
    complex128, shape (fft_frames // 2 + 1, channels)
        To be multiplied with the responses of other stages; their leads add up.

    Raises
    ------
    ValueError
        If `fft_frames` is odd or too small.
    """
    frames, channels = fir.taps.shape
    if fft_frames < frames or fft_frames % 2:
        raise ValueError(f"fft_frames = {fft_frames}: must be even and at least {frames}")
    period = np.zeros((fft_frames, channels))
    period[: frames - fir.lead_frames] = fir.taps[fir.lead_frames :]
    period[fft_frames - fir.lead_frames :] = fir.taps[: fir.lead_frames]
    response: Complexes = scipy.fft.rfft(period, axis=0)
    return response
