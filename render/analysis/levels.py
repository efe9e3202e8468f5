"""How loud a source was captured: sample peak, RMS, DC, crest factor, and their course over time.

One of the gauges that look at samples: it adds up the sums of `stretches`. True peak and loudness are measured by
the finish.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.stretches import Stretch, each_stretch, slot_grid
from render.audio.array import AnySamples, Reals, Samples32
from render.units import db_from_gain

DC_WARNING = 0.003
"""A constant part larger than this (-50 dBFS) is worth a word: it costs little headroom yet, but working converters
and coupling capacitors keep it under -60 dBFS, so something is broken or leaks. Suggested, common practice."""


@dataclass(frozen=True)
class Levels:
    """Levels of one source.

    Attributes
    ----------
    frames : int
    peak_gain : float
        Largest size of a sample, full scale 1.
    rms_gain : float
        Root of the mean square, the constant part included: a full-scale sine has 0.7071, -3.01 dBFS.
    dc : float
        Mean of all samples, full scale 1.
    """

    frames: int
    peak_gain: float
    rms_gain: float
    dc: float

    @property
    def peak_dbfs(self) -> float:
        """Largest sample in dB of full scale; minus infinity for silence."""
        return db_from_gain(self.peak_gain)

    @property
    def rms_dbfs(self) -> float:
        """RMS in dB of full scale; minus infinity for silence."""
        return db_from_gain(self.rms_gain)

    @property
    def crest_db(self) -> float:
        """How far the peak stands above the RMS, 3.01 dB for a sine; not-a-number for silence."""
        return db_from_gain(self.peak_gain / self.rms_gain) if self.rms_gain > 0.0 else math.nan


@dataclass(frozen=True, eq=False)
class LevelCurve:
    """Course of the level, step by step; the last step may be shorter than the others.

    Attributes
    ----------
    step_s : float
        A tenth of a second (at rates that cannot be divided so, within 2 percent of it).
    rms_gain, peak_gain : float32, shape (steps, channels)
        Full scale 1.
    """

    step_s: float
    rms_gain: Samples32
    peak_gain: Samples32


class LevelGauge:
    """Adds up the levels of a take, stretch by stretch.

    Parameters
    ----------
    sample_rate_hz : float
        At least 1000.
    channels : int
        At least 1.
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        self._grid = slot_grid(sample_rate_hz)
        self._step_s = self._grid.slot_frames * self._grid.slots_per_step / sample_rate_hz
        self._channels = channels
        self._frames = 0
        self._sums = np.zeros(channels)
        self._curve: list[tuple[Reals, Reals]] = []
        self._open_squares = np.zeros((channels, 0))  # of the slots of a step not complete yet
        self._open_peaks = np.zeros((channels, 0))

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        core = stretch.core
        begin, end = stretch.core_frames
        self._frames += end - begin
        self._sums += stretch.sums[:, core].sum(-1)
        sizes = np.maximum(stretch.highest[:, core], -stretch.lowest[:, core]).astype(np.float64)
        squares = np.concatenate([self._open_squares, stretch.squares[:, core]], axis=1)
        peaks = np.concatenate([self._open_peaks, sizes], axis=1)
        whole = squares.shape[1] // self._grid.slots_per_step * self._grid.slots_per_step
        self._close(squares[:, :whole], peaks[:, :whole])
        self._open_squares, self._open_peaks = squares[:, whole:], peaks[:, whole:]

    def _close(self, squares: Reals, peaks: Reals) -> None:
        if squares.shape[1]:
            by_step = (self._channels, -1, min(self._grid.slots_per_step, squares.shape[1]))
            self._curve.append((squares.reshape(by_step).sum(-1), peaks.reshape(by_step).max(-1)))

    def result(self) -> tuple[Levels, ...]:
        """Levels of every channel, of all that was added so far; zero for a take without frames."""
        squares, peaks = self._by_step()
        total = squares.sum(-1)
        return tuple(
            Levels(
                frames=self._frames,
                peak_gain=float(peaks[channel].max(initial=0.0)),
                rms_gain=math.sqrt(float(total[channel]) / max(1, self._frames)),
                dc=float(self._sums[channel]) / max(1, self._frames),
            )
            for channel in range(self._channels)
        )

    def curve(self) -> LevelCurve:
        """Course of the level so far."""
        squares, peaks = self._by_step()
        step_frames = self._grid.slot_frames * self._grid.slots_per_step
        steps = squares.shape[1]
        frames = np.minimum(step_frames, self._frames - step_frames * np.arange(steps))
        return LevelCurve(
            step_s=self._step_s,
            rms_gain=np.sqrt(squares / frames).T.astype(np.float32),
            peak_gain=peaks.T.astype(np.float32),
        )

    def _by_step(self) -> tuple[Reals, Reals]:
        """Sums of squares and peaks of all steps, the last one as far as it goes; `(channels, steps)`."""
        parts = list(self._curve)
        if self._open_squares.shape[1]:
            parts.append((self._open_squares.sum(-1, keepdims=True), self._open_peaks.max(-1, keepdims=True)))
        if not parts:
            nothing = np.zeros((self._channels, 0))
            return nothing, nothing
        return np.concatenate([part[0] for part in parts], axis=1), np.concatenate(
            [part[1] for part in parts], axis=1
        )


def measure_levels(audio: AnySamples, *, sample_rate_hz: float) -> tuple[Levels, ...]:
    """Levels of every channel of a whole array.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float
        At least 1000.

    Returns
    -------
    tuple of Levels

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    gauge = LevelGauge(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    for stretch in each_stretch(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(stretch)
    return gauge.result()
