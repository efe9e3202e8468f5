"""What of a mix store becomes the file: a range of it with its fades, silence outside; read in windows.

Everything that measures in the finish reads through this, so that trims and fades are inside every figure and a
store of any length is only ever touched by the window.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from render.audio.array import AnySamples, Samples32
from render.finish.ends import fade_gain
from render.finish.slots import check_range, check_stereo

Indices = NDArray[np.integer[Any]]

_LONG_FRAMES = 512


class Signal(Protocol):
    """Something that can be read in windows: the passage itself, or the passage under a gain curve."""

    @property
    def frames(self) -> int:
        """Length in frames."""

    def windows(self, starts: Indices, length: int) -> Samples32:
        """Windows of equal length, shape `(windows, 2, length)`; silence outside the signal."""


@dataclass(frozen=True, eq=False)
class Passage:
    """A range of a mix store with raised-cosine fades at its ends.

    Attributes
    ----------
    store : float32 or float64, shape (frames, 2)
        The mix store; never changed.
    first_frame, stop_frame : int
        The range.
    fade_in_frames, fade_out_frames : int
        Lengths of the fades; 0 for none.
    """

    store: AnySamples
    first_frame: int
    stop_frame: int
    fade_in_frames: int = 0
    fade_out_frames: int = 0

    def __post_init__(self) -> None:
        check_stereo(self.store)
        object.__setattr__(self, "store", self.store.view(np.ndarray))  # a memory map slices slowly as itself
        check_range(self.first_frame, self.stop_frame, len(self.store))
        for name in ("fade_in_frames", "fade_out_frames"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} must be 0 or more, not {getattr(self, name)}")

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.stop_frame - self.first_frame

    def fade(self, first: int, stop: int) -> NDArray[np.float64] | None:
        """Gain of the fades over a range, or None where they do not reach."""
        if first >= self.fade_in_frames and stop <= self.frames - self.fade_out_frames:
            return None
        return fade_gain(
            first,
            stop,
            frames=self.frames,
            fade_in_frames=self.fade_in_frames,
            fade_out_frames=self.fade_out_frames,
        )

    def windows(self, starts: Indices, length: int) -> Samples32:
        """Windows of equal length.

        Parameters
        ----------
        starts : int64, shape (windows,)
            First frame of each, counted from the passage's first; may be negative.
        length : int

        Returns
        -------
        float32, shape (windows, 2, length)
            Channels as rows, ready to be transformed; silence outside the passage.
        """
        result = np.empty((len(starts), 2, length), np.float32)
        safe = self.fade_in_frames, self.frames - self.fade_out_frames - length
        rows: NDArray[np.intp] = np.arange(len(starts))
        if length < _LONG_FRAMES:  # many short windows: all in one step, but for those at the ends
            inside = (starts >= safe[0]) & (starts <= safe[1])
            middle = slice(None) if inside.all() else inside
            rows = np.flatnonzero(~inside)
            if inside.any():
                first = self.first_frame + starts[middle]
                for channel in range(2):
                    views = sliding_window_view(self.store[:, channel], length)
                    result[middle, channel] = views[first]
        planar = self.store.T
        for row in rows:
            start = int(starts[row])
            if safe[0] <= start <= safe[1]:
                result[row] = planar[:, self.first_frame + start : self.first_frame + start + length]
            else:
                result[row] = self._edge(start, length)
        return result

    def _edge(self, start: int, length: int) -> Samples32:
        """One window that the fades or the ends of the passage reach."""
        window = np.zeros((2, length), np.float32)
        first, stop = max(start, 0), min(start + length, self.frames)
        if first < stop:
            piece = self.store[self.first_frame + first : self.first_frame + stop].T
            fade = self.fade(first, stop)
            window[:, first - start : stop - start] = piece if fade is None else piece * fade
        return window
