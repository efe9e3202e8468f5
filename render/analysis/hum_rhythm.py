"""Lines that a rhythm makes: what is played at exactly equal distances is as sharp and steady as hum.

Beside `hum`. Strokes that repeat after exactly a tenth of a second have lines at every multiple of 10 Hz, some of them
on the mains; they never fall silent between two strokes if these come fast enough. But then the same sharp lines stand
at the other multiples of that rate too, where no mains is. So a line that `hum` has found is looked at in the spectrum
of the whole take, fine enough to part such a comb from what lies between its teeth.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum, auto
from functools import cached_property

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d

from render.analysis.hum_stretch import STRETCH_FRAMES, TOP_HZ, Stretch
from render.analysis.low_band import PADDED, LowFrames, Lows
from render.audio.array import Reals

SLOWEST_HZ, FASTEST_HZ = 0.6, 22.0
"""Rates looked for: bars of four strokes or so, to more strokes a second than anybody plays. What repeats less often
falls silent in between for longer than `hum` lets a line go away."""

LOWEST_HZ = 25.0
"""Teeth from here up: no source has much below."""

FEWEST_TEETH = 15
"""Fewer teeth may stand out by chance."""

COMB_DB, COMB_SHARE = 7.5, 0.85
"""A comb: half of its teeth stand so far above what lies midway between them, and so many above it at all. Measured on
takes of 10 to 60 s: exactly timed notes 11 dB and 0.92 at least, mostly 40 dB and all; notes timed by hand 6 dB and
0.83 at most."""

TOOTH_DB, HIGH_TOOTH_DB = 12.0, 25.0
"""Hum on a tooth is told from the rhythm if it rises so far above both teeth beside it: at the first three multiples,
below the partials of most notes, where rhythms alone were measured to rise by 12 dB but for three lines in hundreds, 15
at most; above these, and where the line goes when the playing rests, farther."""
LOW_MULTIPLES = 3

OFF_HZ, OFF_HZ_A_MULTIPLE = 0.012, 0.01
"""A line farther beside a tooth is not the rhythm's: error of the tooth, and of the mains frequency a multiple."""

FINER, OVERTONES, TRIED, STROKES = 8, 4, 24, 8
"""How finely periods of the spectrum are told apart, and how many of them are looked at closely; strokes in a bar."""

REST_DB, LEAST_SHARE = 15.0, 0.03
"""A rest: what sounds around the multiples lies so far below its mean. Where hum is loud even beside the playing, only
around those multiples that have no line; but these must have such a share of the whole, or they tell nothing."""

STEADY_GAIN, GONE_GAIN, FEW_MOMENTS = 1.33, 0.3, 5
"""In a second of rest hum stays within this factor of its level; what falls to the other through a third of a second of
rests follows the playing."""

_DB = 10.0 / math.log(10.0)
"""Decibels of one natural logarithm of power."""

_FLOOR = 1e-13
"""Of the power of the strongest line: the precision of the frames."""


@dataclass(frozen=True)
class Comb:
    """Sharp lines at all multiples of a rate, and how far they stand out in the middle."""

    rate_hz: float
    contrast_db: float


@dataclass(frozen=True, eq=False)
class FineSpectrum:
    """Mean logarithm of the power of a take's stretches, in steps of about 0.05 Hz; shape (bins,)."""

    log_power: Reals
    step_hz: float

    def at(self, frequency_hz: Reals) -> Reals:
        """The same at the nearest bins."""
        bins = np.rint(frequency_hz / self.step_hz).astype(np.intp)
        return self.log_power[np.minimum(bins, len(self.log_power) - 1)]


class FineSpectra:
    """Gathers the fine spectrum of every channel, stretch by stretch.

    Parameters
    ----------
    low : LowFrames
        Whose frames will be handed over.
    channels : int
    """

    def __init__(self, low: LowFrames, *, channels: int) -> None:
        self._hop = len(low.frequency_hz) // PADDED
        self._size = int(fft.next_fast_len(2 * (STRETCH_FRAMES + 1) * self._hop, real=True))
        self._step_hz = low.rate_hz / self._size
        self._bins = min(int((TOP_HZ + FASTEST_HZ) / self._step_hz), self._size // 2) + 1
        self._sums = np.zeros((channels, self._bins))
        self._counts = np.zeros(channels, np.intp)

    def add(self, frames: Lows, *, channel: int) -> None:
        """Take one stretch of a channel, shape (frames, bins): half-overlapping Hann frames add up to the sound."""
        parts = fft.ifftshift(fft.irfft(frames[:, ::PADDED], 2 * self._hop, axis=-1), axes=-1)
        wave = np.zeros((len(frames) + 1) * self._hop, np.float32)
        for index, part in enumerate(parts):
            wave[index * self._hop : (index + 2) * self._hop] += part
        bins = fft.rfft(wave * np.hanning(len(wave)).astype(np.float32), self._size)[: self._bins]
        power = bins.real.astype(np.float64) ** 2 + bins.imag.astype(np.float64) ** 2
        self._sums[channel] += np.log(power + _FLOOR * power.max() + 1e-30)
        self._counts[channel] += 1

    def of(self, channel: int) -> FineSpectrum:
        """What all stretches of a channel say together."""
        return FineSpectrum(self._sums[channel] / max(1, self._counts[channel]), self._step_hz)


def find_combs(fine: FineSpectrum) -> tuple[Comb, ...]:
    """Rates at whose multiples sharp lines stand.

    A comb is a period of the logarithmic spectrum: where such periods show, the rate is looked for closely.
    """
    first = math.ceil(LOWEST_HZ / fine.step_hz)
    ripple = fine.log_power - np.mean(fine.log_power[first:])
    ripple[:first] = 0.0
    ripple[first:] *= np.hanning(len(ripple) - first)
    padded = int(fft.next_fast_len(FINER * len(ripple), real=True))
    # all teeth of a comb, counted from 0 Hz, are at the top of a wave; of its overtones as well, being narrow
    wave = fft.rfft(ripple, padded).real
    period_s = np.arange(len(wave)) / (padded * fine.step_hz)
    inside = np.flatnonzero((period_s >= 1.0 / FASTEST_HZ) & (period_s <= 1.0 / SLOWEST_HZ))
    strength = np.zeros(len(wave))
    strength[inside] = sum(wave[times * inside] for times in range(1, OVERTONES + 1))
    around = FINER // 2
    tops = maximum_filter1d(strength, 2 * around + 1)
    peaks = inside[(strength[inside] >= tops[inside]) & (strength[inside] > 0.0)]
    peaks = peaks[np.argsort(-strength[peaks])][:TRIED]
    found: dict[float, Comb] = {}
    for at in peaks:
        spread = 0.5 * FINER * period_s[1] / period_s[at]
        comb = _clearest(fine, 1.0 / period_s[at], spread=spread)
        if comb is None:
            continue
        found[round(comb.rate_hz, 2)] = comb
        # a bar repeats less often than the strokes in it, whose teeth are the higher ones
        for times in range(2, int(FASTEST_HZ / comb.rate_hz) + 1):
            if times <= STROKES and round(times * comb.rate_hz, 2) not in found:
                strokes = _clearest(fine, times * comb.rate_hz, spread=0.0)
                if strokes is not None:
                    found[round(strokes.rate_hz, 2)] = strokes
    return tuple(found.values())


def _clearest(fine: FineSpectrum, rate_hz: float, *, spread: float) -> Comb | None:
    """The rate near one whose teeth stand out most from what lies midway between them, if it is a comb at all."""
    top_hz = (len(fine.log_power) - 1) * fine.step_hz
    # the highest tooth moves by half a bin from one rate to the next
    steps = math.ceil(2.0 * spread * top_hz / fine.step_hz)
    rates_hz = rate_hz * (1.0 + np.linspace(-spread, spread, 2 * steps + 1))
    teeth = np.arange(math.ceil(LOWEST_HZ / rates_hz.min()), int(top_hz / rates_hz.max()))
    if len(teeth) < FEWEST_TEETH:
        return None
    at_hz = rates_hz[:, np.newaxis] * teeth
    half_hz = 0.5 * rates_hz[:, np.newaxis]
    contrast = fine.at(at_hz) - 0.5 * (fine.at(at_hz - half_hz) + fine.at(at_hz + half_hz))
    middle = np.median(contrast, axis=1)
    best = int(np.argmax(middle))
    contrast_db = _DB * float(middle[best])
    if contrast_db < COMB_DB or float(np.mean(contrast[best] > 0.0)) < COMB_SHARE:
        return None
    alike = middle > middle[best] - 0.2  # a top as wide as the lines are; its middle tells the rate
    return Comb(float(rates_hz[alike].mean()), contrast_db)


class Rhythm:
    """The combs of one channel, looked for when they are first asked for."""

    def __init__(self, fine: FineSpectrum) -> None:
        self._fine = fine

    @cached_property
    def combs(self) -> tuple[Comb, ...]:
        """As found."""
        return find_combs(self._fine)

    def makes(self, *, multiple: int, mains_hz: float, rests: InRests) -> bool:
        """Whether a line is a tooth of a comb, and does not rise over the next teeth as hum would.

        Parameters
        ----------
        multiple : int
            Of the mains frequency, from 1.
        mains_hz : float
            As measured.
        rests : InRests
            What the line does there.
        """
        if rests is InRests.STAYS:
            return False
        line_hz = multiple * mains_hz
        surely = rests is InRests.UNKNOWN and multiple <= LOW_MULTIPLES
        most_db = TOOTH_DB if surely else HIGH_TOOTH_DB
        for comb in self.combs:
            tooth = round(line_hz / comb.rate_hz)
            if abs(tooth * comb.rate_hz - line_hz) > OFF_HZ + OFF_HZ_A_MULTIPLE * multiple:
                continue
            beside = np.array([tooth - 1.0, tooth + 1.0]) * comb.rate_hz
            above = float((self._fine.at(np.array(line_hz)) - self._fine.at(beside)).min())
            if _DB * above < most_db:
                return True
        return False


class InRests(Enum):
    """What a line does while nothing is played."""

    UNKNOWN = auto()  # no rest, or it is there at another level
    STAYS = auto()
    GOES = auto()


def in_rests(
    stretches: list[Stretch], held: Collection[int], *, multiple: int, mains_hz: float, level: float
) -> InRests:
    """Whether a line of this RMS level is there, at that level, while nothing is played.

    A rest is where all is soft that sounds around the multiples; where hum is loud, around those that do not hum.

    Parameters
    ----------
    stretches : list of Stretch
    held : collection of int
        Multiples that may be hum.
    multiple : int
        The one asked about.
    mains_hz, level : float
        As measured.
    """
    power = np.concatenate([one.moments for one in stretches]).astype(np.float64) ** 2
    others = [line for line in range(power.shape[1]) if line + 1 not in held]
    sizes = np.concatenate([one.sizes(multiple - 1, mains_hz) for one in stretches]) / level
    for around, apart in ((power, False), (power[:, others], True)):
        whole = around.sum(axis=1)
        if whole.sum() < LEAST_SHARE * power.sum():
            break
        rest = whole < 10.0 ** (-0.1 * REST_DB) * whole.mean()
        # what is around few multiples may be soft between two strokes: only whole frames of it are a rest
        quiet = sizes[rest.all(axis=1)].ravel() if apart else sizes[rest]
        if len(quiet) >= rest.shape[1]:
            low, high = np.quantile(quiet, (0.1, 0.9))
            if low > 1.0 / STEADY_GAIN and high < STEADY_GAIN:
                return InRests.STAYS
        if np.count_nonzero(rest) >= FEW_MOMENTS and np.median(sizes[rest]) < GONE_GAIN:
            return InRests.GOES
    return InRests.UNKNOWN
