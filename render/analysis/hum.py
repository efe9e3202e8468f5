"""Mains hum: is it there, is the mains at 50 or 60 Hz, and how loud is each multiple of it.

Beside the chain, before anything is mixed. Hum and played notes may lie within a fraction of a hertz of each other;
what parts them is that hum keeps its level and its phase all the time, at one frequency and its exact multiples, while
notes begin, decay, and begin again with another phase. So the low band is looked at in stretches of nine seconds:
in each, for every mains frequency that could be, the steady part of each multiple is estimated, quiet moments counting
more; it has to stand above what lies beside it, to be the same in every quiet moment, and never to go away. What holds
through the take, at one frequency and one level, is hum; unless a rhythm made it (`hum_rhythm`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.frames import each_spectra
from render.analysis.hum_rhythm import FineSpectra, Rhythm, in_rests
from render.analysis.hum_stretch import (
    AGREE_HZ,
    STANDS_OUT,
    STEADY_DB,
    STRETCH_FRAMES,
    Finding,
    Grid,
    Stretch,
    inverse_beside,
)
from render.analysis.low_band import LowFrames, Lows
from render.audio.array import AnySamples, Reals
from render.units import db_from_gain, db_from_power

MAINS_HZ = (50.0, 60.0)
FEWEST_FRAMES = 4
"""A take that fills fewer frames (about 5 s) cannot be told."""

MOST_OF = 0.7
"""A line has to be found in this share of the stretches that are quiet enough to find it."""

MAY_HIDE = 0.25
"""A note on the very line may hide hum from a stretch that is quiet beside it, but not from more than this share."""

DIPS = ((0.5, 0.15), (0.1, 0.02))
"""Hum does not go away: around a line there is less sound than such a part of its level for such a share of the time at
most. Noise of any strength takes hum that far down for 9 and 0.4 percent at most (the square of the part, by e), a note
for a part of a beat; a slow rhythm of a machine, whose lines are as sharp as hum, falls silent between any two strokes;
for a fast one see `hum_rhythm`."""

CLEAR, OFTEN = 200.0, 0.25
"""A line must be found in a quarter of all stretches, or have this energy against what lies beside it in one of them: a
rest between or after the notes."""


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


class HumGauge:
    """Listens for hum through a take; takes the frames of a `LowFrames`.

    Parameters
    ----------
    low : LowFrames
        Whose frames will be handed over.
    channels : int
    """

    def __init__(self, low: LowFrames, *, channels: int = 2) -> None:
        self._grids = [Grid(nominal_hz, low) for nominal_hz in MAINS_HZ]
        self._waiting: list[Lows] = []
        # per mains frequency and channel, stretch by stretch
        self._found: list[list[list[Stretch]]] = [[[] for _ in range(channels)] for _ in MAINS_HZ]
        self._fine = FineSpectra(low, channels=channels)

    def add(self, frames: Lows) -> None:
        """Take the next frames, shape (frames, channels, bins)."""
        for frame in frames:
            self._waiting.append(frame)
            if len(self._waiting) == STRETCH_FRAMES:
                self._stretch()

    def _stretch(self) -> None:
        frames = np.stack(self._waiting)
        self._waiting.clear()
        inverse = inverse_beside(frames)
        for channel in range(frames.shape[1]):
            if np.count_nonzero(inverse[:, channel].any(axis=-1)) < FEWEST_FRAMES:
                continue  # digital silence says nothing
            self._fine.add(frames[:, channel], channel=channel)
            for grid, found in zip(self._grids, self._found, strict=True):
                found[channel].append(grid.stretch(frames[:, channel], inverse[:, channel]))

    def result(self) -> tuple[Hum, ...]:
        """Hum of every channel; the mains frequency is one for all of them."""
        if len(self._waiting) >= FEWEST_FRAMES:
            self._stretch()
        rhythms = [Rhythm(self._fine.of(channel)) for channel in range(len(self._found[0]))]
        judged = [[_judge(*one) for one in zip(found, rhythms, strict=True)] for found in self._found]
        strength = [sum(one.strength for one in grid if one.present) for grid in judged]
        best = int(np.argmax(strength))
        chosen = judged[best]
        if strength[best] > 0.0:
            leader = max((one for one in chosen if one.present), key=lambda one: one.strength)
            # a second source that hears the same mains needs less proof
            chosen = [
                one if one.present else _judge(stretches, rhythm, of=leader.frequency_hz)
                for one, stretches, rhythm in zip(chosen, self._found[best], rhythms, strict=True)
            ]
        return tuple(
            one.hum(MAINS_HZ[best], told=bool(stretches))
            for one, stretches in zip(chosen, self._found[best], strict=True)
        )


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


def _judge(stretches: list[Stretch], rhythm: Rhythm, *, of: float | None = None) -> _Judgement:
    """Find the one mains frequency that most stretches agree on, and the lines that hold through them.

    The three frequencies most spoken for are tried. Where the other source hums at a frequency already (`of`), only
    that is, and any line there will do.
    """
    said = [(one.frequency_hz, one.weight, one.blur_hz) for stretch in stretches for one in stretch.findings]
    if not said:
        return _Judgement(present=False)
    if of is not None:
        return _judge_at(stretches, rhythm, of, proved=True)
    said_hz, weight, blur_hz = np.array(said).T
    near = np.exp(-0.5 * ((said_hz[:, np.newaxis] - said_hz) / (0.5 * blur_hz)) ** 2)
    together = near @ (weight * AGREE_HZ / blur_hz)
    tried: list[_Judgement] = []
    while len(tried) < 3 and together.max() > 0.0:
        near_hz = said_hz[np.argmax(together)]
        tried.append(_judge_at(stretches, rhythm, float(near_hz), proved=False))
        together[np.abs(said_hz - near_hz) <= AGREE_HZ] = 0.0
    return max(tried, key=lambda one: one.strength)


def _judge_at(stretches: list[Stretch], rhythm: Rhythm, near_hz: float, *, proved: bool) -> _Judgement:
    """The same for one mains frequency."""
    close = [
        [one for one in stretch.findings if abs(one.frequency_hz - near_hz) <= one.blur_hz]
        for stretch in stretches
    ]
    heard = [min(some, key=lambda one: abs(one.frequency_hz - near_hz)) for some in close if some]
    possible = np.array([stretch.precision_at(near_hz) for stretch in stretches])
    lines = [_hold(heard, line, possible[:, line]) for line in range(len(heard[0].level) if heard else 0)]
    held = [line for line in lines if line is not None and _stays(line, stretches, near_hz)]
    if not held:
        return _Judgement(present=False)
    weight = np.array([one.weight / one.blur_hz**2 for one in heard])
    frequency_hz = float(np.average([one.frequency_hz for one in heard], weights=weight))
    found = len(held)
    held = _not_played(held, stretches, rhythm, frequency_hz)
    share = sum(line.level**2 for line in held) / max(stretch.power for stretch in stretches)
    if not (_is_heard_too(held) if proved else _is_proof(held, share=share, played=found - len(held))):
        return _Judgement(present=False)
    strength = sum(min(float(one.energy[line.multiple - 1]), 1000.0) for line in held for one in heard)
    return _Judgement(
        present=True,
        frequency_hz=frequency_hz,
        strength=strength,
        lines=tuple((line.multiple, line.level) for line in held),
    )


@dataclass(frozen=True)
class _Held:
    """A line that holds, and its RMS level.

    Firm: seen more than once, often or clearly; not firm: in the only stretch of several that was quiet enough.
    Lasting: in half of all stretches, three or more, and nearly all that could show it.
    """

    multiple: int
    level: float
    firm: bool
    lasting: bool


def _stays(held: _Held, stretches: list[Stretch], mains_hz: float) -> bool:
    """Whether a line is there all the time; what is faded or gated at both ends of a take says nothing."""
    sizes = np.concatenate([one.sizes(held.multiple - 1, mains_hz) for one in stretches]) / held.level
    dip = DIPS[0][0]
    # by frames first: noise comes up again within a fade
    sounding = np.flatnonzero((sizes >= dip).mean(axis=1) > 0.5)
    if not len(sounding):
        return False
    sizes = sizes[sounding[0] : sounding[-1] + 1].ravel()
    there = np.flatnonzero(sizes >= dip)
    sizes = sizes[there[0] : there[-1] + 1]
    return all(float(np.mean(sizes < part)) <= most for part, most in DIPS)


def _not_played(held: list[_Held], stretches: list[Stretch], rhythm: Rhythm, mains_hz: float) -> list[_Held]:
    """The lines that are not made by notes at exactly equal distances."""
    if not rhythm.combs:
        return held
    multiples = [line.multiple for line in held]
    kept = []
    for line in held:
        rests = in_rests(stretches, multiples, multiple=line.multiple, mains_hz=mains_hz, level=line.level)
        if not rhythm.makes(multiple=line.multiple, mains_hz=mains_hz, rests=rests):
            kept.append(line)
    return kept


def _is_heard_too(held: list[_Held]) -> bool:
    """Whether these lines, at a frequency at which the other source hums, are hum too.

    One or two from the fourth multiple up may as well be partials of a held note; hum has lower ones as well.
    """
    return any(line.multiple <= 3 for line in held) or len(held) >= 3


def _is_proof(held: list[_Held], *, share: float, played: int = 0) -> bool:
    """Whether these lines can be nothing but hum.

    The first multiple is proof where it lies 20 dB under what is loudest (`share`), lasts, or comes with two others,
    counting those that a rhythm may hide (`played`): else it may be the lowest string of a low tuning. Without it two
    firm lines are proof, one of them the second or third multiple, unless one is a multiple of the other: so are the
    partials of a note. Even multiples alone (a rectifier) have to be three, or the second lasting, and to lie 10 dB
    under what is loudest: else they may be one sustained tone. Lines that are not firm have to be three.
    """
    firm = [line.multiple for line in held if line.firm]
    many = [line.multiple for line in held] if len(held) >= 3 else firm
    if 1 in firm and (
        share < 0.01 or len(firm) + played >= 3 or any(line.multiple == 1 and line.lasting for line in held)
    ):
        return True
    if not many or 1 in firm:
        return False
    common = math.gcd(*many)
    if common == 2 and 2 in many:
        lasting = any(line.multiple == 2 and line.lasting for line in held)
        return (len(many) >= 3 or lasting) and share < 0.1
    return common == 1 and min(many) <= 3


def _hold(heard: list[Finding], line: int, possible: Reals) -> _Held | None:
    """Whether a line holds through the take; `possible`: how sure its level could be in each stretch."""
    levels = np.array([one.level[line] for one in heard])
    precision = np.array([one.precision[line] for one in heard])
    found = np.array([bool(one.steady[line]) and one.energy[line] > STANDS_OUT for one in heard])
    if not found.any():
        return None
    best = found & (precision >= 0.25 * precision[found].max())
    level = float(np.median(levels[best]))
    near = found & (np.abs(np.log(np.maximum(levels, 1e-12) / level)) <= np.log(10.0) / 20.0 * STEADY_DB)
    # stretches that would have shown it, whatever frequency they spoke for; and those that could not have hidden it
    expected = level**2 * possible
    could, must = max(1, int(np.sum(expected > 2.0 * STANDS_OUT))), int(np.sum(expected > 20.0 * STANDS_OUT))
    seen = int(near.sum())
    clearly = int(np.sum(near & (level**2 * precision > 20.0 * STANDS_OUT)))
    energy = np.array([one.energy[line] for one in heard])
    clear = bool(np.any(found & (energy > CLEAR)))
    firm = seen >= min(2, len(possible)) and (clear or seen >= OFTEN * len(possible))
    once = could == 1 and clear
    if seen < MOST_OF * could or must - clearly > MAY_HIDE * must or not (firm or once):
        return None
    lasting = seen >= max(3, 0.8 * could, 0.5 * len(possible))
    return _Held(line + 1, level, firm, lasting)


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
