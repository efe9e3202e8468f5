"""Takes of one session against each other, and the two sources of one take: another guitar, a swap, a dead source.

Beside the chain, before anything is mixed; read from third octaves (`bands`). What tells a guitar and how it is rigged
is the ratio of its two sources band by band: the piece played changes both alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.bands import Bands
from render.analysis.noise import noise_from_bands, playing_windows
from render.audio.array import Reals
from render.units import db_from_power

FEWEST_TAKES = 4
"""With three takes one that differs from two may as well be the only one that is right."""

FAR_DB = 3.0
"""Spread of the ratio of two takes on different guitars. Takes on one guitar in other keys, registers and with a capo
stay near 2 dB. The spectrum of a single source is no help: another register moves it as far as another guitar."""

CLEARLY = 2.2
"""A take must be so much farther from most of the session than takes, in the middle, from their nearest."""

DEAD_DB = 40.0
"""So far below the other a source is dead: made as loud, it would bring crosstalk and the converter's noise."""

FOLLOWS_DB = 3.0
"""A source whose every band rises by less when the other begins to play hears nothing of it."""

_BANDS_HZ = (75.0, 8500.0)
_FEWEST_BANDS = 8
_SILENT = 1e-16


@dataclass(frozen=True, eq=False)
class Profile:
    """Long-term spectrum of the playing in both sources, noise taken off.

    Attributes
    ----------
    centre_hz : float64, shape (bands,)
    level_dbfs : float64, shape (2, bands)
        Not-a-number where the playing does not stand 6 dB over the noise.
    """

    centre_hz: Reals
    level_dbfs: Reals

    @property
    def ratio_db(self) -> Reals:
        """Source 2 over source 1."""
        return np.asarray(self.level_dbfs[1] - self.level_dbfs[0], dtype=np.float64)


def profile_from_bands(bands: Bands) -> Profile:
    """Long-term spectrum of a take of two sources, over the windows in which it is played."""
    inside = (bands.centre_hz >= _BANDS_HZ[0]) & (bands.centre_hz <= _BANDS_HZ[1])
    power = bands.power[..., inside].astype(np.float64)
    level = np.full((2, int(inside.sum())), np.nan)
    whole = bands.total.sum(axis=1).astype(np.float64)
    playing = playing_windows(whole)
    if playing.any():
        for channel, noise in enumerate(noise_from_bands(bands)):
            floor = 10.0 ** (noise.band_dbfs[inside] / 10.0) if noise.settled else np.zeros(level.shape[1])
            mean = power[playing, channel].mean(axis=0)
            told = (mean > 4.0 * floor) & (mean > _SILENT)
            level[channel, told] = 10.0 * np.log10((mean - floor)[told])
    return Profile(centre_hz=bands.centre_hz[inside], level_dbfs=level)


def distance_db(one: Profile, other: Profile) -> float:
    """How far two takes lie apart; not-a-number where they have too few bands in common.

    The standard deviation over the bands of the difference of their ratios: gains do not count.
    """
    return _spread(one.ratio_db - other.ratio_db)


def _spread(difference_db: Reals) -> float:
    told = difference_db[np.isfinite(difference_db)]
    return float(np.std(told)) if len(told) >= _FEWEST_BANDS else math.nan


@dataclass(frozen=True)
class Likeness:
    """One take among those of its session.

    Attributes
    ----------
    nearest_db : float
        Distance to the take most like it among most of the session; not-a-number where it cannot be told.
    usual_db : float
        The same for the rest of the session, in the middle.
    other_guitar : bool
        It is far from most of the session, whose takes are like each other.
    mirrored : bool
        It is like most of the session with its sources exchanged.
    sureness : float
        0 to 1, of whichever of the two is true.
    fellows : int
        How many takes are as it is, if either is true.
    """

    nearest_db: float
    usual_db: float
    other_guitar: bool = False
    mirrored: bool = False
    sureness: float = 0.0
    fellows: int = 0


def compare_takes(profiles: Sequence[Profile]) -> tuple[Likeness, ...]:
    """Which takes of a session are not like most of it.

    Takes belong together if they are near each other (`FAR_DB`), or both near a third. A take is a stranger if more
    than half of the session, and three takes at least, belong together without it.
    """
    count = len(profiles)
    apart = np.full((count, count), np.nan)
    for a in range(count):
        for b in range(count):
            if a != b:
                apart[a, b] = distance_db(profiles[a], profiles[b])
    nearest = np.array([np.nanmin(row) if np.isfinite(row).any() else math.nan for row in apart])
    groups = _groups(apart)
    known = np.isfinite(nearest)
    sizes = np.array([np.count_nonzero(groups[known] == group) for group in groups])
    enough = max(FEWEST_TAKES - 1, np.count_nonzero(known) // 2 + 1)
    most = known & (sizes >= enough)
    found = []
    for at in range(count):
        usual = np.delete(nearest, at)[np.delete(known, at)]
        usual_db = float(np.median(usual)) if len(usual) else math.nan
        if not known[at] or most[at] or not most.any():
            found.append(Likeness(float(nearest[at]), usual_db))
        else:
            others = [one for one, there in zip(profiles, most, strict=True) if there]
            found.append(_stranger(profiles[at], others, usual_db, fellows=int(sizes[at]) - 1))
    return tuple(found)


def _groups(apart: Reals) -> NDArray[np.int64]:
    """Number of the group of each take: takes less than `FAR_DB` apart are in one."""
    groups = np.arange(len(apart))
    for a, b in np.argwhere(np.nan_to_num(apart, nan=np.inf) < FAR_DB):
        groups[groups == groups[b]] = groups[a]
    return groups


def _stranger(one: Profile, others: Sequence[Profile], usual_db: float, *, fellows: int) -> Likeness:
    """A take that does not belong to most of the session: what it is, if it is far enough to be sure."""
    here = _least([distance_db(one, other) for other in others])
    near = max(usual_db, 0.4 * FAR_DB)
    if not math.isfinite(here) or here < max(FAR_DB, CLEARLY * near):
        return Likeness(here, usual_db)
    turned = Profile(centre_hz=one.centre_hz, level_dbfs=one.level_dbfs[::-1])
    crossed = _least([distance_db(turned, other) for other in others])
    mirrored = crossed <= max(near, 0.5 * here)
    sureness = round(min(1.0, 0.5 * here / (CLEARLY * near)), 2)
    return Likeness(here, usual_db, not mirrored, mirrored, sureness, fellows)


def _least(values: Sequence[float]) -> float:
    """Least of the finite ones; infinity if there are none."""
    return min((value for value in values if math.isfinite(value)), default=math.inf)


@dataclass(frozen=True)
class Life:
    """Whether one source hears the playing that the other hears.

    Attributes
    ----------
    level_dbfs : float
        RMS while the other plays, what is there anyway taken off.
    against_other_db : float
        That against the same of the other source; not-a-number if the other has nothing either.
    rise_db : float
        Of the band that rises most from the other's quiet windows to its loud ones; not-a-number if the other never
        rests.
    dead : bool
    """

    level_dbfs: float
    against_other_db: float
    rise_db: float
    dead: bool


def life_from_bands(bands: Bands) -> tuple[Life, ...]:
    """Judge both sources of a take against each other."""
    count = len(bands.total) - 1 if len(bands.total) > 3 else len(bands.total)
    total = bands.total[:count].astype(np.float64)
    power = bands.power[:count].astype(np.float64)
    signals, rises = [], []
    for channel in range(2):
        signal, rise = _heard_of_other(power, total, channel)
        signals.append(signal)
        rises.append(rise)
    lives = []
    for channel in range(2):
        mine, other = signals[channel], signals[1 - channel]
        against = db_from_power(mine / other) if other > 0.0 else math.nan
        silent = not (total[:, channel] > _SILENT).any()
        dead = silent or against < -DEAD_DB or (rises[channel] < FOLLOWS_DB and against < 0.0)
        lives.append(Life(db_from_power(mine), against, rises[channel], dead))
    return tuple(lives)


def _heard_of_other(power: Reals, total: Reals, channel: int) -> tuple[float, float]:
    """Mean square that comes and goes with the other source's playing, and by how much the clearest band rises."""
    own, other = total[:, channel], total[:, 1 - channel]
    playing = playing_windows(other)
    if not playing.any() or not (other > _SILENT).any():
        playing = playing_windows(own)
    if not playing.any():
        return 0.0, math.nan
    loud = power[playing, channel].mean(axis=0)
    quiet = _resting(other, playing)
    if np.count_nonzero(quiet) >= 4:
        still = power[quiet, channel].mean(axis=0)
        rise = float(
            np.max(10.0 * np.log10(np.maximum(loud, _SILENT) / np.maximum(still, _SILENT)), initial=0.0)
        )
        return float(np.maximum(loud - still, 0.0).sum()), rise
    # the other never rests: does this one move at all?
    level_db = 10.0 * np.log10(np.maximum(total[playing], _SILENT))
    spread = np.std(level_db, axis=0)
    steady = spread[1 - channel] > 1.5 and spread[channel] < 0.25 * spread[1 - channel]
    return float(loud.sum()), 0.0 if steady else math.nan


def _resting(total: Reals, playing: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Quietest tenth of the windows, if they lie 15 dB under the playing or more."""
    level = np.quantile(total, 0.1) if len(total) else 0.0
    return np.asarray((total <= max(level, _SILENT)) & (total < 0.0316 * total[playing].mean()))
