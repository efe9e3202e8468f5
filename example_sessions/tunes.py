"""What is played in the boathouse: six short pieces, invented for this session.

A bar is the left hand, then the right hand. Left hand: six frets, the lowest string first, `x` for a string left
alone. Right hand: the bar in equal steps, parted by spaces; strings are counted as players do, 6 the lowest.

    5        pluck string 5 where the left hand holds it
    1:3      pluck string 1 at fret 3
    5+1      both together
    5!  3?   louder; only brushed
    3:2h     hammered on by the left hand
    v4  ^3   strum down from string 4 to the highest; strum up from the highest to string 3
    .        nothing
"""

from __future__ import annotations

from dataclasses import dataclass

STANDARD = (40, 45, 50, 55, 59, 64)  # E A D G B E, MIDI note numbers (A4 = 69)
DROPPED = (38, 45, 50, 55, 59, 64)  # D A D G B E
SUSPENDED = (38, 45, 50, 55, 57, 62)  # D A D G A D

Bar = tuple[str, str]


@dataclass(frozen=True)
class Tune:
    """A piece and how it is to be played."""

    name: str
    tuning: tuple[int, ...]
    capo: int
    beats_per_bar: float
    beats_per_minute: float
    bars: tuple[Bar, ...]
    flat_pick: bool = False
    ring_s: float = 5.0  # how long the last chord is left alone, from the last note


SLIPWAY = Tune(
    name="01_slipway",
    tuning=STANDARD,
    capo=0,
    beats_per_bar=4,
    beats_per_minute=98,
    bars=(
        ("x 3 2 0 3 0", "5+1! . 4 2 5 3 4+2 1"),
        ("x 2 0 0 3 3", "5+1 3? 4 2 5 1 4+2 3"),
        ("x 0 2 0 1 0", "5+1 3 4 2 5 2:3 4+2:1 3"),
        ("1 x 3 2 1 0", "6+2 3 4 1 6 3 4+1:3 1:1"),
        ("0 3 2 0 1 0", "6+1:3! 3 4 2 5 1:3 4+1:0 2"),
        ("1 x 3 0 1 0", "6+2 3 4 2 6 3? 4+1 2"),
        ("3 x 0 0 1 3", "6+1 3 4 2 6 1:1 4+2:0 1:0"),
        ("x 3 2 0 1 0", "5+2:3 4 3 2:1 1 . . ."),
    ),
)

FIRST_LIGHT = Tune(
    name="02_first_light",
    tuning=STANDARD,
    capo=0,
    beats_per_bar=3,
    beats_per_minute=86,
    bars=(
        ("x 0 2 2 1 0", "5+1 4 3 2 3 1:3"),
        ("4 x 2 2 1 0", "6+1 4 3 2 3 1"),
        ("3 x 2 2 1 0", "6+1:3! 4 3 2 3 1:0"),
        ("2 x 0 2 3 2", "6+1 4 3 2 3 1:0"),
        ("1 x 3 2 1 0", "6+1:0 4 3 2 3 1:1"),
        ("0 3 2 0 1 0", "6+1:3 4 3 2 4 1:0"),
        ("0 2 0 2 0 0", "6+2:3 4 3 2 3:1 1"),
        ("x 0 2 2 1 0", "5 4 3 2 1 ."),
    ),
)

OARLOCK = Tune(
    name="03_oarlock",
    tuning=STANDARD,
    capo=2,
    beats_per_bar=3,
    beats_per_minute=104,
    bars=(
        ("x x 0 2 3 2", "4+1! 3 2 1:0 2 3"),
        ("x 4 2 2 2 0", "5+1 3 2 1:2 2 3"),
        ("x 2 0 2 0 2", "5+1 3 4 2 1:0 3"),
        ("3 x 0 0 0 2", "6+1 3 2 4 2 1:3"),
        ("2 0 0 2 3 2", "6+1:2! 3 2 1:3 2 1:2"),
        ("3 x 0 0 3 0", "6+1 4 3:0 3:2h 2 1"),
        ("x 0 2 0 3 0", "5+1 4 3 2 3 2:2"),
        ("x 0 0 2 3 2", "4+2 3 1:0 1:2h . ."),
    ),
)

LOW_BEAMS = Tune(
    name="04_low_beams",
    tuning=SUSPENDED,
    capo=0,
    beats_per_bar=4,
    beats_per_minute=80,
    bars=(
        ("0 0 0 2 0 0", "6+1! 5 4 3 2 1 1:2 3"),
        ("5 x 5 4 0 0", "6+1:4 4 3 2 1:2 3 2 1:0"),
        ("x 2 4 2 0 0", "5+1 4 3 1:2 4 3 2:2 1:0"),
        ("2 x 2 0 0 0", "6+1:2 4 3 2 1:0 3 2 2:2"),
        ("x 0 2 0 0 0", "5+1:2 4 3 1:0 4 3 2 1:2?"),
        ("0 0 0 2 0 0", "6 5 4 3 2 1:4 . ."),
    ),
    ring_s=5.5,
)

STILL_WATER = Tune(
    name="05_still_water",
    tuning=SUSPENDED,
    capo=3,
    beats_per_bar=4,
    beats_per_minute=122,
    bars=(
        ("0 0 0 2 0 0", "6+1! 3 2 5 3 2 4 1:2"),
        ("x 4 2 2 0 2", "5+1 3 2 4 3 1:0 4 2"),
        ("x 2 0 2 0 0", "5+1 3 2 4 3 2 4 1:2"),
        ("5 x 0 0 0 0", "6+1:4! 3 2 4 3 1:2 4 2"),
        ("4 x 0 2 0 0", "6+1 3 2 4 3 2 4 1:2"),
        ("5 x 5 4 0 0", "6+1:4 3 2 4 3 2 1:5 1:4"),
        ("x 0 2 2 0 0", "5+1:2 3 2 4 3 1 4 1:2"),
        ("0 0 0 2 0 0", "6 5 4 3 2 1:4 . ."),
    ),
)

CASTING_OFF = Tune(
    name="06_casting_off",
    tuning=DROPPED,
    capo=0,
    beats_per_bar=4,
    beats_per_minute=106,
    bars=(
        ("0 0 0 2 3 2", "6! . v3 ^3? 4 . v3 ^2"),
        ("5 x 0 0 3 3", "6 . v3 ^3? 4 . v3 ^2"),
        ("x 2 4 2 3 2", "5! . v3 ^2? 4 . v3 ^2"),
        ("x 0 2 2 3 0", "5 . v4 ^3? 5 4 v3 2:2"),
        ("2 x 2 0 3 0", "6! . v3 ^3? 4 . v3 ^2"),
        ("5 x 0 0 3 5", "6 . v3 ^2? 4 . v3 ^2"),
        ("x 0 2 0 3 0", "5 4 v3 ^2? 5 4 v3 3"),
        ("0 0 0 2 3 2", "v6! . . . . . . ."),
    ),
    flat_pick=True,
    ring_s=4.5,
)
