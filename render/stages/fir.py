"""Finite responses that may begin before time zero: what a delay or an impulse-response file comes to."""

from __future__ import annotations

from dataclasses import dataclass

from render.audio.array import Samples


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
