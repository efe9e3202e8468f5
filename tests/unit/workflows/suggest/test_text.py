"""Tests of recipes as text with comments."""

from __future__ import annotations

from pathlib import Path

import pytest

from render.recipe.load import parse_recipe
from render.recipe.models import HighPass, ImpulseResponse
from render.workflows.suggest.text import Line, key_line, lay_out, notes_lines, path_from, stage_line


def test_comments_stand_in_one_column() -> None:
    """Beside the values, as in our own recipes; sentences of their own at the left."""
    text = lay_out(
        [
            Line(comment="What it is."),
            Line(),
            key_line("gain_db", -6.0, "softer"),
            key_line("channel", 2, "the mic"),
        ]
    )

    assert text == "# What it is.\n\ngain_db = -6  # softer\nchannel = 2   # the mic\n"


def test_a_long_comment_goes_above_its_line() -> None:
    """Indented as the line is, wrapped, and no line longer than 120 characters."""
    text = lay_out([Line("  { a = 1 },", "short"), Line("  { b = 2 },", "long " * 40)])

    lines = text.splitlines()
    assert lines[0] == "  { a = 1 },  # short"
    assert lines[1].startswith("  # long")
    assert lines[-1] == "  { b = 2 },"
    assert max(map(len, lines)) <= 120


def test_only_what_was_said_is_written() -> None:
    """A stage shows the keys that were given, numbers as one writes them."""
    line = stage_line(HighPass(stage="high-pass", cutoff_hz=58.0), "why", folder=Path())

    assert line == Line('  { stage = "high-pass", cutoff_hz = 58 },', "why")


def test_files_are_named_from_the_folder(tmp_path: Path) -> None:
    """Relative, with slashes, so that both may be moved together."""
    stage = ImpulseResponse(stage="impulse-response", file=tmp_path / "a" / "body.wav")

    assert 'file = "../a/body.wav"' in stage_line(stage, "", folder=tmp_path / "b").code
    assert path_from(tmp_path, tmp_path / "x.toml") == "x.toml"


@pytest.mark.parametrize("words", ['He said "louder"', "back\\slash", "ünï " * 60, "a" * 300])
def test_notes_read_back(words: str) -> None:
    """Whatever characters a name holds."""
    sources = ["[sources.a]", "channel = 1", "[sources.b]", "channel = 2"]
    text = "\n".join([line.code for line in notes_lines(words)] + sources)

    assert parse_recipe(text, Path("x.toml")).notes.split() == words.split()
