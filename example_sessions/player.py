"""The player: from the notation of tunes.py to plucks, each with its instant, finger, force and end.

Nothing is on the grid. Phrases breathe, the last bars slow down, the thumb is a little early and the tune a little
late, accents follow the bar and the phrase, and a string that is played again is touched first.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np

from example_sessions.tunes import Tune

_NOTE = re.compile(r"^(?P<string>[1-6])(?::(?P<fret>\d+))?(?P<mark>[!?h]*)$")
_STRUM = re.compile(r"^(?P<way>[v^])(?P<string>[1-6])(?P<mark>[!?]*)$")
_FIRST_NOTE_S = 1.2  # room tone before


@dataclass(frozen=True)
class Pluck:
    """One string set going."""

    start_s: float
    string: int  # 0 the lowest
    fret: int  # above the nut, capo included
    force: float
    corner_hz: float  # how hard and narrow the finger is
    from_saddle_mm: float
    angle_deg: float  # 0: down towards the top, 90: along it, 180: away from it
    noise_gain: float  # of the nail or pick on the string, against the force
    end_s: float = math.inf
    end_decay_s: float = 0.16


@dataclass(frozen=True)
class Touch:
    """What the notation asks for at one step."""

    string: int
    fret: int | None
    accent_db: float
    hammered: bool
    order: int  # within a strum, 0 first
    strummed: bool


def parse_step(step: str) -> list[Touch]:
    """Read one step of a bar; an empty list is a rest."""
    if step == ".":
        return []
    accents = {"!": 2.6, "?": -6.5, "h": 0.0}
    strum = _STRUM.match(step)
    if strum:
        last = 6 - int(strum["string"])
        strings = range(last, 6) if strum["way"] == "v" else range(5, last - 1, -1)
        accent_db = sum(accents[mark] for mark in strum["mark"]) - (0.0 if strum["way"] == "v" else 2.5)
        return [Touch(string, None, accent_db, False, order, True) for order, string in enumerate(strings)]
    touches = []
    for part in step.split("+"):
        note = _NOTE.match(part)
        if note is None:
            raise ValueError(f"step {step!r} cannot be read: see the top of tunes.py")
        touches.append(
            Touch(
                6 - int(note["string"]),
                None if note["fret"] is None else int(note["fret"]),
                sum(accents[mark] for mark in note["mark"]),
                "h" in note["mark"],
                0,
                False,
            )
        )
    return touches


def parse_hold(hold: str) -> list[int | None]:
    """Read the left hand of a bar: six frets, None where a string is left alone."""
    frets = [None if fret == "x" else int(fret) for fret in hold.split()]
    if len(frets) != 6:
        raise ValueError(f"left hand {hold!r} must hold six strings")
    return frets


def step_instants(tune: Tune) -> list[list[float]]:
    """Instant of every step of every bar, in seconds: a phrase leans forward and back, the end slows down."""
    instants, now_s = [], _FIRST_NOTE_S
    count = len(tune.bars)
    for bar, (_, right) in enumerate(tune.bars):
        steps = len(right.split())
        step_s = 60.0 / tune.beats_per_minute * tune.beats_per_bar / steps
        row = []
        for step in range(steps):
            row.append(now_s)
            phrase = (bar + step / steps) / 4.0 % 1.0
            pace = 1.0 + 0.018 * math.sin(2.0 * math.pi * (phrase - 0.1))
            to_end = count - 1 - bar - step / steps
            if to_end < 1.2:
                pace *= 1.0 - 0.26 * min(1.0, (1.2 - to_end) / 1.6) ** 1.3
            now_s += step_s / pace
        instants.append(row)
    return instants


def _force_db(touch: Touch, tune: Tune, bar: int, step: int, steps: int, *, highest: bool) -> float:
    """How hard: the bar's accents, the phrase's arc, the tune above its accompaniment."""
    place = step / steps * tune.beats_per_bar
    level_db = 1.4 if step == 0 else (0.4 if abs(place - round(place)) < 1e-6 else -0.8)
    level_db += 1.6 * math.sin(math.pi * (bar + step / steps) / len(tune.bars)) - 0.8
    if touch.string >= 4 and highest:
        level_db += 1.2
    elif touch.string in {2, 3}:
        level_db -= 2.2
    if touch.strummed:
        level_db -= 3.0 + 0.5 * abs(touch.order - 1)
    if bar == len(tune.bars) - 1:
        level_db -= 1.5
    if touch.hammered:
        level_db -= 5.0
    return level_db + touch.accent_db


def _finger(
    touch: Touch, tune: Tune, *, start_s: float, fret: int, level_db: float, random: np.random.Generator
) -> Pluck:
    """The pluck that a finger, the thumb or a pick makes of it."""
    thumb = touch.string <= 2 and not tune.flat_pick
    if tune.flat_pick:
        corner_hz, place_mm, angle_deg, noise_gain = 10500.0, 128.0, 52.0, 0.05
    elif thumb:
        corner_hz, place_mm, angle_deg, noise_gain = 4800.0, 148.0, 38.0, 0.012
    else:
        corner_hz, place_mm, angle_deg, noise_gain = 7200.0, 124.0, 228.0, 0.03
    if touch.hammered:
        corner_hz, place_mm, angle_deg, noise_gain = 3000.0, 205.0, 10.0, 0.0
    level_db += float(random.normal(0.0, 0.7))
    return Pluck(
        start_s=start_s,
        string=touch.string,
        fret=fret,
        force=10.0 ** (level_db / 20.0),
        corner_hz=corner_hz * 10.0 ** (level_db / 28.0),  # harder is brighter
        from_saddle_mm=place_mm + float(np.clip(random.normal(0.0, 5.0), -12.0, 12.0)),
        angle_deg=angle_deg + float(np.clip(random.normal(0.0, 6.0), -15.0, 15.0)),
        noise_gain=noise_gain * float(random.uniform(0.6, 1.4)),
    )


def _delay_s(touch: Touch, tune: Tune, *, alone: bool, random: np.random.Generator) -> float:
    """How far from the grid, in seconds."""
    delay_s = float(np.clip(random.normal(0.0, 0.0035), -0.009, 0.009))
    if touch.strummed:
        return delay_s * 0.3 + touch.order * float(random.uniform(0.009, 0.012))
    if not alone and not tune.flat_pick:
        delay_s += -0.007 if touch.string <= 2 else 0.006
    return delay_s


def _planted_s(touch: Touch, tune: Tune, random: np.random.Generator) -> float:
    """How long before the pluck the string is touched, in seconds: a hammering finger and a pick are quick."""
    if touch.hammered:
        return 0.004
    return 0.010 if tune.flat_pick else float(random.uniform(0.022, 0.036))


def play(tune: Tune, random: np.random.Generator) -> list[Pluck]:
    """Play a piece.

    Parameters
    ----------
    tune : Tune
        What is played.
    random : numpy.random.Generator
        The hand of this day: every draw comes from it.

    Returns
    -------
    list of Pluck
        In the order of their instants; each knows when and how its string is stopped.
    """
    plucks: list[Pluck] = []
    latest: dict[int, int] = {}  # string -> index of the pluck it owes its motion to

    def stop(string: int, end_s: float, decay_s: float) -> None:
        if string in latest:
            old = plucks[latest[string]]
            end_s = max(min(end_s, old.end_s), old.start_s + 0.02)
            plucks[latest[string]] = replace(old, end_s=end_s, end_decay_s=min(decay_s, old.end_decay_s))

    for bar, (row, (left, right)) in enumerate(zip(step_instants(tune), tune.bars, strict=True)):
        hold = parse_hold(left)
        for string, held in enumerate(hold):  # the left hand moves on
            old = plucks[latest[string]].fret - tune.capo if string in latest else None
            if old is not None and old != held and not (old == 0 and held is None):
                stop(string, row[0] - float(random.uniform(0.020, 0.045)), 0.020)
        steps = right.split()
        for step, (text, instant_s) in enumerate(zip(steps, row, strict=True)):
            touches = [t for t in parse_step(text) if not (t.strummed and hold[t.string] is None)]
            top = max((t.string for t in touches), default=0)
            for touch in touches:
                start_s = instant_s + _delay_s(touch, tune, alone=len(touches) == 1, random=random)
                fret = touch.fret if touch.fret is not None else hold[touch.string]
                if fret is None:
                    raise ValueError(
                        f"{tune.name}: bar {bar + 1} plays a string that the left hand leaves alone"
                    )
                level_db = _force_db(touch, tune, bar, step, len(steps), highest=touch.string == top)
                stop(
                    touch.string,
                    start_s - _planted_s(touch, tune, random),
                    0.004 if touch.hammered else 0.010,
                )
                latest[touch.string] = len(plucks)
                plucks.append(
                    _finger(
                        touch, tune, start_s=start_s, fret=fret + tune.capo, level_db=level_db, random=random
                    )
                )
    last_s = max(pluck.start_s for pluck in plucks) + tune.ring_s
    for string in sorted(latest):
        stop(string, last_s + float(random.uniform(0.0, 0.08)), 0.16)
    return sorted(plucks, key=lambda pluck: pluck.start_s)


def length_s(plucks: list[Pluck]) -> float:
    """How long the recorder runs: until the strings are still, and a second of the room after."""
    return max(pluck.end_s + 6.0 * pluck.end_decay_s for pluck in plucks) + 1.0
