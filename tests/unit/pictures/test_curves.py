"""What a picture shows, as numbers: against the analogue circuits and the recipe's own words."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from render.engine.compile import compile_recipe, compile_stage
from render.pictures.curves import (
    Arrival,
    arrival_bands,
    arrivals,
    picture_frequencies_hz,
    room_curves,
    source_curves,
    stereo_curves,
)
from render.recipe.models import Recipe, Room, Source, Stereo
from render.stages.prototype import Prototype, analogue_response
from tests.helpers.sound_files import write_sound

RATE_HZ = 48_000
PICKUP = {"channel": 1, "place": "mid"}
MIC = {"channel": 2, "place": "side", "gain_db": -6.0}
CHAIN = (
    {"stage": "high-pass", "cutoff_hz": 60.0, "slope_db_per_octave": 24},
    {"stage": "peaking", "centre_hz": 2400.0, "gain_db": -3.0, "q": 1.2},
    {"stage": "low-shelf", "corner_hz": 300.0, "gain_db": 4.0},
    {"stage": "high-shelf", "corner_hz": 7000.0, "gain_db": -2.0},
    {"stage": "notch", "centre_hz": 196.0, "q": 8.0},
    {"stage": "low-pass", "cutoff_hz": 12_000.0, "slope_db_per_octave": 6},
)


def recipe_of(**tables: Any) -> Recipe:
    """A recipe of two sources, and what is given."""
    return Recipe.model_validate({"sources": {"pickup": PICKUP, "mic": MIC}} | tables)


def analogue_delay_ms(prototype: Prototype, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Group delay of a circuit from its roots: each pole adds Re(1 / (s - pole)), each zero takes it off."""
    s = 2j * np.pi * frequency_hz
    delay_s = sum((1.0 / (s - pole)).real for pole in prototype.poles) - sum(
        (1.0 / (s - zero)).real for zero in prototype.zeros
    )
    return np.asarray(1000.0 * delay_s)


@pytest.mark.parametrize("sample_rate_hz", [44_100, 96_000])
def test_stages_are_their_circuits(sample_rate_hz: int) -> None:
    """Level within 0.02 dB, group delay within 0.1 ms or 2 %, of the analogue prototype."""
    source = Source.model_validate({**PICKUP, "chain": CHAIN})
    frequency_hz = np.geomspace(20.0, 19_000.0, 150)
    curves = source_curves("pickup", source, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz)
    assert len(curves.stages) == len(CHAIN)
    assert not curves.smoothed
    total = np.zeros(len(frequency_hz))
    for stage, curve in zip(source.chain, curves.stages, strict=True):
        prototype = compile_stage(stage, sample_rate_hz=sample_rate_hz)
        assert isinstance(prototype, Prototype)
        level_db = 20.0 * np.log10(np.abs(analogue_response(prototype, frequency_hz)))
        assert_allclose(curve.level_db, level_db, atol=0.02)
        assert_allclose(curve.group_delay_ms, analogue_delay_ms(prototype, frequency_hz), rtol=0.02, atol=0.1)
        total += level_db
    assert_allclose(curves.total.level_db, total, atol=0.02)


def test_total_holds_gain_and_delay() -> None:
    """6 dB louder, 0.3 ms earlier; the words say so."""
    source = Source.model_validate({**PICKUP, "gain_db": 6.0, "delay_ms": -0.3, "polarity": "flip"})
    curves = source_curves("pickup", source, sample_rate_hz=RATE_HZ, frequency_hz=np.geomspace(20, 20_000, 9))
    assert curves.stages == ()
    assert_allclose(curves.total.level_db, 6.0, atol=1e-3)
    assert_allclose(curves.total.group_delay_ms, -0.3, atol=1e-6)
    assert curves.total.words == "gain and delay"
    assert curves.facts == "channel 1 · mid · gain 6 dB · polarity flipped · 0.3 ms earlier"


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "nothing is done to it"),
        ({"gain_db": 1.0}, "gain"),
        ({"chain": CHAIN[:1]}, "all together"),
        ({"chain": CHAIN[:1], "gain_db": 1.0}, "all together, with gain"),
        ({"chain": CHAIN[:1], "gain_db": 1.0, "delay_ms": 1.0}, "all together, with gain and delay"),
    ],
)
def test_total_says_what_it_holds(values: dict[str, Any], words: str) -> None:
    """Stages, gain, delay."""
    source = Source.model_validate({**PICKUP, **values})
    curves = source_curves("pickup", source, sample_rate_hz=RATE_HZ, frequency_hz=np.array([100.0]))
    assert curves.total.words == words


def test_impulse_response_is_averaged(tmp_path: Path) -> None:
    """A file of an echo: its ripples above a few kHz, finer than a twelfth of an octave, are level."""
    echo = np.zeros((400, 1))
    echo[0], echo[300] = 1.0, 0.5
    path = write_sound(tmp_path / "echo.wav", echo, subtype="FLOAT")
    source = Source.model_validate(
        {**PICKUP, "chain": ({"stage": "impulse-response", "file": path}, {"stage": "gain", "gain_db": -3.0})}
    )
    frequency_hz = np.geomspace(5000.0, 15_000.0, 50)
    curves = source_curves("pickup", source, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz)
    assert curves.smoothed
    assert np.ptp(curves.stages[0].level_db) < 1.0
    assert np.ptp(curves.total.level_db) < 1.0
    assert_allclose(curves.stages[1].level_db, -3.0, atol=1e-6)


def test_stages_are_marked_as_messages_count_them() -> None:
    """`chain[0]` is the first; the total has no mark."""
    source = recipe_of(sources={"pickup": {**PICKUP, "chain": CHAIN}, "mic": MIC}).sources["pickup"]
    curves = source_curves("pickup", source, sample_rate_hz=RATE_HZ, frequency_hz=np.array([100.0]))
    assert [curve.mark for curve in curves.stages] == [f"[{index}]" for index in range(len(CHAIN))]
    assert curves.total.mark == ""


def test_frequencies_hold_what_stages_name() -> None:
    """Rising from 20 Hz to 20 kHz, or 0.45 of the rate; a notch is met at its deepest."""
    recipe = recipe_of(sources={"pickup": {**PICKUP, "chain": CHAIN}, "mic": MIC})
    for rate_hz, highest_hz in ((RATE_HZ, 20_000.0), (22_050, 9922.5)):
        frequency_hz = picture_frequencies_hz(recipe, sample_rate_hz=rate_hz)
        assert np.all(np.diff(frequency_hz) > 0.0)
        assert (frequency_hz[0], frequency_hz[-1]) == pytest.approx((20.0, highest_hz))
        assert {60.0, 2400.0, 300.0, 196.0} <= set(frequency_hz)


def test_stereo_that_does_nothing_has_no_curves() -> None:
    """Nothing to draw."""
    assert stereo_curves(Stereo(), sample_rate_hz=RATE_HZ, frequency_hz=np.array([100.0])) is None


def test_stereo_treats_mid_and_side() -> None:
    """The chain is for both; gain and high-pass of the side are not mid's."""
    stereo = Stereo.model_validate({"side_gain_db": 2.0, "side_high_pass_hz": 100.0, "chain": CHAIN[1:2]})
    frequency_hz = np.array([100.0, 2400.0, 10_000.0])
    curves = stereo_curves(stereo, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz)
    assert curves is not None
    assert [curve.words for curve in curves.stages] == [
        "side only: high-pass 100 Hz, 12 dB/oct",
        "side only: gain 2 dB",
        "peaking 2400 Hz, \N{MINUS SIGN}3 dB, q 1.2",
    ]
    assert [curve.mark for curve in curves.stages] == ["a", "b", "[0]"]
    mid, side = curves.totals
    assert (mid.words, side.words) == ("mid", "side")
    assert_allclose(mid.level_db[:2], [0.0, -3.0], atol=0.02)
    assert_allclose((side.level_db - mid.level_db)[:2], [2.0 - 3.01, 2.0], atol=0.02)


def test_stereo_alike_for_both_is_one_curve() -> None:
    """A chain alone: mid and side in one."""
    stereo = Stereo.model_validate({"chain": CHAIN[1:2]})
    curves = stereo_curves(stereo, sample_rate_hz=RATE_HZ, frequency_hz=np.array([100.0, 2400.0]))
    assert curves is not None
    assert [curve.words for curve in curves.totals] == ["mid and side"]


def test_side_that_is_off_has_no_curve() -> None:
    """Only mid is left, and what was to be done to the side is not told."""
    stereo = Stereo.model_validate({"side_gain_db": "off", "side_high_pass_hz": 100.0})
    curves = stereo_curves(stereo, sample_rate_hz=RATE_HZ, frequency_hz=np.array([100.0]))
    assert curves is not None
    assert curves.stages == ()
    assert [curve.words for curve in curves.totals] == ["mid"]


def test_two_channel_file_shows_both(tmp_path: Path) -> None:
    """Left and right by themselves: the right one 6.02 dB below."""
    path = write_sound(tmp_path / "two.wav", np.array([[0.8, 0.4]]), subtype="FLOAT")
    stereo = Stereo.model_validate({"chain": ({"stage": "impulse-response", "file": path},)})
    curves = stereo_curves(stereo, sample_rate_hz=RATE_HZ, frequency_hz=np.array([200.0, 2000.0]))
    assert curves is not None
    assert [curve.words for curve in curves.stages] == [
        "impulse-response two.wav, left",
        "impulse-response two.wav, right",
    ]
    assert [curve.mark for curve in curves.stages] == ["[0]L", "[0]R"]
    assert [curve.words for curve in curves.totals] == [
        "mid, left and side, left",
        "mid, right and side, right",
    ]
    assert_allclose(curves.totals[0].level_db - curves.totals[1].level_db, 20.0 * math.log10(2.0), atol=0.01)


def _arrived(recipe: Recipe, frequency_hz: NDArray[np.float64]) -> tuple[Arrival, ...]:
    return arrivals(recipe, compile_recipe(recipe, sample_rate_hz=RATE_HZ), frequency_hz=frequency_hz)


def test_mid_and_side_arrive() -> None:
    """Mid is the same everywhere; side is left and right, 6 dB down as asked, and gone in mono."""
    pickup, mic = _arrived(recipe_of(), np.geomspace(20.0, 20_000.0, 20))
    assert [line.words for line in pickup.lines] == ["left, right and mono"]
    assert pickup.absent == ()
    assert_allclose(pickup.lines[0].level_db, 0.0, atol=1e-3)
    assert [line.words for line in mic.lines] == ["left and right"]
    assert mic.absent == ("mono",)
    assert_allclose(mic.lines[0].level_db, -6.0, atol=1e-3)


def test_hard_left_arrives_left() -> None:
    """3.01 dB up on the left, nothing right, 3.01 dB down in mono, which is of minor interest."""
    recipe = recipe_of(sources={"pickup": {"channel": 1, "place": -100.0}, "mic": MIC})
    pickup, _ = _arrived(recipe, np.array([100.0, 1000.0]))
    assert [(line.words, line.faint) for line in pickup.lines] == [("left", False), ("mono", True)]
    assert pickup.absent == ("right",)
    assert_allclose(pickup.lines[0].level_db, 3.01, atol=0.01)
    assert_allclose(pickup.lines[1].level_db, -3.01, atol=0.01)


def test_side_that_is_off_does_not_arrive() -> None:
    """Nothing at all of a side source."""
    _, mic = _arrived(recipe_of(stereo={"side_gain_db": "off"}), np.array([100.0, 1000.0]))
    assert mic.lines == ()
    assert mic.absent == ("left", "right", "mono")


def test_bands_of_the_arrival(tmp_path: Path) -> None:
    """Third octaves with a room, twelfths with an impulse response, else the frequencies themselves."""
    path = write_sound(tmp_path / "ir.wav", np.ones((1, 1)), subtype="FLOAT")
    with_file = recipe_of(stereo={"chain": ({"stage": "impulse-response", "file": path},)})
    assert arrival_bands(recipe_of()) is None
    assert arrival_bands(with_file) == 12.0
    assert arrival_bands(recipe_of(room={})) == 3.0


def test_room_adds_to_what_arrives() -> None:
    """A loud room, as loud as the direct sound: 3 dB more at 1 kHz, and left and right still one line."""
    room = {"level_db": 0.0, "decay_1khz_s": 0.5}
    pickup, mic = _arrived(recipe_of(room=room), np.geomspace(700.0, 1400.0, 20))
    assert np.mean(pickup.lines[0].level_db) == pytest.approx(3.0, abs=1.0)
    assert mic.absent == ()


def test_room_is_drawn_as_asked_and_as_computed() -> None:
    """Seven octaves; T30 within a tenth of the law, level of the middle octave as asked."""
    room = Room(
        level_db=-12.0, decay_1khz_s=0.6, decay_125hz_ratio=1.2, decay_8khz_ratio=0.6, high_pass_hz=50.0
    )
    curves = room_curves(room, sample_rate_hz=RATE_HZ)
    assert [round(octave.centre_hz) for octave in curves.octaves] == [126, 251, 501, 1000, 1995, 3981, 7943]
    law_s = np.interp([octave.centre_hz for octave in curves.octaves], curves.law_hz, curves.law_s)
    assert law_s[0] == pytest.approx(0.72, rel=0.01)
    assert law_s[3] == pytest.approx(0.6, rel=0.01)
    assert law_s[-1] == pytest.approx(0.36, rel=0.01)
    assert_allclose([octave.t30_s for octave in curves.octaves], law_s, rtol=0.12)
    assert curves.octaves[3].curve_db[0] == pytest.approx(-12.0, abs=1.0)


def test_room_at_a_low_rate_ends_below_half_of_it() -> None:
    """At 11025 Hz no octave above 2 kHz."""
    room = Room(decay_1khz_s=0.2, low_pass_hz=4000.0)
    centres_hz = [octave.centre_hz for octave in room_curves(room, sample_rate_hz=11_025).octaves]
    assert round(centres_hz[-1]) == 1995
