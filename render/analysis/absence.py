"""Stretches in which one source is gone while the other plays on: a battery that dies, a plug that slips out.

Read from third octaves over time (`bands`). Elsewhere in the take each band of a source stands in its usual ratio to
the other's, so what it should have is known for every moment; what is missing of that is no soft passage and no rest,
whatever hum or hiss is left. A voice near the microphone looks the same from there: it is told by how it falls, much
faster than strings, and by its spectrum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.bands import Bands
from render.analysis.noise import playing_windows
from render.audio.array import Reals, Samples32

Flags = NDArray[np.bool_]

LEAST_S = 3.0
"""From the first moment in which the source should be heard and is not to the last; a loose contact that comes back
sooner is a gap."""

LEAST_TOLD_S = 2.0
"""And so much of it must tell: the other source plays as loud as it plays."""

LEAST_ALIVE_S = 2.0
"""And of moments in which it is heard: one that never is is dead for the whole take."""

LACK_DB = 15.0
"""Missing in the median band of a moment. Bands of two live sources sway by 10 dB about their usual ratio."""

CLEAR_DB = 20.0
"""Missing in the middle of all moments of the stretch."""

STILL_DB = 4.0
NEXT_TO_NOTHING_DB = 40.0
"""What is left, if less than this is missing, must stay at its level: its bands spread by less, as hiss and hum do. An
input that was turned down, or a pickup that plays on under a voice near the microphone, comes and goes."""

AS_LOUD_DB = 6.0
"""The other source plays on, at most so much softer than where both are heard."""

FALLS_FASTER = 1.5
FALLS_DB = 1.0
"""A quarter of its falls from window to window are greater than those of the playing by this factor and this much: a
voice, which falls by 8 dB and more in a syllable, strings by 2."""

FALLS_MOST_DB = 5.0
"""Nor by more than this, however the playing falls: beside slaps and damped strings a voice cannot be told."""

MOST_EVEN = 0.6
"""The other source has lines of notes (`bands`, evenness): fans and rain near a microphone are no playing."""

UNLIKE_DB = 6.0
UNLIKE_AT_ONCE_DB = 9.0
"""A spectrum that lies so far from that of the playing (RMS over third octaves, level aside) is no guitar's: tunes of
one differ by 2 to 4 dB, a few notes from others by 6, voices by 6 to 10. The higher limit where the source goes, or
comes, amid the playing: a voice begins after a rest."""

AT_ONCE_WINDOWS = 3

OVER_FLOOR_DB = 18.0
"""A band tells where it should be so far above the least that the source ever has there: below, noise may cover it."""

OTHER_OVER_FLOOR_DB = 6.0
FEWEST_BANDS = 4
CRACKLE_WINDOWS = 3
"""A quarter of a second of crackle does not bring a source back."""

BACK_S = 1.0
"""It is there before, or again afterwards, if it is heard for so long."""

BAND_HZ = (80.0, 5000.0)
_TINY = 1e-17


@dataclass(frozen=True)
class Absence:
    """One source is gone for a while.

    Attributes
    ----------
    source : int
        0 or 1.
    from_s, to_s : float
        Good to a tenth of a second. 0 or the length of the take where it was not there before, or is not afterwards.
    goes, comes : bool
        Whether it was there before `from_s`, and whether it is there after `to_s`.
    below_db : float
        How much is missing, in the middle of the stretch.
    """

    source: int
    from_s: float
    to_s: float
    goes: bool
    comes: bool
    below_db: float


def find_absences(bands: Bands, *, duration_s: float) -> tuple[Absence, ...]:
    """Where either source is gone while the other plays on, in the order of time.

    Parameters
    ----------
    bands : Bands
        Of two sources.
    duration_s : float
        Of the take.
    """
    count = len(bands.total) - 1  # the last window may be filled up with silence
    if count * bands.hop_s < LEAST_S + LEAST_ALIVE_S:
        return ()
    some = (bands.centre_hz >= BAND_HZ[0]) & (bands.centre_hz <= BAND_HZ[1])
    power = bands.power[:count][..., some].astype(np.float64)
    total = bands.total[:count].astype(np.float64)
    found = [
        absence
        for source in range(2)
        for absence in _of_source(
            power,
            total,
            source,
            even=bands.evenness[:count, 1 - source],
            hop_s=bands.hop_s,
            duration_s=duration_s,
        )
    ]
    return tuple(sorted(found, key=lambda absence: absence.from_s))


def _of_source(
    power: Reals, total: Reals, source: int, *, even: Samples32, hop_s: float, duration_s: float
) -> list[Absence]:
    """Absences of one source; `even`: evenness of the other, window by window."""
    lack_db = _lack_db(power[:, source], power[:, 1 - source], playing_windows(total[:, 1 - source]))
    told = np.isfinite(lack_db)
    gone, heard = told & (lack_db >= LACK_DB), told & (lack_db < LACK_DB)
    heard = _lasting(heard, gone)
    gone = told & ~heard
    if np.count_nonzero(heard) * hop_s < LEAST_ALIVE_S:
        return []
    absences = []
    for first, last in _runs(gone, heard):
        here = np.zeros(len(told), np.bool_)
        here[first : last + 1] = gone[first : last + 1]
        below_db = float(np.median(lack_db[here])) if here.any() else 0.0
        unlike_db = UNLIKE_AT_ONCE_DB if _is_at_once(heard, first, last) else UNLIKE_DB
        if (
            (last + 1 - first) * hop_s < LEAST_S
            or np.count_nonzero(here) * hop_s < LEAST_TOLD_S
            or below_db < CLEAR_DB
            or float(np.median(even[here])) > MOST_EVEN
            or not _plays_on(power[:, 1 - source], total[:, 1 - source], here, heard, unlike_db=unlike_db)
            or (below_db < NEXT_TO_NOTHING_DB and _spread_db(power[here, source]) > STILL_DB)
        ):
            continue
        goes, comes = (
            bool(np.count_nonzero(of) * hop_s >= BACK_S) for of in (heard[:first], heard[last + 1 :])
        )
        absences.append(
            Absence(
                source,
                from_s=first * hop_s if goes else 0.0,
                to_s=min((last + 2) * hop_s, duration_s) if comes else duration_s,
                goes=goes,
                comes=comes,
                below_db=below_db,
            )
        )
    return absences


def _lack_db(own: Reals, other: Reals, playing: Flags) -> Reals:
    """What a source misses of what it should have, window by window; not-a-number where nothing can be told."""
    lack_db = np.full(len(own), np.nan)
    ratio_db = 10.0 * np.log10((own + _TINY) / (other + _TINY))
    other_floor = np.quantile(other, 0.05, axis=0)
    clear = playing[:, np.newaxis] & (other > 10.0 * other_floor)
    usual_db = np.full(own.shape[1], np.nan)
    for band in np.flatnonzero(np.count_nonzero(clear, axis=0) >= 10):
        ratios_db = ratio_db[clear[:, band], band]
        # of those in which it is there, though it be gone for most of the take
        usual_db[band] = np.median(ratios_db[ratios_db > np.quantile(ratios_db, 0.9) - CLEAR_DB])
    known = np.isfinite(usual_db)
    expected = other * 10.0 ** (np.where(known, usual_db, 0.0) / 10.0)
    told = known & (expected > 10.0 ** (OVER_FLOOR_DB / 10.0) * np.quantile(own, 0.02, axis=0))
    told &= playing[:, np.newaxis] & (other > 10.0 ** (OTHER_OVER_FLOOR_DB / 10.0) * other_floor)
    enough = np.count_nonzero(told, axis=1) >= FEWEST_BANDS
    if enough.any():
        missing_db = np.where(told, 10.0 * np.log10((expected + _TINY) / (own + _TINY)), np.nan)
        lack_db[enough] = np.nanmedian(missing_db[enough], axis=1)
    return lack_db


def _lasting(heard: Flags, gone: Flags) -> Flags:
    """Heard for longer than a crackle between two moments in which it is gone."""
    lasting = heard.copy()
    for first, last in _runs(heard, gone):
        between = gone[:first].any() and gone[last + 1 :].any()
        if between and np.count_nonzero(heard[first : last + 1]) <= CRACKLE_WINDOWS:
            lasting[first : last + 1] = False
    return lasting


def _runs(wanted: Flags, others: Flags) -> list[tuple[int, int]]:
    """First and last window of each run of what is wanted, broken by the others only."""
    runs: list[tuple[int, int]] = []
    since = -1
    for at in np.flatnonzero(wanted | others).tolist():
        if others[at]:
            since = -1
        elif since < 0:
            since = at
            runs.append((at, at))
        else:
            runs[-1] = since, at
    return runs


def _is_at_once(heard: Flags, first: int, last: int) -> bool:
    """Whether the other source plays over the edges of a run of windows."""
    before, after = heard[:first], heard[last + 1 :]
    return all(
        not of.any() or bool(near.any())
        for of, near in ((before, before[-AT_ONCE_WINDOWS:]), (after, after[:AT_ONCE_WINDOWS]))
    )


def _plays_on(power: Reals, total: Reals, here: Flags, heard: Flags, *, unlike_db: float) -> bool:
    """Whether a source has the guitar in some windows as in others: as loud, falling as slowly, of one spectrum."""
    with np.errstate(divide="ignore"):
        level_db = 10.0 * np.log10(total)
    if np.median(level_db[here]) < np.median(level_db[heard]) - AS_LOUD_DB:
        return False
    falls_db = _falls_db(power, here)
    if falls_db > min(FALLS_MOST_DB, FALLS_FASTER * _falls_db(power, heard) + FALLS_DB):
        return False
    apart_db = 10.0 * np.log10((power[here].mean(axis=0) + _TINY) / (power[heard].mean(axis=0) + _TINY))
    apart_db -= np.median(apart_db)
    return float(np.sqrt(np.mean(apart_db**2))) < unlike_db


def _falls_db(power: Reals, windows: Flags) -> float:
    """By how much bands fall to the next window, three quarters of the time at most."""
    level_db = 10.0 * np.log10(power + _TINY)
    falls_db = -np.diff(level_db, axis=0)[windows[:-1]]
    strong = level_db[:-1][windows[:-1]]
    strong = strong > strong.max(axis=0, initial=-200.0) - 25.0
    return float(np.quantile(falls_db[strong], 0.75)) if strong.any() else 0.0


def _spread_db(power: Reals) -> float:
    """How far the median band spreads about its middle, as a standard deviation, whatever happens for a moment."""
    level_db = 10.0 * np.log10(power + _TINY)
    off_db = np.abs(level_db - np.median(level_db, axis=0))
    return 1.4826 * float(np.median(np.median(off_db, axis=0)))
