"""Tests of what is said beside a value."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from render.analysis.advice import HumNotch, SideLevel, TakeHum, find_hum
from render.analysis.boom import Resonance
from render.analysis.guitar import THIRDS_HZ
from render.analysis.hum import Hum, HumLine
from render.analysis.low_fit import LowBand, low_thirds
from render.analysis.meeting import Meeting
from render.analysis.moves import HighPassMove, NotchMove, PeakMove
from render.engine.respond import power_response
from render.workflows.suggest import words
from render.workflows.suggest.report import low_lines

SIDE = SideLevel(-6.5, -8.1, -8.3, -7.9, False)
LATER = Meeting(0.6, 0.02, "keep", True, 0.59, 0.61, 3)


def test_side_gain_says_where_the_side_ends_up() -> None:
    """Under or over the mid; the spread of the takes if there is one; when it did not go far enough."""
    assert words.side_gain(SIDE, -8.0) == "side 8.1 dB under mid, before the room"
    assert "-9.5 to -7.0" in words.side_gain(replace(SIDE, least_db=-9.5, most_db=-7.0), -8.0)
    assert "over mid" in words.side_gain(replace(SIDE, side_to_mid_db=0.2), 0.0)
    assert "gains anew" in words.side_gain(replace(SIDE, limited=True), -8.0)


@pytest.mark.parametrize(
    ("delay_ms", "mover", "said"),
    [
        (0.6, "mic", "mic is 0.60 ms later, 21 cm of air"),
        (-0.6, "mic", "mic is 0.60 ms earlier"),
        (0.6, "pickup", "waits: mic is 0.60 ms later"),
        (0.0, "mic", "at the same time"),
        ("auto", "mic", "differs by take, 0.59 to 0.61 ms"),
    ],
)
def test_delay_says_how_far(delay_ms: float, mover: str, said: str) -> None:
    """In milliseconds and in air."""
    assert said in words.delay(replace(LATER, delay_ms=delay_ms), microphone="mic", mover=mover)


def test_high_pass_says_which_note_it_leaves() -> None:
    """The lowest that was played, or low E where none stood out."""
    assert words.pickup_high_pass(82.4, before_db=None) == "half an octave under the lowest note E2, 82.4 Hz"
    assert "it lost 2.5 dB before" in words.pickup_high_pass(82.4, before_db=2.5)
    assert "low E" in words.pickup_high_pass(None, before_db=None)


def _low(*after_db: float, cuts: int = 0) -> LowBand:
    """A low band, 80 to 315 Hz, that ends so far over the pickup's."""
    after = np.full(len(THIRDS_HZ), np.nan)
    after[low_thirds()] = after_db
    some = tuple(PeakMove(100.0, -6.0, 2.0) for _ in range(cuts))
    return LowBand(HighPassMove(60.0, 12), some, (None,) * cuts, None, 8.8, 0.4, THIRDS_HZ, after, after)


def test_what_stays_too_strong_is_named() -> None:
    """Third octaves by the names on a scale, strongest first; 3.0 dB is what was aimed at."""
    assert words.still_over(_low(0.0, 3.04, 1.0, -2.0, 0.0, 0.0, 2.9)) == ""
    assert (
        words.still_over(_low(0.0, 3.1, 1.0, -2.0, 4.0, 0.0, 2.9))
        == "4.0 dB around 200 Hz, 3.1 dB around 100 Hz"
    )
    assert words.still_over(_low(*[np.nan] * 7)) == ""


@pytest.mark.parametrize(
    ("at_100_hz_db", "low_after_db", "said", "elsewhere"),
    [(2.9, 0.4, False, False), (3.1, 0.4, True, False), (6.5, 0.4, True, True), (3.1, 3.2, True, True)],
)
def test_another_place_for_the_microphone_only_where_it_is_far_off(
    at_100_hz_db: float, low_after_db: float, said: bool, elsewhere: bool
) -> None:
    """A shade over what was aimed at is a matter of one cut by hand."""
    low = replace(_low(0.0, at_100_hz_db, 0.0, 0.0, 0.0, 0.0, 0.0), low_after_db=low_after_db)
    text = "\n".join(low_lines(low, ("pickup", "mic")))

    assert (f"{at_100_hz_db} dB around 100 Hz" in text) == said
    assert ("another place for the microphone" in text) == elsewhere
    assert ("by hand" in text) == (said and not elsewhere)


def test_a_high_pass_that_has_no_boom_to_take_off_says_what_it_is_for() -> None:
    """Short enough to stand beside its line."""
    base = HighPassMove(60.0, 12)
    said = [words.microphone_high_pass(_low(*[0.0] * 7, cuts=cuts), base=base) for cuts in (0, 2)]

    assert said == [
        "floor thuds and rumble; no boom to take off",
        "floor thuds and rumble; the cuts do the rest",
    ]
    assert max(map(len, said)) <= 48


def test_a_cut_says_how_wide_the_body_is_where_its_q_says_it() -> None:
    """A cut of all it stands out by, of q 3 at 101 Hz, is 34 Hz wide at half its decibels."""
    resonance = Resonance(101.0, 20.0, 3.0 * 10.0**0.5)
    cut = PeakMove(101.0, -20.0, 3.0)
    at = np.array([101.0 * (np.sqrt(1.0 + 1.0 / 36.0) + sign / 6.0) for sign in (-1.0, 1.0)])

    assert (
        words.resonance_cut(_low(*[0.0] * 7), cut, resonance)
        == "body at 101 Hz: 20.0 dB up, 34 Hz wide halfway"
    )
    np.testing.assert_allclose(10.0 * np.log10(power_response(cut, at)), -10.0, atol=0.01)


def _hum(take: str, level_dbfs: float) -> TakeHum:
    return TakeHum(take, Hum(True, 50.0, 50.0, level_dbfs, (HumLine(1, 50.0, level_dbfs),)), -25.0)


NONE = TakeHum("quiet", Hum(present=False), -25.0)
NOTCH = HumNotch(NotchMove(50.0, 30.0), 1, -60.0, -35.0, "G1", 49.0, 0.0)


@pytest.mark.parametrize(
    ("takes", "notches", "said"),
    [
        ([NONE], (), ""),
        (
            [_hum("a", -60.0)],
            (NOTCH,),
            "hum of 50 Hz in the take, -60 dBFS, 35 dB below the playing: notches",
        ),
        (
            [_hum("a", -80.0)] * 2,
            (),
            "in all 2 takes, -80 dBFS, 55 dB below the playing: too soft to be heard, no notch",
        ),
        ([_hum("a", -60.0)], (), "the chain takes it off, no notch needed"),
        (
            [_hum("a", -60.0), _hum("b", -48.0), *[NONE] * 3],
            (NOTCH,),
            "in 2 of 5 takes (a, b), -60 to -48 dBFS, 35 to 23 dB below the playing: not in most takes, so no notch",
        ),
        ([*[_hum("a", -60.0)] * 6, *[NONE] * 20], (NOTCH,), "in 6 of 26 takes (a, a, a, a and 2 more), "),
    ],
)
def test_hum_says_where_it_is_and_what_is_done(
    takes: list[TakeHum], notches: tuple[HumNotch, ...], said: str
) -> None:
    """Whether it gets notches or not."""
    text = words.hum_found(find_hum(takes, heard_db=50.0), notches)

    assert said in text
    assert bool(said) == bool(text)


def test_no_minus_zero() -> None:
    """Levels have their sign, nothing has none."""
    assert [words.level(db) for db in (1.23, -8.0, -0.01, 0.0)] == ["+1.2", "-8.0", "0.0", "0.0"]
    assert words.over(-2.04) == "2.0 dB under"
