"""A recipe's numbers in words."""

# ruff: noqa: RUF001 - a real minus sign is what is asked for

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import pytest

from render.pictures.words import (
    finish_words,
    fixed,
    frequency_words,
    number,
    octave_words,
    rate_words,
    real_minus,
    room_words,
    source_words,
    stage_words,
)
from render.recipe.chain import STAGES, AnyStage
from render.recipe.models import Finish, Room, Source

STAGE_WORDS: list[tuple[dict[str, Any], str]] = [
    ({"stage": "gain", "gain_db": -3.0}, "gain −3 dB"),
    ({"stage": "high-pass", "cutoff_hz": 60, "slope_db_per_octave": 12}, "high-pass 60 Hz, 12 dB/oct"),
    ({"stage": "low-pass", "cutoff_hz": 12_500, "slope_db_per_octave": 6}, "low-pass 12500 Hz, 6 dB/oct"),
    ({"stage": "peaking", "centre_hz": 2400, "gain_db": -3.5, "q": 1.2}, "peaking 2400 Hz, −3.5 dB, q 1.2"),
    ({"stage": "low-shelf", "corner_hz": 300, "gain_db": 2.0}, "low-shelf 300 Hz, 2 dB, q 0.707"),
    ({"stage": "high-shelf", "corner_hz": 7000, "gain_db": -2.0}, "high-shelf 7000 Hz, −2 dB, q 0.707"),
    ({"stage": "notch", "centre_hz": 196.5, "q": 12}, "notch 196.5 Hz, q 12"),
    ({"stage": "all-pass", "centre_hz": 400, "q": 0.7}, "all-pass 400 Hz, q 0.7"),
    ({"stage": "delay", "delay_ms": 0.25}, "delay 0.25 ms"),
    ({"stage": "impulse-response", "file": "a/saddle.wav"}, "impulse-response saddle.wav"),
    (
        {"stage": "impulse-response", "file": Path("saddle.wav"), "wet_fraction": 0.4},
        "impulse-response saddle.wav, wet 0.4",
    ),
]


@pytest.mark.parametrize(("values", "words"), STAGE_WORDS, ids=[words for _, words in STAGE_WORDS])
def test_stage_in_words(values: dict[str, Any], words: str) -> None:
    """Its name in the recipe, and its numbers with their units."""
    assert stage_words(STAGES[values["stage"]].model_validate(values)) == words  # type: ignore[arg-type]


def test_every_kind_of_stage_has_words() -> None:
    """The list above holds every stage that a chain may hold."""
    assert {values["stage"] for values, _ in STAGE_WORDS} == set(STAGES)
    assert len(STAGES) == len(get_args(AnyStage))


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-0.0, "0"),
        (-0.5, "−0.5"),
        (48_000, "48000"),
        (0.707, "0.707"),
        (1e6, "1000000"),
        (-60, "−60"),
    ],
)
def test_numbers_are_short(value: float, text: str) -> None:
    """No needless zeros, no exponents, a real minus sign."""
    assert number(value) == text


def test_frequencies_and_rates() -> None:
    """As musicians write them."""
    assert [frequency_words(hz) for hz in (50.0, 500.0, 1000.0, 2500.0, 10_000.0)] == [
        "50",
        "500",
        "1k",
        "2.5k",
        "10k",
    ]
    assert [rate_words(hz) for hz in (44_100, 48_000)] == ["44.1 kHz", "48 kHz"]
    assert [octave_words(hz) for hz in (125.89, 501.2, 1000.0, 7943.3)] == [
        "125 Hz",
        "500 Hz",
        "1 kHz",
        "8 kHz",
    ]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"channel": 1}, "channel 1 · mid · gain 0 dB"),
        ({"channel": 2, "place": "side", "gain_db": -6.0}, "channel 2 · side · gain −6 dB"),
        (
            {"channel": 1, "place": -40.0, "polarity": "flip"},
            "channel 1 · 40 left · gain 0 dB · polarity flipped",
        ),
        (
            {"channel": 2, "delay_ms": "auto", "polarity": "auto"},
            "channel 2 · mid · gain 0 dB · delay and polarity measured in every take",
        ),
        ({"channel": 2, "delay_ms": "auto"}, "channel 2 · mid · gain 0 dB · delay measured in every take"),
        ({"channel": 2, "polarity": "auto"}, "channel 2 · mid · gain 0 dB · polarity measured in every take"),
        ({"channel": 1, "place": 100.0, "delay_ms": 0.3}, "channel 1 · 100 right · gain 0 dB · 0.3 ms later"),
        ({"channel": 1, "place": 0.0, "delay_ms": -0.3}, "channel 1 · mid · gain 0 dB · 0.3 ms earlier"),
    ],
)
def test_source_in_words(values: dict[str, Any], words: str) -> None:
    """Channel, place and gain always; polarity and delay where they are changed."""
    assert source_words(Source.model_validate(values)) == words


def test_room_in_words() -> None:
    """What the curves do not show; the size only where it is changed."""
    assert room_words(Room(level_db=-12.0)) == (
        "level −12 dB · begins after 18 ms · 120 to 9000 Hz · shared fraction 0"
    )
    assert "size 0.6 · " in room_words(Room(delay_scale=0.6))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "−16 LUFS by take · peaks to −1 dBTP · limits by 3 dB at most · wav 24 bit"),
        (
            {"loudness_lufs": "keep", "format": "flac", "bit_depth": 16},
            "loudness kept · peaks to −1 dBTP · limits by 3 dB at most · flac 16 bit",
        ),
        (
            {"level_by": "session", "bit_depth": "float", "sample_rate_hz": 44_100},
            "−16 LUFS by session · peaks to −1 dBTP · limits by 3 dB at most · wav float, 44100 Hz",
        ),
        ({"format": "mp3"}, "−16 LUFS by take · peaks to −1 dBTP · limits by 3 dB at most · mp3"),
    ],
)
def test_finish_in_words(values: dict[str, Any], words: str) -> None:
    """Loudness, peaks, limiter, form of the file, in one line."""
    assert finish_words(Finish.model_validate(values)) == words


def test_figures_of_tables_keep_their_decimals() -> None:
    """Zeros too; no minus before a zero, a plus if asked for."""
    assert fixed(-9.0, 1) == "\N{MINUS SIGN}9.0"
    assert fixed(-0.04, 1) == "0.0"
    assert fixed(0.5, 3, signed=True) == "+0.500"


def test_hyphens_before_numbers_become_minus_signs() -> None:
    """Not those within names and ranges."""
    told = "take-07, mic-2: -29.1 dBFS (-3 of 10-20), --from 0:12"
    minus = "\N{MINUS SIGN}"
    assert real_minus(told) == f"take-07, mic-2: {minus}29.1 dBFS ({minus}3 of 10-20), --from 0:12"
