"""Mains hum: is it there, is the mains at 50 or 60 Hz, and how loud is each multiple of it.

Beside the chain, before anything is mixed. Hum and played notes may lie within a fraction of a hertz of each other;
what parts them is that hum keeps its level and its phase all the time, at one frequency and its exact multiples, while
notes begin, decay, and begin again with another phase. So the low band is looked at in stretches of nine seconds:
in each, for every mains frequency that could be, the steady part of each multiple is estimated, quiet moments counting
more; it has to stand above what lies beside it and to be the same in every quiet moment. What holds through the take,
at one frequency and one level, is hum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.frames import each_spectra
from render.analysis.low_band import PADDED, LowFrames, Lows, hann_gain
from render.audio.array import AnySamples, Reals
from render.units import db_from_gain, db_from_power

MAINS_HZ = (50.0, 60.0)
SEARCH_HZ = 0.5
"""How far the mains may be off: 1 percent of 50 Hz, what EN 50160 allows of a public network for all but 0.5 percent
of a year."""

STEP_HZ = 0.01
"""Trial frequencies. At the twelfth multiple one step is 0.12 Hz, what eight frames can tell apart."""

TOP_HZ = 620.0
"""Multiples up to here: what is above is masked by any playing, and buzz has its lower ones too."""

STRETCH_FRAMES = 8
"""Frames of one estimate, a second from each to the next: long enough to part hum from a note that decays by 1.5 dB a
second or more, short enough for a mains frequency that wanders by some hundredths of a hertz a minute."""

FEWEST_FRAMES = 4
"""A take that fills fewer frames (about 5 s) cannot be told."""

STANDS_OUT = 12.0
"""Energy of a line against what lies beside it. By chance alone a trial reaches it once in exp(12) = 160000; an hour
of notes has some, which is why the line must also be steady."""

STEADY_DB = 3.0
"""Levels of one line from stretch to stretch, and in a stretch the quiet frames against their mean: hum stays within
this, repeated notes do so only by chance."""

MOST_OF = 0.6
"""A line has to be found in this share of the stretches that are quiet enough to find it."""

MAY_HIDE = 0.25
"""A note on the very line may hide hum from a stretch that is quiet beside it, but not from more than this share."""

AGREE_HZ = 0.035
"""Stretches that speak of the same mains frequency: wander within a take and error of one estimate."""

_EULER = 0.5772156649
"""The mean of the logarithm of an exponentially distributed power lies so far below the logarithm of its mean."""

_BESIDE = (5, 16)
"""What lies beside a line: bins 1.25 to 4 Hz to both sides, outside the line's own main lobe of 1 Hz."""

_FLOOR_POWER = 1e-18
"""-180 dBFS: below the last bit of any file; keeps logarithms finite."""


@dataclass(frozen=True)
class HumLine:
    """One multiple of the mains frequency: which, where, and its RMS level."""

    multiple: int
    frequency_hz: float
    level_dbfs: float


@dataclass(frozen=True)
class Hum:
    """Hum of one channel.

    Attributes
    ----------
    present : bool or None
        None where the take is too short to tell.
    mains_hz : float or None
        50 or 60.
    frequency_hz : float or None
        As measured.
    level_dbfs : float
        RMS of all lines together; minus infinity without hum. A sine of amplitude 1 is -3.01.
    lines : tuple of HumLine
        Those found, in order; rectifiers have the even ones only.
    """

    present: bool | None
    mains_hz: float | None = None
    frequency_hz: float | None = None
    level_dbfs: float = -np.inf
    lines: tuple[HumLine, ...] = ()


@dataclass(frozen=True, eq=False)
class _Finding:
    """What one stretch of one channel says for one mains frequency, line by line."""

    frequency_hz: float
    blur_hz: float  # how far off the frequency may be
    weight: float
    energy: Reals  # of each line against what lies beside it
    level: Reals  # RMS
    precision: Reals  # inverse variance of the level
    steady: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Stretch:
    """One stretch of one channel: how sure a level would be at each line, and what was found."""

    precision: Reals
    findings: tuple[_Finding, ...]
    power: float  # mean square of all that is in the low band


class _Grid:
    """Trial frequencies around one nominal mains frequency, and where their multiples lie."""

    def __init__(self, nominal_hz: float, low: LowFrames) -> None:
        steps = round(SEARCH_HZ / STEP_HZ)
        self.trial_hz = nominal_hz + STEP_HZ * np.arange(-steps, steps + 1)
        top_hz = min(TOP_HZ, 0.45 * low.rate_hz)
        multiples = np.arange(1, int(top_hz // (nominal_hz + SEARCH_HZ)) + 1)
        line_hz = multiples[:, np.newaxis] * self.trial_hz
        self.bins = np.rint(line_hz / low.bin_hz).astype(np.intp)
        gain = hann_gain((line_hz - self.bins * low.bin_hz) * low.frame_s)
        instant = low.hop_s * np.arange(STRETCH_FRAMES)
        turn = np.exp(-2j * np.pi * line_hz * instant[:, np.newaxis, np.newaxis]) / gain
        self.turn = turn.astype(np.complex64)

    def stretch(self, frames: Lows, inverse: NDArray[np.float32]) -> _Stretch:
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
            _Finding(
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
        middle = precision[:, len(self.trial_hz) // 2]
        # padded bins of Hann frames whose sine reads its RMS value
        power = float(np.mean(np.sum(frames.real**2 + frames.imag**2, axis=-1))) / (1.5 * PADDED)
        return _Stretch(precision=middle.astype(np.float64), findings=tuple(findings), power=power)


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
    inside = range(2, len(score) - 2)
    tops = [at for at in inside if score[at] > 0.0 and score[at] == score[max(0, at - 4) : at + 5].max()]
    return sorted(tops, key=lambda at: -score[at])[:4]


class HumGauge:
    """Listens for hum through a take; takes the frames of a `LowFrames`.

    Parameters
    ----------
    low : LowFrames
        Whose frames will be handed over.
    channels : int
    """

    def __init__(self, low: LowFrames, *, channels: int = 2) -> None:
        self._grids = [_Grid(nominal_hz, low) for nominal_hz in MAINS_HZ]
        self._waiting: list[Lows] = []
        # per mains frequency and channel, stretch by stretch
        self._found: list[list[list[_Stretch]]] = [[[] for _ in range(channels)] for _ in MAINS_HZ]

    def add(self, frames: Lows) -> None:
        """Take the next frames, shape (frames, channels, bins)."""
        for frame in frames:
            self._waiting.append(frame)
            if len(self._waiting) == STRETCH_FRAMES:
                self._stretch()

    def _stretch(self) -> None:
        frames = np.stack(self._waiting)
        self._waiting.clear()
        inverse = _inverse_beside(frames)
        for channel in range(frames.shape[1]):
            if np.count_nonzero(inverse[:, channel].any(axis=-1)) < FEWEST_FRAMES:
                continue  # digital silence says nothing
            for grid, found in zip(self._grids, self._found, strict=True):
                found[channel].append(grid.stretch(frames[:, channel], inverse[:, channel]))

    def result(self) -> tuple[Hum, ...]:
        """Hum of every channel; the mains frequency is one for all of them."""
        if len(self._waiting) >= FEWEST_FRAMES:
            self._stretch()
        judged = [[_judge(stretches) for stretches in found] for found in self._found]
        strength = [sum(one.strength for one in grid if one.present) for grid in judged]
        best = int(np.argmax(strength))
        chosen = judged[best]
        if strength[best] > 0.0:
            leader = max((one for one in chosen if one.present), key=lambda one: one.strength)
            # a second source that hears the same mains needs less proof
            chosen = [
                one if one.present else _judge(stretches, of=leader.frequency_hz)
                for one, stretches in zip(chosen, self._found[best], strict=True)
            ]
        return tuple(
            one.hum(MAINS_HZ[best], told=bool(stretches))
            for one, stretches in zip(chosen, self._found[best], strict=True)
        )


def _inverse_beside(frames: Lows) -> NDArray[np.float32]:
    """Inverse of the power beside every bin: from the mean of its logarithm, which single neighbours do not sway."""
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
    inverse[..., last + 1 : stop + 1] = np.exp(-0.5 * (below + above) - _EULER)
    inverse[silent] = 0.0
    return inverse


@dataclass(frozen=True)
class _Judgement:
    """What all stretches of a channel say together."""

    present: bool
    frequency_hz: float = 0.0
    strength: float = 0.0
    lines: tuple[tuple[int, float], ...] = ()  # multiple, RMS

    def hum(self, mains_hz: float, *, told: bool) -> Hum:
        if not self.present:
            return Hum(present=False if told else None)
        return Hum(
            present=True,
            mains_hz=mains_hz,
            frequency_hz=self.frequency_hz,
            level_dbfs=db_from_power(sum(level**2 for _, level in self.lines)),
            lines=tuple(
                HumLine(multiple, multiple * self.frequency_hz, db_from_gain(level))
                for multiple, level in self.lines
            ),
        )


def _judge(stretches: list[_Stretch], *, of: float | None = None) -> _Judgement:
    """Find the one mains frequency that most stretches agree on, and the lines that hold through them.

    The three frequencies most spoken for are tried. Where the other source hums at a frequency already (`of`), only
    that is, and any line there will do.
    """
    said = [(one.frequency_hz, one.weight, one.blur_hz) for stretch in stretches for one in stretch.findings]
    if not said:
        return _Judgement(present=False)
    if of is not None:
        return _judge_at(stretches, of, proved=True)
    said_hz, weight, blur_hz = np.array(said).T
    near = np.exp(-0.5 * ((said_hz[:, np.newaxis] - said_hz) / (0.5 * blur_hz)) ** 2)
    together = near @ (weight * AGREE_HZ / blur_hz)
    tried: list[_Judgement] = []
    while len(tried) < 3 and together.max() > 0.0:
        near_hz = said_hz[np.argmax(together)]
        tried.append(_judge_at(stretches, float(near_hz), proved=False))
        together[np.abs(said_hz - near_hz) <= AGREE_HZ] = 0.0
    return max(tried, key=lambda one: one.strength)


def _judge_at(stretches: list[_Stretch], near_hz: float, *, proved: bool) -> _Judgement:
    """The same for one mains frequency."""
    close = [
        [one for one in stretch.findings if abs(one.frequency_hz - near_hz) <= one.blur_hz]
        for stretch in stretches
    ]
    heard = [min(some, key=lambda one: abs(one.frequency_hz - near_hz)) for some in close if some]
    held = [(line + 1, *_hold(heard, line, stretches)) for line in range(len(heard[0].level) if heard else 0)]
    held = [one for one in held if one[1] > 0.0]
    share = sum(level**2 for _, level, *_ in held) / max(stretch.power for stretch in stretches)
    if not held or not (proved or _is_proof(held, share=share)):
        return _Judgement(present=False)
    strength = sum(min(float(one.energy[line - 1]), 1000.0) for line, *_ in held for one in heard)
    weight = np.array([one.weight / one.blur_hz**2 for one in heard])
    frequency_hz = float(np.average([one.frequency_hz for one in heard], weights=weight))
    lines = tuple((line, level) for line, level, *_ in held)
    return _Judgement(present=True, frequency_hz=frequency_hz, strength=strength, lines=lines)


def _is_proof(held: list[tuple[int, float, int, float]], *, share: float) -> bool:
    """Whether these lines can be nothing but hum: each a multiple, its level, how often and in which share seen.

    Two lines are proof, one among the first three multiples, unless both are multiples of one of them: so are the
    partials of a note. The first multiple alone is proof: hardly a note lies there. Even multiples alone (a rectifier)
    have to be three, or to hold through three stretches, and to lie 10 dB under what is loudest (`share`): else they
    may be what is played, one sustained tone and its partials.
    """
    multiples = [line for line, *_ in held]
    if 1 in multiples:
        return True
    common = math.gcd(*multiples)
    often = any(line == 2 and seen >= 3 and of_quiet >= 0.8 for line, _, seen, of_quiet in held)
    if common == 2:
        return 2 in multiples and (len(held) >= 3 or often) and share < 0.1
    return common == 1 and min(multiples) <= 3


def _hold(heard: list[_Finding], line: int, stretches: list[_Stretch]) -> tuple[float, int, float]:
    """Level of a line that holds through the take, or 0; in how many stretches, and which share of those that could."""
    levels = np.array([one.level[line] for one in heard])
    precision = np.array([one.precision[line] for one in heard])
    found = np.array([bool(one.steady[line]) and one.energy[line] > STANDS_OUT for one in heard])
    if not found.any():
        return 0.0, 0, 0.0
    best = found & (precision >= 0.25 * precision[found].max())
    level = float(np.median(levels[best]))
    near = found & (np.abs(np.log(np.maximum(levels, 1e-12) / level)) <= np.log(10.0) / 20.0 * STEADY_DB)
    # stretches that would have shown it, whatever frequency they spoke for; and those that could not have hidden it
    expected = level**2 * np.array([stretch.precision[line] for stretch in stretches])
    could, must = max(1, int(np.sum(expected > 2.0 * STANDS_OUT))), int(np.sum(expected > 20.0 * STANDS_OUT))
    seen = int(near.sum())
    clearly = int(np.sum(near & (level**2 * precision > 20.0 * STANDS_OUT)))
    share = seen / could
    holds = seen >= min(2, len(stretches)) and share >= MOST_OF and must - clearly <= MAY_HIDE * must
    return (level if holds else 0.0), seen, share


def measure_hum(audio: AnySamples, *, sample_rate_hz: float) -> tuple[Hum, ...]:
    """Mains hum of every channel of a whole take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float

    Returns
    -------
    tuple of Hum
        One a channel.
    """
    low = LowFrames(sample_rate_hz=sample_rate_hz, channels=audio.shape[1])
    gauge = HumGauge(low, channels=audio.shape[1])
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(low.add(spectra))
    return gauge.result()
