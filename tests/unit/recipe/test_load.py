"""Recipes from files."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from render.errors import RecipeError
from render.recipe import builtin_recipe, load_recipe, load_recipes, parse_recipe
from render.recipe.load import BUILTIN

PLAIN = "[sources.pickup]\nchannel = 1\n[sources.mic]\nchannel = 2\n"


def write(folder: Path, name: str, text: str = PLAIN) -> Path:
    """A recipe's file."""
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_a_recipe_is_called_like_its_file(tmp_path: Path) -> None:
    """Its mixes go into a folder of that name."""
    made = load_recipe(str(write(tmp_path, "my guitar.v2.toml")))
    assert made.name == "my guitar.v2"
    assert made.path == tmp_path / "my guitar.v2.toml"
    assert list(made.sources) == ["pickup", "mic"]


def test_several_recipes_come_in_the_order_given(tmp_path: Path) -> None:
    """One for each path."""
    paths = [write(tmp_path, "b.toml"), write(tmp_path, "a.toml")]
    assert [made.name for made in load_recipes(paths)] == ["b", "a"]
    assert load_recipes([]) == []


def test_the_faults_of_all_recipes_are_told_at_once(tmp_path: Path) -> None:
    """Also of those that come after one that is not there."""
    paths = [
        tmp_path / "none.toml",
        write(tmp_path, "a.toml", PLAIN + "x = 1\n"),
        write(tmp_path, "good.toml"),
        write(tmp_path, "b.toml", "?"),
    ]
    with pytest.raises(RecipeError, match="does not exist") as caught:
        load_recipes(paths)
    assert [problem.path.name for problem in caught.value.problems] == ["none.toml", "a.toml", "b.toml"]


def test_a_fault_that_two_recipes_inherit_is_told_once(tmp_path: Path) -> None:
    """It is one fault, to be mended in one place."""
    write(tmp_path, "house.toml", PLAIN + "x = 1\n")
    paths = [write(tmp_path, name, 'extends = "house.toml"\n') for name in ("a.toml", "b.toml")]
    with pytest.raises(RecipeError, match="unknown key") as caught:
        load_recipes(paths)
    assert len(caught.value.problems) == 1


def test_two_recipes_of_one_name_are_refused(tmp_path: Path) -> None:
    """Their mixes would go into the same folder; on many systems also where only the case differs."""
    paths = [write(tmp_path / "one", "warm.toml"), write(tmp_path / "two", "Warm.toml")]
    with pytest.raises(
        RecipeError, match=r"has the same name as .*warm.toml, and the mixes go into a folder"
    ) as caught:
        load_recipes(paths)
    assert [problem.path for problem in caught.value.problems] == [paths[1]]
    with pytest.raises(RecipeError, match="name it once only"):
        load_recipes([paths[0], paths[0]])


def test_a_recipe_needs_a_name(tmp_path: Path) -> None:
    """A folder cannot be called by a dot."""
    with pytest.raises(RecipeError, match="has no name that a folder could have"):
        load_recipes([write(tmp_path, "..toml")])


def test_a_text_is_read_as_if_it_stood_in_a_file(tmp_path: Path) -> None:
    """Files are found from there."""
    (tmp_path / "a.wav").touch()
    text = PLAIN + 'chain = [{ stage = "impulse-response", file = "a.wav" }]\n'
    made = parse_recipe(text, tmp_path / "new.toml")
    assert made.name == "new"
    assert made.files == ((tmp_path / "a.wav").resolve(),)


@pytest.mark.parametrize(
    ("sample_rate_hz", "file_format", "words"),
    [
        (
            44_100,
            "wav",
            "must be 10 to 19845 Hz with finish.sample_rate_hz = 44100 (the limit is 0.45 of the rate)",
        ),
        (
            96_000,
            "opus",
            "must be 10 to 21600 Hz for opus, which is always 48000 Hz (the limit is 0.45 of the rate)",
        ),
    ],
)
def test_a_rate_of_its_own_is_checked_at_once(sample_rate_hz: int, file_format: str, words: str) -> None:
    """No take can change it."""
    finish = f"[finish]\nsample_rate_hz = {sample_rate_hz}\nformat = '{file_format}'\n"
    with pytest.raises(RecipeError, match="stereo") as caught:
        parse_recipe(
            PLAIN + "[stereo]\nchain = [{ stage = 'low-pass', cutoff_hz = 22000 }]\n" + finish, "warm.toml"
        )
    (problem,) = caught.value.problems
    assert (problem.line, problem.key, problem.reason) == (6, "stereo.chain[0].cutoff_hz", words)
    assert problem.context == "low-pass; stages count from 0"
    assert problem.fix.startswith("lower it, or ")


def test_the_builtin_recipe_is_for_a_pickup_and_a_microphone() -> None:
    """The pickup in the middle, the microphone for the width, a room."""
    made = builtin_recipe()
    assert made.name == "builtin"
    assert [(source.channel, source.place) for source in made.sources.values()] == [(1, "mid"), (2, "side")]
    assert made.room is not None
    assert made.title
    assert made.notes
    assert made.finish.format == "wav"


def test_the_builtin_recipe_teaches_and_stays_within_toml_1_0() -> None:
    """Read by the standard library's reader; a line in three has a comment."""
    text = BUILTIN.read_text(encoding="utf-8")
    assert tomllib.loads(text)
    assert text.count("#") >= len(text.splitlines()) // 3
    assert max(map(len, text.splitlines())) <= 120


def test_the_builtin_recipe_uses_known_keys_as_they_are_meant() -> None:
    """At any rate that a take may have from 44.1 kHz up, and at lower ones down to 22.05 kHz."""
    from render.recipe import check_at_rate

    for sample_rate_hz in (22_050, 44_100, 48_000, 192_000):
        assert check_at_rate(builtin_recipe(), sample_rate_hz, take="verse") == []
