"""Advice for messages."""

from __future__ import annotations

import math

import pytest

from render.recipe.chain import STAGES
from render.recipe.hints import (
    OTHER_WORDS_FOR_TABLES,
    TABLES,
    nearest,
    refused_value,
    unknown_key,
    unknown_stage,
    unknown_table,
)
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
    ("name", "reason"),
    [
        ("reverb", "unknown table; the room's table is [room]"),
        ("Room", "unknown table; the room's table is [room]"),
        ("finnish", "unknown table; the table for the finished file is [finish]"),
        ("source", "unknown table; a source's table is [sources.NAME]"),
        ("mic", "unknown table; a source's table is [sources.NAME]"),
        ("width", "unknown table; the table for left and right together is [stereo]"),
        ("zzzzz", "unknown table"),
    ],
)
def test_an_unknown_table_is_told_with_the_one_that_is_meant(name: str, reason: str) -> None:
    """By its look or by another word of the trade; and with all tables that there are."""
    fix = "the tables are [sources.NAME], [stereo], [room] and [finish]"
    assert unknown_table(name) == (reason, fix)


def test_the_tables_told_are_those_of_a_recipe() -> None:
    """All that hold keys."""
    assert list(TABLES) == [name for name in Recipe.model_fields if name not in ("title", "notes")]
    assert set(OTHER_WORDS_FOR_TABLES.values()) <= set(TABLES)


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
        (Finish, "bit_depth", 20, "the nearest is bit_depth = 16"),
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


@pytest.mark.parametrize(
    ("name", "value", "fix"),
    [
        ("loudness_lufs", 16, "did you mean -16? loudness is below 0 (-5 would be painfully loud)"),
        ("loudness_lufs", 14.5, "did you mean -14.5? loudness is below 0 (-5 would be painfully loud)"),
        ("loudness_lufs", 3, "lower it to -5 LUFS or less"),
        ("max_true_peak_dbtp", 1, "did you mean -1?"),
        ("max_true_peak_dbtp", 1.0, "did you mean -1?"),
        ("max_true_peak_dbtp", 21, "lower it to 0 dBTP or less"),
        ("max_true_peak_dbtp", "1 dB", "write a number without quotes; did you mean -1?"),
    ],
)
def test_a_number_without_its_sign_is_told_with_it(name: str, value: object, fix: str) -> None:
    """Where all that is allowed lies below zero."""
    assert refused_value(Finish, name, value)[1] == fix


@pytest.mark.parametrize(
    ("model", "name", "value", "fix"),
    [
        (Finish, "sample_rate_hz", 44.1, "in Hz, not kHz: sample_rate_hz = 44100"),
        (Finish, "sample_rate_hz", 48, "in Hz, not kHz: sample_rate_hz = 48000"),
        (Finish, "sample_rate_hz", 48.0, "in Hz, not kHz: sample_rate_hz = 48000"),
        (Finish, "sample_rate_hz", 11.025, "in Hz, not kHz: sample_rate_hz = 11025"),
        (Finish, "sample_rate_hz", 176.4, "in Hz, not kHz: sample_rate_hz = 176400"),
        (Finish, "sample_rate_hz", 47, "the nearest is sample_rate_hz = 8000"),
        (Finish, "sample_rate_hz", -48, "the nearest is sample_rate_hz = 8000"),
        (Finish, "sample_rate_hz", 10**400, "the nearest is sample_rate_hz = 384000"),
        (
            Finish,
            "sample_rate_hz",
            "44.1",
            "write a number without quotes; in Hz, not kHz: sample_rate_hz = 44100",
        ),
        (Finish, "sample_rate_hz", "44,1 kHz", "write it without quotes: sample_rate_hz = 44100"),
        (Finish, "sample_rate_hz", "47 kHz", "write a number without quotes"),
        (
            STAGES["peaking"],
            "centre_hz",
            2.4,
            "in Hz, not kHz: centre_hz = 2400; or raise it to 10 Hz or more",
        ),
        (STAGES["low-pass"], "cutoff_hz", "12k", "write it without quotes: cutoff_hz = 12000"),
        (STAGES["low-pass"], "cutoff_hz", 50_000, "lower it to 40000 Hz or less"),
        (Room, "low_pass_hz", 9, "in Hz, not kHz: low_pass_hz = 9000; or raise it to 500 Hz or more"),
        (
            Stereo,
            "side_high_pass_hz",
            0.12,
            "in Hz, not kHz: side_high_pass_hz = 120; or raise it to 10 Hz or more, or write 0 for none",
        ),
        (Stereo, "side_high_pass_hz", 1e-300, "raise it to 10 Hz or more, or write 0 for none"),
    ],
)
def test_a_frequency_in_khz_is_told_in_hz(model: type[Model], name: str, value: object, fix: str) -> None:
    """Only where it is refused as it stands; a low one may be meant so, too."""
    assert refused_value(model, name, value)[1] == fix


@pytest.mark.parametrize(
    ("model", "name", "value", "fix"),
    [
        (STAGES["impulse-response"], "wet_fraction", 50, "50 % is 0.5"),
        (STAGES["impulse-response"], "wet_fraction", 7.0, "7 % is 0.07"),
        (STAGES["impulse-response"], "wet_fraction", 100, "100 % is 1"),
        (STAGES["impulse-response"], "wet_fraction", 101, "lower it to 1 or less"),
        (STAGES["impulse-response"], "wet_fraction", -50, "raise it to 0 or more"),
        (STAGES["impulse-response"], "wet_fraction", "50 %", "write it without quotes: wet_fraction = 0.5"),
        (STAGES["impulse-response"], "wet_fraction", "1%", "write it without quotes: wet_fraction = 0.01"),
        (STAGES["impulse-response"], "wet_fraction", "50", "write a number without quotes; 50 % is 0.5"),
        (Room, "shared_fraction", 20, "20 % is 0.2"),
    ],
)
def test_a_fraction_in_percent_is_told_as_a_fraction(
    model: type[Model], name: str, value: object, fix: str
) -> None:
    """Of anything up to the whole."""
    assert refused_value(model, name, value)[1] == fix


@pytest.mark.parametrize(
    ("model", "name", "value", "fix"),
    [
        (Source, "place", "left", "-100 is left, 100 is right"),
        (Source, "place", "Right", "-100 is left, 100 is right"),
        (Source, "place", "centre", 'write place = "mid"'),
        (Source, "place", " center", 'write place = "mid"'),
        (Finish, "level_by", "album", 'write level_by = "session": one gain for all'),
        (Finish, "bit_depth", 32, '32 bits is "float": write bit_depth = "float"'),
        (Finish, "bit_depth", 32.0, '32 bits is "float": write bit_depth = "float"'),
        (Finish, "bit_depth", "32", '32 bits is "float": write bit_depth = "float"'),
    ],
)
def test_other_words_for_a_value_are_told_with_ours(
    model: type[Model], name: str, value: object, fix: str
) -> None:
    """Not with the one that has the most letters in common."""
    assert refused_value(model, name, value)[1] == fix


def test_a_very_long_word_is_near_to_none() -> None:
    """Comparing it would take long."""
    assert nearest("gain_db" * 1000, ["gain_db"]) is None
