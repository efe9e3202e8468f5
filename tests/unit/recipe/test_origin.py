"""Where values were written."""

from __future__ import annotations

from pathlib import Path

import tomli

from render.recipe.origin import MISSING, Layer, Origin, value_at


def layer(name: str, text: str) -> Layer:
    """One file as read."""
    return Layer(Path(name), text, tomli.loads(text))


CHILD = layer("child.toml", "[room]\nseed = 2\n[stereo]\nchain = [{ stage = 'gain' }]\n")
BASE = layer(
    "base.toml", "[room]\nlevel_db = -3\n[stereo]\nchain = [{ stage = 'gain', gain_db = 1 }, {}]\n[finish]\n"
)
ORIGIN = Origin((CHILD, BASE))


def test_the_nearest_file_that_has_a_key_is_told() -> None:
    """First the recipe's own, then what it extends."""
    assert ORIGIN.path == Path("child.toml")
    assert ORIGIN.layer_of(("room", "seed")) is CHILD
    assert ORIGIN.layer_of(("room", "level_db")) is BASE
    assert ORIGIN.layer_of(("finish", "format")) is BASE
    assert ORIGIN.layer_of(("nothing", "here")) is CHILD


def test_a_list_belongs_to_one_file_as_a_whole() -> None:
    """What the other file's list has under the same place does not count."""
    assert ORIGIN.layer_of(("stereo", "chain", 0, "gain_db")) is CHILD
    assert not ORIGIN.is_written(("stereo", "chain", 0, "gain_db"))
    assert ORIGIN.is_written(("stereo", "chain", 0, "stage"))


def test_a_missing_key_has_the_line_of_its_table() -> None:
    """That is where it should be."""
    assert CHILD.line(("room", "seed")) == 2
    assert CHILD.line(("room", "level_db")) == 1
    assert CHILD.line(("stereo", "chain", 0, "gain_db")) == 4
    assert CHILD.line(("finish",)) is None


def test_a_value_is_found_under_its_path() -> None:
    """Or MISSING, in tables and in lists."""
    tree: dict[str, object] = {"a": [{"b": 1}], "c": "text"}
    assert value_at(tree, ("a", 0, "b")) == 1
    assert value_at(tree, ("a", 1)) is MISSING
    assert value_at(tree, ("a", "b")) is MISSING
    assert value_at(tree, ("c", 0)) is MISSING
    assert value_at(tree, ()) is tree
