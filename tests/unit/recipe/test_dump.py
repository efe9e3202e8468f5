"""A recipe as TOML."""

from __future__ import annotations

import tomllib
from pathlib import Path

from render.recipe import builtin_recipe, dump_recipe, load_recipe, parse_recipe

TEXT = """\
title = "A \\"title\\" with \\\\"
notes = '''two
lines'''
room = "off"
[sources.1st]
channel = 1
place = -12.5
chain = [{ stage = "impulse-response", file = "ir's/a b.wav", wet_fraction = 0.1 }]
[sources.2nd]
channel = 2
polarity = "flip"
"""


def test_a_dumped_recipe_reads_back_as_the_same(tmp_path: Path) -> None:
    """From any folder, with nothing left to default or to inherit."""
    (tmp_path / "ir's").mkdir()
    (tmp_path / "ir's" / "a b.wav").touch()
    (tmp_path / "first.toml").write_text(TEXT, encoding="utf-8")
    first = load_recipe(tmp_path / "first.toml")
    text = dump_recipe(first)
    again = parse_recipe(text, "elsewhere/again.toml")
    assert again == first
    assert again.sha256_of_values == first.sha256_of_values
    assert list(again.sources) == ["1st", "2nd"]
    assert "[room]" not in text


def test_a_dumped_recipe_is_complete_and_within_toml_1_0() -> None:
    """Every key of every table is there."""
    tree = tomllib.loads(dump_recipe(builtin_recipe()))
    assert parse_recipe(dump_recipe(builtin_recipe()), "builtin.toml") == builtin_recipe()
    for name in ("stereo", "room", "finish"):
        assert list(tree[name]) == list(type(getattr(builtin_recipe(), name)).model_fields)
