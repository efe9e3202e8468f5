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

AT_LEAST_S = 0.5
"""A mean is taken over so much: half a period of a low string that stands over adds 0.4 % of its peak at most."""

QUIET_SHARE = 0.1
SPREAD_ALLOWED = 0.5
"""A constant voltage is one if its means spread by less than this part of it: those of plucks that hold a mean
themselves, which decays with them, spread by as much as it or more."""

REST_RATIO = 2.0
"""Or if there is a rest, where the sound is no larger than so many times the voltage, and they spread less there."""


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
    constant : float
        What of it is there throughout, in rests and in playing; 0 if the mean comes and goes with the sound.
    """

    frames: int
    peak_gain: float
    rms_gain: float
    dc: float
    constant: float = 0.0

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


_Steps = tuple[Reals, Reals, Reals]


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
        self._curve: list[_Steps] = []
        self._open = tuple(
            np.zeros((channels, 0)) for _ in range(3)
        )  # of the slots of a step not complete yet

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        core = stretch.core
        begin, end = stretch.core_frames
        self._frames += end - begin
        sizes = np.maximum(stretch.highest[:, core], -stretch.lowest[:, core]).astype(np.float64)
        new = stretch.squares[:, core], sizes, stretch.sums[:, core]
        slots = [np.concatenate(both, axis=1) for both in zip(self._open, new, strict=True)]
        whole = slots[0].shape[1] // self._grid.slots_per_step * self._grid.slots_per_step
        if whole:
            by_step = (self._channels, -1, self._grid.slots_per_step)
            squares, peaks, sums = (of[:, :whole].reshape(by_step) for of in slots)
            self._curve.append((squares.sum(-1), peaks.max(-1), sums.sum(-1)))
        self._open = tuple(of[:, whole:] for of in slots)

    def result(self) -> tuple[Levels, ...]:
        """Levels of every channel, of all that was added so far; zero for a take without frames."""
        squares, peaks, sums = self._by_step()
        total = squares.sum(-1)
        frames = self._frames_by_step(squares.shape[1])
        return tuple(
            Levels(
                frames=self._frames,
                peak_gain=float(peaks[channel].max(initial=0.0)),
                rms_gain=math.sqrt(float(total[channel]) / max(1, self._frames)),
                dc=float(sums[channel].sum()) / max(1, self._frames),
                constant=_constant(
                    sums[channel], squares[channel], frames, together=max(1, round(AT_LEAST_S / self._step_s))
                ),
            )
            for channel in range(self._channels)
        )

    def curve(self) -> LevelCurve:
        """Course of the level so far."""
        squares, peaks, _ = self._by_step()
        return LevelCurve(
            step_s=self._step_s,
            rms_gain=np.sqrt(squares / self._frames_by_step(squares.shape[1])).T.astype(np.float32),
            peak_gain=peaks.T.astype(np.float32),
        )

    def _frames_by_step(self, steps: int) -> Reals:
        step_frames = self._grid.slot_frames * self._grid.slots_per_step
        return np.asarray(np.minimum(step_frames, self._frames - step_frames * np.arange(steps)), np.float64)

    def _by_step(self) -> _Steps:
        """Sums of squares, peaks and sums of all steps, the last one as far as it goes; each `(channels, steps)`."""
        parts = list(self._curve)
        squares, peaks, sums = self._open
        if squares.shape[1]:
            parts.append(
                (squares.sum(-1, keepdims=True), peaks.max(-1, keepdims=True), sums.sum(-1, keepdims=True))
            )
        if not parts:
            nothing = np.zeros((self._channels, 0))
            return nothing, nothing, nothing
        squares, peaks, sums = (np.concatenate(of, axis=1) for of in zip(*parts, strict=True))
        return squares, peaks, sums


def _constant(sums: Reals, squares: Reals, frames: Reals, *, together: int) -> float:
    """The part of the mean that is there throughout: the smaller of what all and what the quietest have.

    Steps of digital silence, before or after what was recorded, say nothing.
    """
    told = squares > 0.0
    sums, squares, frames = sums[told], squares[told], frames[told]
    whole = len(sums) // together * together
    if whole < 2 * together:  # too short to see it stay
        return float(sums.sum() / max(1.0, frames.sum()))
    sums, squares, frames = (of[:whole].reshape(-1, together).sum(axis=1) for of in (sums, squares, frames))
    means = sums / frames
    swing = np.maximum(squares / frames - means**2, 0.0)
    quiet = np.argsort(swing, kind="stable")[: max(2, round(QUIET_SHARE * len(means)))]
    (all_of_it, spread), (rest, spread_of_rest) = _middle_and_spread(means), _middle_and_spread(means[quiet])
    steady = spread < SPREAD_ALLOWED * abs(all_of_it) or (
        spread_of_rest < SPREAD_ALLOWED * abs(rest) and float(swing[quiet].mean()) < (REST_RATIO * rest) ** 2
    )
    if not steady or all_of_it * rest <= 0.0:
        return 0.0
    return math.copysign(min(abs(all_of_it), abs(rest)), rest)


def _middle_and_spread(means: Reals) -> tuple[float, float]:
    """Median, and what a standard deviation would be by the median distance from it."""
    middle = float(np.median(means))
    return middle, 1.4826 * float(np.median(np.abs(means - middle)))


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
