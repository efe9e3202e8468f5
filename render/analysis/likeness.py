"""Takes of one session against each other, and the two sources of one take: another guitar, a swap, a dead source.

Beside the chain, before anything is mixed. Takes are compared by the ratio of their two sources in narrow cells
(`profile`), each cell by the yardstick of its session; a dead source is told from third octaves (`bands`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from render.analysis.bands import Bands
from render.analysis.noise import playing_windows
from render.analysis.profile import Profile
from render.audio.array import Reals
from render.units import db_from_power

FEWEST_TAKES = 4
"""From so many takes on a session shows by itself what is usual in it. Of three two may agree against one; of two that
differ neither is the odd one."""

FAR_DB = 2.8
"""Distance of two takes on different guitars, where no session says what is usual. Two takes on one guitar in other
keys, registers and with a capo are 1.2 dB apart in the middle, 2.5 dB in one case of a hundred."""

FAR = 1.2
"""Distance of two takes on different guitars, in units of what a session lets expect, where a take has many others to
be near to; of few the nearest is farther off (`far_among`). Takes on one guitar stay within 0.85 of the bound, also a
percussive one among quiet ones, a short one, one with the microphone moved a little."""

CLEARLY = 1.6
"""A take must be so much farther from most of the session than takes, in the middle, from their nearest."""

FAR_OF_THREE = 1.5
"""The same where two takes stand against one. They show little of what is usual, least if they are of one piece, so
distances are means, geometric, of those in units of what the session lets expect and in units of `FAR_DB`."""

SURE_OF_THREE = 0.75
"""A verdict that rests on two takes agreeing is less sure by this factor."""

BLUR_DB = 0.7
"""Least difference to be expected in a cell: other notes lie elsewhere in it."""

RUGGED_DB = 3.0
"""Where the ratio moves so much from a cell to the next, what a sparse take leaves in doubt (`Profile.blur_db`) counts
in full, elsewhere in proportion."""

OTHER_NOTES = 1.5
"""Variance from take to take is expected to be at least so many times that within a take: where one piece is played
again and again, its takes do not show what another piece does."""

DISAGREEMENT = 0.7
"""This share of what the disagreement of the sources may do to their ratio is taken off a difference."""

POWER = 3.0
"""Of the mean over the cells: few far out, a resonance that lies elsewhere, count for more than many a little off."""

FARTHEST = 5.0
"""No cell counts as more than so many times what is expected: a tone beside the music is no guitar."""

MIRRORED = 0.64
"""Exchanged, a take that is told as such comes nearer to its session by this factor or a smaller one: exchanged takes
by 0.5 at most, takes of another guitar by 0.78 at least."""

TURNED = 0.4
"""By this factor or a smaller one exchanged sources are so clear that of three takes half the distance is enough: takes
that are not exchanged come nearer by 0.74 at most, on whatever guitars they are."""

DEAD_DB = 40.0
"""So far below the other a source is dead: made as loud, it would bring crosstalk and the converter's noise."""

FOLLOWS_DB = 3.0
"""A source whose every band rises by less when the other begins to play hears nothing of it."""

_FEWEST_CELLS = 16
_SHRINK_TAKES = 1.0  # a spread seen in few takes is taken for less
_NEARBY = np.array([0.1, 0.2, 0.4, 0.2, 0.1])
_SILENT = 1e-16
NO_SOUND = 1e-14
"""-140 dBFS: what never comes above this in any window is silent; a constant voltage leaves -146 dBFS of rounding."""


def far_among(others: int) -> float:
    """From which distance to the nearest of so many others, at least one, on a take is on another guitar."""
    return FAR_OF_THREE if others == 2 else FAR * (1.0 + 1.0 / others)


def distance_db(one: Profile, other: Profile) -> float:
    """How far two takes lie apart; not-a-number where they have too little in common.

    The spread over the cells of the difference of their ratios: gains do not count, cells in which the sources hold
    the same count for more, and what their disagreement may explain is no distance.
    """
    left_db, weight = _left_db(one, _Stack.of([other]), np.ones((1, len(one.ratio_db))))
    return float(np.sqrt(np.average(left_db[0] ** 2, weights=weight[0]))) if weight.any() else math.nan


@dataclass(frozen=True, eq=False)
class _Stack:
    """Profiles of several takes, arrays of shape (takes, cells)."""

    ratio_db: Reals
    coherence: Reals
    doubt_db: Reals
    scatter: Reals  # squared
    blur: Reals  # squared

    @classmethod
    def of(cls, profiles: Sequence[Profile]) -> _Stack:
        return cls(
            np.array([one.ratio_db for one in profiles]),
            np.array([one.coherence for one in profiles]),
            np.array([one.doubt_db for one in profiles]),
            np.array([one.scatter_db**2 for one in profiles]),
            np.array([one.blur_db**2 for one in profiles]),
        )


def _left_db(one: Profile, others: _Stack, expected: Reals) -> tuple[Reals, Reals]:
    """Difference of the ratios of one take and each of some, a gain taken off, and the weight of each cell.

    `expected` is a variance; all of shape (takes, cells), the weights 0 for two takes with too little in common.
    """
    told = np.isfinite(others.ratio_db) & np.isfinite(one.ratio_db)
    weight = np.where(told, np.sqrt(one.coherence * others.coherence), 0.0)
    weight[np.count_nonzero(told, axis=1) < _FEWEST_CELLS] = 0.0
    difference_db = np.where(told, one.ratio_db - others.ratio_db, 0.0)
    sure = weight / expected
    gain_db = (sure * difference_db).sum(axis=1) / np.maximum(sure.sum(axis=1), _SILENT)
    left_db = np.abs(difference_db - gain_db[:, np.newaxis])
    return np.maximum(left_db - DISAGREEMENT * (one.doubt_db + others.doubt_db), 0.0), weight


def _apart(one: Profile, others: _Stack, expected: Reals) -> Reals:
    """Distance of one take to each of some in units of what is expected; infinite where it cannot be told."""
    left_db, weight = _left_db(one, others, expected)
    far = np.minimum(left_db / np.sqrt(expected), FARTHEST) ** POWER
    total = weight.sum(axis=1)
    mean = (weight * far).sum(axis=1) / np.maximum(total, _SILENT)
    return np.where(total > 0.0, mean ** (1.0 / POWER), np.inf)


@dataclass(frozen=True, eq=False)
class _Yardstick:
    """What the takes of a session let expect, variances of shape (cells,).

    Attributes
    ----------
    within : float64
        Of the ratio from stretch to stretch of a take, in the middle take.
    between : float64
        Of the ratio from take to take. By medians: a few strangers do not move it.
    rugged : float64
        Of the square, 0 to 1, by how much the ratio moves from cell to cell.
    """

    within: Reals
    between: Reals
    rugged: Reals

    @classmethod
    def of(cls, takes: _Stack) -> _Yardstick:
        heard = np.isfinite(takes.ratio_db).any(axis=0)
        ratio_db = np.where(heard, takes.ratio_db, 0.0)
        for _ in range(2):
            middle_db = np.nanmedian(ratio_db, axis=0)
            ratio_db = ratio_db - np.nanmedian(ratio_db - middle_db, axis=1)[:, np.newaxis]
        spread_db = 1.4826 * np.nanmedian(np.abs(ratio_db - np.nanmedian(ratio_db, axis=0)), axis=0)
        between = _smoothed(spread_db**2) * len(ratio_db) / (len(ratio_db) + _SHRINK_TAKES)
        within = _smoothed(np.median(takes.scatter, axis=0))
        steps = np.diff(np.nanmedian(ratio_db, axis=0))
        steps = np.where(np.isfinite(steps), steps**2, 0.0)
        moved = _smoothed(0.5 * (np.append(steps, 0.0) + np.append(0.0, steps)))
        return cls(within, np.maximum(between, OTHER_NOTES * within), np.minimum(moved / RUGGED_DB**2, 1.0))

    def expected(self, one: Profile, others: _Stack) -> Reals:
        """Variance to be expected between one take and each of some."""
        within = np.maximum(np.maximum(one.scatter_db**2, others.scatter), self.within)
        sparse = self.rugged * (one.blur_db**2 + others.blur)
        return np.asarray(BLUR_DB**2 + sparse + within + self.between, np.float64)


def _smoothed(values: Reals) -> Reals:
    """Each cell with its neighbours."""
    padded = np.pad(values, len(_NEARBY) // 2, mode="edge")
    return np.asarray(np.convolve(padded, _NEARBY, "valid"), np.float64)


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
    apart, crossed : float
        Distance to the nearest take in units of what the session lets expect (of three takes: see `FAR_OF_THREE`), as
        it is and with its sources exchanged.
    """

    nearest_db: float
    usual_db: float
    other_guitar: bool = False
    mirrored: bool = False
    sureness: float = 0.0
    fellows: int = 0
    apart: float = math.nan
    crossed: float = math.nan


def compare_takes(profiles: Sequence[Profile]) -> tuple[Likeness, ...]:
    """Which takes of a session are not like most of it.

    Takes belong together if they are near each other (`far_among`), or both near a third. A take is a stranger if more
    than half of the session, and two takes at least, belong together without it. If they are but two the bar is another
    (`FAR_OF_THREE`) and the verdict less sure.
    """
    known = [
        at for at, one in enumerate(profiles) if np.count_nonzero(np.isfinite(one.ratio_db)) >= _FEWEST_CELLS
    ]
    found = [Likeness(math.nan, math.nan)] * len(profiles)
    if len(known) < 2:
        return tuple(found)
    told = _compare([profiles[at] for at in known])
    for at, one in zip(known, told, strict=True):
        found[at] = one
    return tuple(found)


def _compare(takes: Sequence[Profile]) -> list[Likeness]:
    """The same for takes that all have a profile."""
    stack = _Stack.of(takes)
    yardstick = _Yardstick.of(stack)
    apart, crossed = (
        _all_apart(turned, takes, stack, yardstick) for turned in (takes, [one.mirrored for one in takes])
    )
    far = far_among(len(takes) - 1)
    few = len(takes) < FEWEST_TAKES
    far_turned = 0.5 * far if few else far
    groups = _groups(np.where((crossed <= TURNED * apart) & (apart >= far_turned), np.inf, apart), far)
    sizes = np.array([np.count_nonzero(groups == group) for group in groups])
    most = sizes >= len(takes) // 2 + 1
    among = most if most.any() else np.ones(len(takes), np.bool_)
    nearest = np.where(among, apart, np.inf).min(axis=1)
    at_nearest = np.where(among, apart, np.inf).argmin(axis=1)
    nearest_db = np.array(
        [distance_db(one, takes[at]) if np.isfinite(far) else math.nan
         for one, at, far in zip(takes, at_nearest, nearest, strict=True)]
    )  # fmt: skip
    ceiling = SURE_OF_THREE if few else 1.0
    found = []
    for at in range(len(takes)):
        others = among & (np.arange(len(takes)) != at) & np.isfinite(nearest)
        usual, usual_db = (
            float(np.median(each[others])) if others.any() else math.nan for each in (nearest, nearest_db)
        )
        likeness = Likeness(
            float(nearest_db[at]),
            usual_db,
            apart=float(nearest[at]),
            crossed=float(np.min(crossed[at, others], initial=np.inf)),
        )
        bound = max(far_turned if likeness.crossed <= TURNED * likeness.apart else far, CLEARLY * usual)
        if most.any() and not most[at] and math.isfinite(nearest[at]) and nearest[at] >= bound:
            mirrored = likeness.crossed <= MIRRORED * likeness.apart
            likeness = replace(
                likeness,
                other_guitar=not mirrored,
                mirrored=mirrored,
                sureness=round(min(ceiling, 0.5 * ceiling * likeness.apart / bound), 2),
                fellows=int(sizes[at]) - 1,
            )
        found.append(likeness)
    return found


def _all_apart(
    turned: Sequence[Profile], takes: Sequence[Profile], stack: _Stack, yardstick: _Yardstick
) -> Reals:
    """Distance of each take, as it is or with its sources exchanged, to each, shape (takes, takes); to itself infinite.

    In units of what is expected; of three takes see `FAR_OF_THREE`.
    """
    apart = np.array([_apart(one, stack, yardstick.expected(one, stack)) for one in turned])
    if len(takes) == 3:
        apart_db = np.array([[distance_db(one, other) for other in takes] for one in turned])
        apart = np.where(np.isfinite(apart), np.sqrt(apart * apart_db / FAR_DB), np.inf)
    np.fill_diagonal(apart, np.inf)
    return apart


def _groups(apart: Reals, far: float) -> NDArray[np.int64]:
    """Number of the group of each take: takes less than `far` apart are in one."""
    groups = np.arange(len(apart))
    for a, b in np.argwhere(apart < far):
        groups[groups == groups[b]] = groups[a]
    return groups


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
        silent = not (total[:, channel] > NO_SOUND).any()
        mine = 0.0 if silent else mine
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
