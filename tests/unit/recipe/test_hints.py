"""Advice for messages."""

from __future__ import annotations

import math

import pytest

from render.recipe.chain import STAGES
from render.recipe.hints import nearest, refused_value, unknown_key, unknown_stage
from render.recipe.models import Finish, Recipe, Room, Source, Stereo
from render.recipe.values import Model


@pytest.mark.parametrize(
    ("model", "name", "reason"),
    [
        (STAGES["impulse-response"], "wet_fracton", 'unknown key; did you mean "wet_fraction"?'),
        (STAGES["high-pass"], "slope", 'unknown key; did you mean "slope_db_per_octave"?'),
        (STAGES["high-pass"], "frequency_hz", 'unknown key; did you mean "cutoff_hz"?'),
        (Recipe, "extend", 'unknown key; did you mean "extends"?'),
        (Recipe, "source", 'unknown key; did you mean "sources"?'),
        (Recipe, "loudness_lufs", 'unknown key; "loudness_lufs" belongs to [finish]'),
        (Finish, "title", 'unknown key; "title" belongs to the top of the file, before the first [table]'),
        (
            Room,
            "cutoff_hz",
            'unknown key; "cutoff_hz" belongs to the stage "high-pass" or the stage "low-pass"',
        ),
        (Room, "loudness", 'unknown key; did you mean "loudness_lufs"? That belongs to [finish]'),
        (
            Stereo,
            "gain_db",
            (
                'unknown key; did you mean "side_gain_db"? "gain_db" belongs to '
                '[sources.NAME], the stage "gain" or the stage "peaking"'
            ),
        ),
        (Recipe, "zzzzz", "unknown key"),
        (Recipe, "x" * 1000, "unknown key"),
    ],
)
def test_an_unknown_key_is_told_with_the_nearest_and_with_where_it_belongs(
    model: type[Model], name: str, reason: str
) -> None:
    """And with all that are known there."""
    assert unknown_key(model, name)[0] == reason
    assert unknown_key(model, name)[1].startswith("known here: ")


@pytest.mark.parametrize(
    ("stage", "near"),
    [
        ("hi-pass", "high-pass"),
        ("High_Pass", "high-pass"),
        ("low cut", "high-pass"),
        ("bell", "peaking"),
        ("ir", "impulse-response"),
        ("impulse", "impulse-response"),
        ("allpass", "all-pass"),
    ],
)
def test_an_unknown_stage_is_told_with_the_nearest(stage: str, near: str) -> None:
    """Other words of the trade included."""
    reason, fix = unknown_stage(stage)
    assert reason == f'unknown stage; did you mean "{near}"?'
    assert fix.startswith("the stages are gain, high-pass, low-pass, peaking")


def test_a_stage_that_is_like_none_is_told_with_all() -> None:
    """Likewise one that is no text."""
    assert unknown_stage("chorus")[0] == "unknown stage"
    assert unknown_stage(3)[0] == 'a stage is named by text in quotes, such as "high-pass"'


@pytest.mark.parametrize(
    ("model", "name", "value", "fix"),
    [
        (Source, "gain_db", "-3.0", "write it without quotes: gain_db = -3.0"),
        (Source, "gain_db", " 2,5 ", "write it without quotes: gain_db = 2.5"),
        (
            Source,
            "gain_db",
            "+6 dB",
            "write it without quotes and without the unit, which the key has: gain_db = 6",
        ),
        (Source, "gain_db", "99", "write a number without quotes"),
        (Source, "gain_db", "loud", "write gain_db = 0"),
        (Source, "gain_db", "1" * 70, "write gain_db = 0"),
        (Source, "gain_db", True, "write gain_db = 0"),
        (Source, "gain_db", [3], "write gain_db = 0"),
        (Source, "gain_db", math.nan, "write gain_db = 0"),
        (Source, "gain_db", math.inf, "write gain_db = 0"),
        (Source, "gain_db", 25, "lower it to 24 dB or less"),
        (Source, "gain_db", -61.0, "raise it to -60 dB or more"),
        (Source, "gain_db", 10**400, "lower it to 24 dB or less"),
        (Source, "channel", 1.0, "write it without a point: channel = 1"),
        (Source, "channel", 1.5, "write channel = 1"),
        (Source, "channel", "2", "write it without quotes: channel = 2"),
        (Source, "place", "Mid", 'write place = "mid"'),
        (Source, "place", 120, "lower it to 100 or less"),
        (Source, "polarity", "inverted", 'write polarity = "keep"'),
        (Source, "polarity", 1, 'write polarity = "keep"'),
        (Stereo, "side_high_pass_hz", 5, "raise it to 10 Hz or more, or write 0 for none"),
        (Stereo, "side_high_pass_hz", -5, "raise it to 0 Hz or more"),
        (Finish, "sample_rate_hz", 44_000, "the nearest is sample_rate_hz = 44100"),
        (Finish, "sample_rate_hz", 44_100.0, "write it without a point: sample_rate_hz = 44100"),
        (
            Finish,
            "sample_rate_hz",
            "48000 Hz",
            "write it without quotes and without the unit, which the key has: sample_rate_hz = 48000",
        ),
        (Finish, "bit_depth", 32, "the nearest is bit_depth = 24"),
        (Finish, "format", "WAV", 'write format = "wav"'),
        (STAGES["high-pass"], "cutoff_hz", None, "write cutoff_hz = 80"),
        (STAGES["impulse-response"], "file", 3, 'write file = "saddle.wav"'),
    ],
)
def test_a_refused_value_is_told_with_how_to_mend_it(
    model: type[Model], name: str, value: object, fix: str
) -> None:
    """By what it seems to mean."""
    reason, told = refused_value(model, name, value)
    assert reason.startswith("must be ")
    assert told == fix


def test_a_very_long_word_is_near_to_none() -> None:
    """Comparing it would take long."""
    assert nearest("gain_db" * 1000, ["gain_db"]) is None
