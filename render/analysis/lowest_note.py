"""The lowest note that was played: what a high-pass has to leave alone.

Read from the fine part of the long-term spectrum: notes are narrow lines with multiples, both sources have them; steps,
thumps and rumble are broad, and hum lies at the mains frequency.
"""

from __future__ import annotations

import math

import numpy as np

from render.analysis.balance import FINE_HZ, FINE_TOP_HZ, LINES_HZ
from render.analysis.guitar import Guitar
from render.analysis.moves import PICKUP_HIGH_PASS_HZ
from render.audio.array import Reals

SEARCH_HZ = (42.0, 250.0)
"""Half an octave above the bounds of the high-pass at the lower end; at the upper a player with a high capo."""

LINE_STANDS_OUT_DB = 10.0
"""Against the median of the third of an octave to both sides."""

DEEPEST_DB = 40.0
"""A note played once in a take of two hundred lies 23 dB below the loudest one played all the time; softer, 40."""

MULTIPLE_STANDS_OUT_DB = 6.0
BROADEST_HZ = 5.0
"""Half-power width: a two-second Hann window makes a steady line 1.4 Hz wide, vibrato and decay widen it."""

MAINS_HZ = (50.0, 60.0)
MAINS_HALF_HZ = 0.8

STANDARD_LOWEST_HZ = 440.0 * 2.0 ** (-29.0 / 12.0)
"""Low E, where nothing else is known."""

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def find_lowest_note_hz(guitar: Guitar) -> float | None:
    """Frequency of the lowest note that stands out in both sources' common sound; None if none does."""
    fine = LINES_HZ < FINE_TOP_HZ
    level_db = 10.0 * np.log10(np.maximum(guitar.shared[0][fine], 1e-30))
    above_db = level_db - _beside_db(level_db)
    low_hz, high_hz = SEARCH_HZ
    searched = (LINES_HZ[fine] >= low_hz) & (LINES_HZ[fine] <= high_hz)
    loudest_db = float(level_db.max())
    for line in np.flatnonzero(searched):
        if above_db[line] < LINE_STANDS_OUT_DB or level_db[line] < loudest_db - DEEPEST_DB:
            continue
        if level_db[line] < level_db[line - 3 : line + 4].max() or _broad(level_db, int(line)):
            continue
        frequency_hz = _between_lines(level_db, int(line))
        if any(abs(frequency_hz - mains_hz) < MAINS_HALF_HZ for mains_hz in MAINS_HZ):
            continue
        if any(_has_line(above_db, multiple * frequency_hz) for multiple in (2, 3)):
            return frequency_hz
    return None


def high_pass_below_hz(note_hz: float) -> float:
    """Half an octave below a note, whole hertz, within the bounds of the pickup's high-pass."""
    low_hz, high_hz = PICKUP_HIGH_PASS_HZ
    return float(round(min(max(note_hz / math.sqrt(2.0), low_hz), high_hz)))


def note_name(frequency_hz: float) -> str:
    """Name of the nearest note, A4 = 440 Hz: `E2`, `C#3`."""
    number = round(12.0 * math.log2(frequency_hz / 440.0)) + 69
    return f"{NAMES[number % 12]}{number // 12 - 1}"


def _beside_db(level_db: Reals) -> Reals:
    """Median level of a third of an octave to both sides of every line."""
    hz = LINES_HZ[: len(level_db)]
    first = np.searchsorted(hz, hz / 2.0 ** (1.0 / 3.0))
    last = np.searchsorted(hz, hz * 2.0 ** (1.0 / 3.0))
    return np.array([np.median(level_db[low:high]) for low, high in zip(first, last, strict=True)])


def _broad(level_db: Reals, line: int) -> bool:
    half = int(0.5 * BROADEST_HZ / FINE_HZ)
    sides = level_db[max(line - half, 0)], level_db[min(line + half, len(level_db) - 1)]
    return bool(max(sides) > level_db[line] - 3.0)


def _between_lines(level_db: Reals, line: int) -> float:
    """Top of a parabola through three lines."""
    low, top, high = level_db[line - 1 : line + 2]
    bend = low - 2.0 * top + high
    shift = 0.5 * (low - high) / bend if bend < 0.0 else 0.0
    return float(LINES_HZ[line] + shift * FINE_HZ)


def _has_line(above_db: Reals, frequency_hz: float) -> bool:
    """Whether a line stands out near a frequency: within 1.5 percent, strings are stiff."""
    low, high = np.searchsorted(LINES_HZ[: len(above_db)], [frequency_hz * 0.99, frequency_hz * 1.015])
    return bool(np.max(above_db[low:high], initial=-np.inf) >= MULTIPLE_STANDS_OUT_DB)
