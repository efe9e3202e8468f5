"""Keys and values as TOML."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import pytest

from render.recipe.toml_text import key_text, printable, shown_value, toml_key, toml_value


@pytest.mark.parametrize(
    "value",
    [
        True,
        False,
        0,
        -(2**63),
        0.1,
        -0.0,
        1e-7,
        1e22,
        float("inf"),
        "",
        'quote " and back\\slash',
        "tab\tline\nreturn\rbell\x07delete\x7fescape\x1b[31m",
        "ünïcode \u202e \U0001f3b8",
        [],
        [1, [2.5, "x"]],
        {},
        {"a b": {"c": 1}},
        dt.date(2024, 2, 29),
        dt.datetime(2024, 2, 29, 7, 32, 1, tzinfo=dt.UTC),
        dt.time(7, 32),
    ],
)
def test_a_value_reads_back_as_itself(value: object) -> None:
    """By the reader of the standard library, which is not the one we load with."""
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value


def test_nothing_that_a_terminal_acts_upon_is_printed() -> None:
    """Control and formatting characters are escaped."""
    assert toml_value("\x1b[2J\u202e\x9b\U000e0001").isprintable()


def test_a_path_is_written_with_forward_slashes() -> None:
    """So that it reads back on every system."""
    assert toml_value(Path("a") / "b.wav") == '"a/b.wav"'


def test_a_huge_integer_is_printed_in_hexadecimal() -> None:
    """Python refuses to print it in decimal."""
    assert toml_value(16**5000) == "0x1" + "0" * 5000


def test_what_toml_cannot_hold_is_refused() -> None:
    """There is no null."""
    with pytest.raises(TypeError, match="NoneType has no form in TOML"):
        toml_value(None)


@pytest.mark.parametrize(
    ("key", "text"), [("gain_db", "gain_db"), ("a b", '"a b"'), ("", '""'), ("é", '"é"')]
)
def test_a_key_is_bare_where_it_can_be(key: str, text: str) -> None:
    """Else it stands in quotes."""
    assert toml_key(key) == text


def test_a_key_path_counts_list_entries_in_brackets() -> None:
    """As in the house style's example."""
    assert key_text(("sources", "mic", "chain", 0, "cutoff_hz")) == "sources.mic.chain[0].cutoff_hz"
    assert key_text(("a.b", "c")) == '"a.b".c'


@pytest.mark.parametrize(
    ("value", "shown"),
    [(26000, 26000), (0.5, 0.5), (True, "true"), ("5", '"5"'), ([1, 2], "[1, 2]"), (10**18, "1" + "0" * 18)],
)
def test_a_value_in_a_message_is_what_the_file_has(value: object, shown: object) -> None:
    """Numbers as numbers, all else as TOML."""
    assert shown_value(value) == shown
    assert type(shown_value(value)) is type(shown)


def test_a_long_value_in_a_message_is_cut() -> None:
    """At 60 characters."""
    assert shown_value("x" * 100) == '"' + "x" * 56 + "..."


def test_the_name_of_a_file_is_shown_without_what_a_terminal_acts_upon() -> None:
    """All else stays as it is, backslashes and quotes too."""
    assert printable("imp\new\x1b[31m.wav") == r"imp\new\u001b[31m.wav"
    assert printable('C:\\a "b".wav') == 'C:\\a "b".wav'
