"""Hum that is worth a notch, and the level of the side for a width: the rest of what a first recipe is advised by.

The microphone's low band is in `low_fit`, the pickup's edge in `edge`, its lowest note in `lowest_note`, alignment in
`meeting`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from render.analysis.balance import LINES_HZ
from render.analysis.guitar import Guitar, side_to_mid_db
from render.analysis.hum import Hum
from render.analysis.lowest_note import note_name
from render.analysis.moves import GAIN_DB, HUM_Q, MOST_HUM_LINES, NotchMove, Respond, median, rounded_db
from render.audio.array import Reals
from render.units import db_from_power

HUM_MATTERS_DB = -60.0
"""One line against the playing, behind the source's chain. Ten such lines add up to hum 50 dB below the playing, where
the line check begins to warn; music at 75 dB SPL puts one at 15 dB SPL: about what is just heard at 150 Hz, in silence.
"""

NEAR_NOTE = 0.025
"""A note that lies nearer, as a share of the frequency, asks for the narrower notch."""

HUM_IN_HALF = 0.5
"""A source gets notches if it is heard to hum in at least this share of its takes: they cost all takes a little of the
notes nearby."""


@dataclass(frozen=True)
class TakeHum:
    """Hum of one source in one take, and the level of its playing, RMS of the loud windows."""

    take: str
    hum: Hum
    playing_dbfs: float

    @property
    def below_db(self) -> float:
        """How far all of it lies below the playing; infinite without hum."""
        return self.playing_dbfs - self.hum.level_dbfs if self.hum.present else float(np.inf)


@dataclass(frozen=True)
class SourceHum:
    """What the takes of a session say of one source's hum.

    Attributes
    ----------
    takes : tuple of TakeHum
        Those in which it is heard; if it is so in none, those that hum at all.
    of : int
        All takes.
    heard : bool
        Whether it is heard in any.
    hum : Hum
        Of `takes` together: lines that at least half of them have, levels by the median.
    """

    takes: tuple[TakeHum, ...]
    of: int
    heard: bool
    hum: Hum

    @property
    def common(self) -> bool:
        """Whether it is heard in at least half of all takes, so that notches belong into the recipe."""
        return self.heard and len(self.takes) >= HUM_IN_HALF * self.of

    @property
    def playing_dbfs(self) -> float:
        """Level of the playing: the median of `takes`; minus infinity without hum."""
        return median([take.playing_dbfs for take in self.takes]) if self.takes else float(-np.inf)


@dataclass(frozen=True)
class HumNotch:
    """One notch: the multiple of the mains, its level, and the nearest note with what it loses, 0 if never played."""

    notch: NotchMove
    multiple: int
    level_dbfs: float
    against_source_db: float
    note: str
    note_hz: float
    note_loss_db: float


@dataclass(frozen=True)
class SideLevel:
    """Gain of the side source for a width.

    Attributes
    ----------
    gain_db : float
    side_to_mid_db : float
        With it: the median of the takes.
    least_db, most_db : float
        Among the takes.
    limited : bool
        Whether the gain would have to go past its bounds.
    """

    gain_db: float
    side_to_mid_db: float
    least_db: float
    most_db: float
    limited: bool


def find_hum(takes: Sequence[TakeHum], *, heard_db: float) -> SourceHum:
    """One source's hum over a session.

    Parameters
    ----------
    takes : sequence of TakeHum
    heard_db : float
        Hum that lies this far below the playing, or farther, is not heard.

    Returns
    -------
    SourceHum
    """
    humming = [take for take in takes if take.hum.present and take.hum.frequency_hz is not None]
    heard = [take for take in humming if take.below_db < heard_db]
    chosen = tuple(heard or humming)
    return SourceHum(chosen, len(takes), bool(heard), _together([take.hum for take in chosen]))


def _together(heard: Sequence[Hum]) -> Hum:
    """Lines that at least half of some takes have, levels by the median."""
    if not heard:
        return Hum(present=False)
    multiples = sorted({line.multiple for take in heard for line in take.lines})
    frequency_hz = median([take.frequency_hz for take in heard if take.frequency_hz is not None])
    lines = []
    for multiple in multiples:
        found = [line for take in heard for line in take.lines if line.multiple == multiple]
        if 2 * len(found) >= len(heard):
            level_dbfs = median([line.level_dbfs for line in found])
            lines.append(type(found[0])(multiple, multiple * frequency_hz, level_dbfs))
    level = db_from_power(sum(10.0 ** (line.level_dbfs / 10.0) for line in lines))
    return Hum(True, heard[0].mains_hz, frequency_hz, level, tuple(lines))


def find_hum_notches(
    hum: Hum, *, playing_dbfs: float, lowest_note_hz: float, chain: Reals, respond: Respond
) -> tuple[HumNotch, ...]:
    """Notches for the lines of hum that would be heard.

    Parameters
    ----------
    hum : Hum
        Of one source.
    playing_dbfs : float
        Level of its playing, RMS.
    lowest_note_hz : float
        What is below takes no note with it.
    chain : float64, shape (lines,)
        Power response of the source's chain: a line that the high-pass takes needs no notch.
    respond : callable

    Returns
    -------
    tuple of HumNotch
        The loudest four at most, from the lowest upwards.
    """
    if not hum.present:
        return ()
    found = []
    for line in hum.lines:
        response_db = db_from_power(float(np.interp(line.frequency_hz, LINES_HZ, chain)))
        against_db = line.level_dbfs + response_db - playing_dbfs
        if against_db >= HUM_MATTERS_DB:
            found.append((against_db, line))
    found.sort(key=lambda pair: -pair[0])
    notches = []
    for against_db, line in sorted(found[:MOST_HUM_LINES], key=lambda pair: pair[1].frequency_hz):
        note_hz = nearest_note_hz(line.frequency_hz)
        played = note_hz > 0.97 * lowest_note_hz
        near = played and abs(note_hz / line.frequency_hz - 1.0) < NEAR_NOTE
        # a notch of Q rings Q / (pi f): at 50 Hz 60 would ring longer than a stage may
        q = min(HUM_Q[1], round(1.1 * line.frequency_hz)) if near else HUM_Q[0]
        notch = NotchMove(round(line.frequency_hz, 1), q)
        loss_db = -db_from_power(float(respond(notch, np.array([note_hz]))[0])) if played else 0.0
        found_note = note_name(note_hz)
        notches.append(
            HumNotch(notch, line.multiple, line.level_dbfs, against_db, found_note, note_hz, loss_db)
        )
    return tuple(notches)


def nearest_note_hz(frequency_hz: float) -> float:
    """Frequency of the nearest note of equal temperament, A4 = 440 Hz."""
    return float(440.0 * 2.0 ** (round(12.0 * np.log2(frequency_hz / 440.0)) / 12.0))


def find_side_level(
    guitar: Guitar, *, width_db: float, mid: Reals, side: Reals, mid_source: int = 0
) -> SideLevel:
    """Gain of the side source that makes side against mid what is asked, in the mix before the room.

    Parameters
    ----------
    guitar : Guitar
    width_db : float
        Side against mid, power, of the median take.
    mid, side : float64, shape (lines,)
        Power responses of all that is done to each, the gain asked for left out.
    mid_source : int
        Which source stands in the middle: 0 the pickup, 1 the microphone.

    Returns
    -------
    SideLevel
        The gain is in steps of half a decibel, -24 to 12 dB.
    """
    before = side_to_mid_db(guitar, mid=mid, side=side, mid_source=mid_source)
    exact_db = width_db - median(before)
    gain_db = min(max(rounded_db(exact_db), GAIN_DB[0]), GAIN_DB[1])
    return SideLevel(
        gain_db=gain_db,
        side_to_mid_db=median(before) + gain_db,
        least_db=min(before) + gain_db,
        most_db=max(before) + gain_db,
        limited=abs(exact_db - gain_db) > 0.5,
    )
