"""What a key may hold, read back from the models."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from render.recipe.chain import STAGES
from render.recipe.models import Finish, Recipe, Room, Source, Stereo
from render.recipe.values import Model, allowed_values, either, example_value, plain

TABLES: tuple[type[Model], ...] = (Source, Stereo, Room, Finish, *STAGES.values())


@pytest.mark.parametrize(
    ("model", "name", "text"),
    [
        (Source, "channel", "a whole number from 1 to 64"),
        (Source, "place", '-100 to 100, or "mid" or "side"'),
        (Source, "polarity", '"keep", "flip" or "auto"'),
        (Source, "chain", "a list of at most 64 stages"),
        (Stereo, "side_high_pass_hz", "0 (none), or 10 to 2000 Hz"),
        (Stereo, "side_gain_db", '-60 to 24 dB, or "off"'),
        (Room, "decay_1khz_s", "0.1 to 20 s"),
        (Room, "decay_8khz_ratio", "0.1 to 3"),
        (Room, "pre_delay_ms", "0 to 500 ms"),
        (Room, "seed", "a whole number from 0 to 4294967295"),
        (Finish, "loudness_lufs", '-40 to -5 LUFS, or "keep"'),
        (Finish, "max_true_peak_dbtp", "-20 to 0 dBTP"),
        (Finish, "bit_depth", '16 or 24, or "float"'),
        (STAGES["high-pass"], "cutoff_hz", "10 to 40000 Hz"),
        (STAGES["high-pass"], "slope_db_per_octave", "6, 12, 18 or 24 dB per octave"),
        (STAGES["impulse-response"], "file", "the name of a sound file in quotes"),
        (Recipe, "title", "text in quotes, at most 200 characters, no control characters"),
    ],
)
def test_ranges_are_told_with_their_unit(model: type[Model], name: str, text: str) -> None:
    """The unit is the key's ending."""
    assert allowed_values(model, name).text == text


@pytest.mark.parametrize("model", TABLES, ids=lambda model: model.__name__)
def test_every_key_has_a_range_and_a_description(model: type[Model]) -> None:
    """And an example to show, which lies within the range."""
    for name, info in model.model_fields.items():
        allowed = allowed_values(model, name)
        assert allowed.text
        if name == "stage":
            continue
        assert info.description
        assert len(info.description) < 100
        value = example_value(model, name)
        if isinstance(value, int | float):
            assert allowed.takes(value), name


@pytest.mark.parametrize("model", [Stereo, Room, Finish], ids=lambda model: model.__name__)
def test_defaults_are_what_validation_would_make_of_them(model: type[Model]) -> None:
    """Of the same type too: a whole number for a float would count as another value in the hash."""
    defaults = model()
    given = model(**{name: getattr(defaults, name) for name in model.model_fields})
    assert given == defaults
    for name in model.model_fields:
        assert type(getattr(given, name)) is type(getattr(defaults, name)), name


@pytest.mark.parametrize(
    ("name", "value", "taken"),
    [
        ("channel", 1, True),
        ("channel", 65, False),
        ("channel", 1.0, False),
        ("delay_ms", -1000, True),
        ("delay_ms", -1000.5, False),
        ("polarity", 1, False),
    ],
)
def test_numbers_are_judged_as_the_model_does(name: str, value: float, taken: bool) -> None:
    """The same answer from the range read back and from validation."""
    assert allowed_values(Source, name).takes(value) is taken
    values = {"channel": 1, name: value}
    if taken:
        assert getattr(Source.model_validate(values), name) == value
    else:
        with pytest.raises(ValidationError, match=name):
            Source.model_validate(values)


def test_choices_are_whole_numbers() -> None:
    """Although 48000.0 == 48000."""
    assert allowed_values(Finish, "sample_rate_hz").takes(48_000)
    assert not allowed_values(Finish, "sample_rate_hz").takes(48_000.0)
    assert not allowed_values(Finish, "sample_rate_hz").takes(48_001)
    assert not allowed_values(Stereo, "side_high_pass_hz").takes(5.0)
    assert allowed_values(Stereo, "side_high_pass_hz").takes(0)


def test_numbers_and_alternatives_are_written_plainly() -> None:
    """As a person would."""
    assert [plain(0.707), plain(24.0), plain(-5)] == ["0.707", "24", "-5"]
    assert [either(["a"]), either(["a", "b"]), either(["a", "b", "c"])] == ["a", "a or b", "a, b or c"]
