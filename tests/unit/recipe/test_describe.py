"""A recipe read back."""

from __future__ import annotations

from pathlib import Path

import pytest

from render.recipe import Recipe, Row, builtin_recipe, describe_recipe, load_recipe, parse_recipe
from render.recipe.chain import STAGES
from render.recipe.walk import leaves

PLAIN = "[sources.pickup]\nchannel = 1\n[sources.mic]\nchannel = 2\n"


def rows(recipe: Recipe) -> dict[str, Row]:
    """Rows by key."""
    return {row.key: row for row in describe_recipe(recipe)}


def test_every_value_is_shown_with_range_and_meaning() -> None:
    """Whether written or not."""
    described = describe_recipe(builtin_recipe())
    assert len({row.key for row in described}) == len(described)
    assert all(row.value and row.allowed and row.description for row in described)
    by_key = rows(builtin_recipe())
    assert by_key["finish.fade_in_ms"] == Row(
        key="finish.fade_in_ms",
        value="5.0",
        allowed="0 to 60000 ms",
        description="length of the fade at the beginning",
        is_default=True,
    )
    assert by_key["finish.fade_in_ms"].where == "default"
    written = by_key["sources.pickup.chain[0].cutoff_hz"]
    assert (written.value, written.where, written.is_default, written.inherited) == (
        "60.0",
        "set",
        False,
        False,
    )
    assert written.set_in == builtin_recipe().path


def test_a_stage_is_described_as_a_whole() -> None:
    """What it does, and which others there are."""
    row = rows(builtin_recipe())["sources.pickup.chain[0].stage"]
    assert row.value == '"high-pass"'
    assert row.allowed == ", ".join(STAGES)
    assert row.description.startswith("High-pass: takes away what lies below")


def test_what_is_inherited_is_told_with_its_file(tmp_path: Path) -> None:
    """And its line there."""
    (tmp_path / "house.toml").write_text(PLAIN + "[room]\nseed = 2\n", encoding="utf-8")
    path = tmp_path / "guitar.toml"
    path.write_text('extends = "house.toml"\n[room]\nlevel_db = -20\n', encoding="utf-8")
    by_key = rows(load_recipe(path))
    seed, level = by_key["room.seed"], by_key["room.level_db"]
    assert (seed.set_in, seed.line, seed.inherited, seed.where) == (
        tmp_path / "house.toml", 6, True, str(tmp_path / "house.toml"),
    )  # fmt: skip
    assert (level.set_in, level.line, level.inherited, level.where) == (path, 3, False, "set")
    assert by_key["room.low_pass_hz"].is_default


@pytest.mark.parametrize(("text", "is_default"), [("", True), ('room = "off"\n', False)])
def test_no_room_is_a_value(text: str, is_default: bool) -> None:
    """Shown as what could be written."""
    row = rows(parse_recipe(text + PLAIN, "warm.toml"))["room"]
    assert (row.value, row.allowed, row.is_default) == ('"off"', 'a table [room], or "off"', is_default)


def test_an_empty_chain_is_a_value() -> None:
    """The next thing to write."""
    row = rows(parse_recipe(PLAIN, "warm.toml"))["stereo.chain"]
    assert (row.value, row.allowed) == ("[]", "a list of at most 64 stages")


@pytest.mark.parametrize(
    ("file_format", "bit_depth", "sample_rate_hz"),
    [
        ("wav", "", ""),
        ("flac", "", ""),
        ("mp3", "not used: mp3 has none", ""),
        (
            "opus",
            "not used: opus has none",
            "not used: opus is always 48000 Hz, takes of other rates are converted",
        ),
    ],
)
def test_values_that_a_format_does_not_use_are_marked(
    file_format: str, bit_depth: str, sample_rate_hz: str
) -> None:
    """So that nobody wonders."""
    by_key = rows(parse_recipe(PLAIN + f"[finish]\nformat = '{file_format}'\n", "warm.toml"))
    assert by_key["finish.bit_depth"].note == bit_depth
    assert by_key["finish.sample_rate_hz"].note == sample_rate_hz
    assert by_key["finish.head_s"].note == ""


def test_a_recipe_made_in_python_knows_what_was_set() -> None:
    """Though not in which file."""
    made = Recipe.model_validate({"sources": {"a": {"channel": 1}, "b": {"channel": 2}}})
    by_key = rows(made)
    assert (by_key["sources.a.channel"].where, by_key["sources.a.channel"].set_in) == ("set", None)
    assert by_key["finish.format"].where == "default"


def test_values_come_in_the_order_of_the_signal() -> None:
    """Sources as they are written, then stereo, room and finish."""
    keys = [leaf.keys[0] for leaf in leaves(builtin_recipe())]
    assert list(dict.fromkeys(keys)) == ["title", "notes", "sources", "stereo", "room", "finish"]
    stages = [leaf.stage for leaf in leaves(builtin_recipe()) if leaf.name == "stage"]
    assert stages == ["high-pass", "peaking", "high-shelf"] * 2
