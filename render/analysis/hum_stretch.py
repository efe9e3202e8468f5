"""One stretch of a take, nine seconds of its low band: what in it is steady, for every mains frequency that could be.

The first half of `hum`, which puts the stretches of a take together. In a stretch the steady part of each multiple is
the mean of its frames, turned back to one phase, quiet frames counting more; it is worth something if it stands above
what lies beside it, and if the quiet frames agree with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.low_band import PADDED, LowFrames, Lows, hann_gain
from render.audio.array import Reals

OFF_HZ = 0.2
"""How far the mains may be off: the largest steady deviation allowed in continental Europe, and the standard range of
Great Britain (Regulation (EU) 2017/1485, Annex III, from memory). EN 50160 allows a public network 1 percent, but only
an island or a generator uses it; a wider search only meets more notes of low tunings, and more rhythms."""

STEP_HZ = 0.01
"""Trial frequencies. At the twelfth multiple one step is 0.12 Hz, what eight frames can tell apart."""

_BEYOND = 2
"""Steps that trials go farther than the mains: what is strongest there belongs to a note beyond it."""

TOP_HZ = 620.0
"""Multiples up to here: what is above is masked by any playing, and buzz has its lower ones too."""

STRETCH_FRAMES = 8
"""Frames of one estimate, a second from each to the next: long enough to part hum from a note that decays by 1.5 dB a
second or more, short enough for a mains frequency that wanders by some hundredths of a hertz a minute."""

STANDS_OUT = 12.0
"""Energy of a line against what lies beside it. By chance alone a trial reaches it once in exp(12) = 160000; an hour
of notes has some, which is why the line must also be steady."""

STEADY_DB = 2.5
"""Levels of one line from stretch to stretch, and in a stretch the quiet frames against their mean: hum stays within
this, repeated notes do so only by chance."""

AGREE_HZ = 0.035
"""Stretches that speak of the same mains frequency: wander within a take and error of one estimate."""

AROUND_BINS = 32
"""The size of a line moment by moment is looked at through a Hann-shaped band of eight hertz to both sides: a sixteenth
of a second tells the gap between two strokes, and the nearest string that is not on the line stays out of it."""

_EULER = 0.5772156649
"""The mean of the logarithm of an exponentially distributed power lies so far below the logarithm of its mean."""

_BESIDE = (5, 16)
"""What lies beside a line: bins 1.25 to 4 Hz to both sides, outside the line's own main lobe of 1 Hz."""

_CLOSE = 4
"""One hertz away, where a Hann frame of two seconds has the first zero of a steady line: what is there is another's."""

_AROUND = np.arange(-AROUND_BINS, AROUND_BINS)
_TAPER = (np.cos(0.5 * np.pi * _AROUND / AROUND_BINS) ** 2).astype(np.float32)

_FLOOR_POWER = 1e-18
"""-180 dBFS: below the last bit of any file; keeps logarithms finite."""


@dataclass(frozen=True, eq=False)
class Finding:
    """What one stretch of one channel says for one mains frequency, line by line."""

    frequency_hz: float
    blur_hz: float  # how far off the frequency may be
    weight: float
    energy: Reals  # of each line against what lies beside it
    level: Reals  # RMS
    precision: Reals  # inverse variance of the level
    steady: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Stretch:
    """One stretch of one channel: how sure a level would be at each line for each trial, and what was found."""

    trial_hz: Reals
    precision: NDArray[np.float32]  # (lines, trials)
    findings: tuple[Finding, ...]
    power: float  # mean square of all that is in the low band
    moments: NDArray[np.float32]  # (frames not silent, lines, moments): RMS in the band around a line
    around_hz: float  # half that band

    def precision_at(self, mains_hz: float) -> Reals:
        """Inverse variance of the level of each line, for the trial nearest to a frequency."""
        trial = int(np.argmin(np.abs(self.trial_hz - mains_hz)))
        return self.precision[:, trial].astype(np.float64)

    def sizes(self, line: int, mains_hz: float) -> Reals:
        """RMS of a line (counted from 0), moment by moment, with what sounds around it; shape (frames, moments)."""
        nominal_hz = float(self.trial_hz[len(self.trial_hz) // 2])
        off = (line + 1) * (mains_hz - nominal_hz) / self.around_hz
        return np.asarray(self.moments[:, line] / math.cos(0.5 * math.pi * off) ** 2, np.float64)


class Grid:
    """Trial frequencies around one nominal mains frequency, and where their multiples lie."""

    def __init__(self, nominal_hz: float, low: LowFrames) -> None:
        steps = round(OFF_HZ / STEP_HZ) + _BEYOND
        self.trial_hz: Reals = np.asarray(nominal_hz + STEP_HZ * np.arange(-steps, steps + 1), np.float64)
        top_hz = min(TOP_HZ, 0.45 * low.rate_hz)
        multiples = np.arange(1, int(top_hz // float(self.trial_hz[-1])) + 1)
        line_hz = multiples[:, np.newaxis] * self.trial_hz
        self.bins = np.rint(line_hz / low.bin_hz).astype(np.intp)
        gain = hann_gain((line_hz - self.bins * low.bin_hz) * low.frame_s)
        instant = low.hop_s * np.arange(STRETCH_FRAMES)
        turn = np.exp(-2j * np.pi * line_hz * instant[:, np.newaxis, np.newaxis]) / gain
        self.turn = turn.astype(np.complex64)
        middle = np.rint(multiples * nominal_hz / low.bin_hz).astype(np.intp)
        self.around_hz = AROUND_BINS * low.bin_hz
        self.around = np.minimum(middle[:, np.newaxis] + _AROUND, len(low.frequency_hz) - 1)

    def stretch(self, frames: Lows, inverse: NDArray[np.float32]) -> Stretch:
        """How quiet a stretch is at each line, and up to four mains frequencies that it speaks for.

        Parameters
        ----------
        frames : complex64, shape (frames, bins)
        inverse : float32, shape (frames, bins)
            Inverse of the power beside each bin; 0 for frames that do not count.
        """
        count = len(frames)
        line = frames[:, self.bins] * self.turn[:count]
        weight = inverse[:, self.bins]
        precision = np.maximum(weight.sum(axis=0), np.float32(1e-30))
        mean = (line * weight).sum(axis=0) / precision
        # half-overlapping Hann frames: neighbours share a sixth, the mean is a third less sure
        energy = (mean.real**2 + mean.imag**2) * precision * np.float32(0.75)
        steady = np.zeros(energy.shape, dtype=np.bool_)
        loud = np.nonzero(energy > 0.5 * STANDS_OUT)
        steady[loud] = _steady(line[:, loud[0], loud[1]], weight[:, loud[0], loud[1]], mean[loud])
        score = np.where(steady, np.sqrt(energy), 0.0).sum(axis=0)
        findings = [
            Finding(
                frequency_hz=float(self.trial_hz[trial]),
                blur_hz=_blur_hz(weight[:, :, trial], np.where(steady[:, trial], energy[:, trial], 0.0)),
                weight=float(score[trial]),
                energy=energy[:, trial].astype(np.float64),
                level=np.abs(mean[:, trial]).astype(np.float64),
                precision=precision[:, trial].astype(np.float64),
                steady=steady[:, trial],
            )
            for trial in _peaks(score)
        ]
        # padded bins of Hann frames whose sine reads its RMS value
        power = float(np.mean(np.sum(frames.real**2 + frames.imag**2, axis=-1))) / (1.5 * PADDED)
        moments = _moments(frames[inverse.any(axis=-1)][:, self.around])
        return Stretch(
            self.trial_hz,
            precision,
            findings=tuple(findings),
            power=power,
            moments=moments,
            around_hz=self.around_hz,
        )


def _moments(around: Lows) -> NDArray[np.float32]:
    """RMS of bands, shape (..., bins), moment by moment through the middle half of their frames, where frames meet."""
    band = np.fft.ifft(np.fft.ifftshift(around * _TAPER, axes=-1), axis=-1)
    quarter = AROUND_BINS // (2 * PADDED)
    instant = np.arange(-quarter, quarter)
    window = 0.5 + 0.5 * np.cos(0.5 * np.pi * instant / quarter)
    scale = 2.0 * AROUND_BINS / (2.0 * PADDED) / window
    return np.asarray(np.abs(band[..., instant]) * scale, np.float32)


def _steady(line: Lows, weight: NDArray[np.float32], mean: Lows) -> NDArray[np.bool_]:
    """Whether the quiet half of the frames agree with the mean: within their own noise, or within `STEADY_DB`."""
    away = line - mean
    distance = away.real**2 + away.imag**2
    bound = (1.0 - 10.0 ** (-STEADY_DB / 20.0)) ** 2 * (mean.real**2 + mean.imag**2)
    with np.errstate(divide="ignore", over="ignore"):
        near = distance <= np.maximum(np.float32(4.0) / weight, bound)
    quiet = (weight >= np.median(weight, axis=0)) & (weight > 0.0)
    return np.asarray((near & quiet).sum(axis=0) >= 0.7 * quiet.sum(axis=0))


def _blur_hz(weight: NDArray[np.float32], energy: Reals) -> float:
    """Error of a mains frequency: where one quiet frame outweighs all others, it tells a level but hardly a frequency.

    The spread of the strongest line's frames over time, times that line's multiple, is what there is to tell by.
    """
    line = int(np.argmax(energy))
    share = weight[:, line] / weight[:, line].sum()
    instant = np.arange(len(share))
    spread = math.sqrt(float(share @ instant**2) - float(share @ instant) ** 2 + 0.04)
    return max(AGREE_HZ, min(0.25, 0.08 / (spread * (line + 1))))


def _peaks(score: Reals) -> list[int]:
    """The highest local maxima inside the range: what rises towards an end belongs to a note beyond it."""
    inside = range(_BEYOND, len(score) - _BEYOND)
    tops = [at for at in inside if score[at] > 0.0 and score[at] == score[max(0, at - 4) : at + 5].max()]
    return sorted(tops, key=lambda at: -score[at])[:4]


def inverse_beside(frames: Lows) -> NDArray[np.float32]:
    """Inverse of the power beside every bin, for frames of shape (frames, channels, bins).

    From the mean of its logarithm, which single neighbours do not sway, or from what is close by, if that is more: the
    slope of a note next to the mains.
    """
    first, last = _BESIDE
    power = frames.real**2 + frames.imag**2
    silent = power.max(axis=-1) <= _FLOOR_POWER
    level = np.log(np.maximum(power, np.float32(_FLOOR_POWER)))
    sums = np.cumsum(level, axis=-1, dtype=np.float64)
    width = last - first + 1
    means = (sums[..., width:] - sums[..., :-width]) / width  # of bins i + 1 to i + width
    inverse = np.zeros(frames.shape, dtype=np.float32)
    stop = frames.shape[-1] - last
    below, above = means[..., : stop - last], means[..., last + first - 2 : stop + first - 2]
    middle = np.exp(0.5 * (below + above) + _EULER)
    close = 0.5 * (
        power[..., last + 1 - _CLOSE : stop + 1 - _CLOSE] + power[..., last + 1 + _CLOSE : stop + 1 + _CLOSE]
    )
    inverse[..., last + 1 : stop + 1] = 1.0 / np.maximum(middle, close)
    inverse[silent] = 0.0
    return inverse
