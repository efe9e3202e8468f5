"""Variants of recipes, and how faults of them are told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from render.errors import RecipeError, UsageError
from render.recipe.load import load_recipe
from render.recipe.models import Recipe
from render.workflows.compare.choices import Choice, recipe_choice
from render.workflows.compare.difference import MINUS, difference_labels, value_words
from render.workflows.compare.vary import parse_variation, set_values, vary_choices
from tests.helpers.sessions import PLAIN_RECIPE, ROOM, write_recipe


@pytest.fixture
def recipe(tmp_path: Path) -> Recipe:
    """A recipe with a room."""
    return load_recipe(write_recipe(tmp_path / "warm.toml", 'title = "Warm"', PLAIN_RECIPE, ROOM))


def variants(recipe: Recipe, *texts: str) -> list[Choice]:
    """Choices of one recipe."""
    return vary_choices([recipe_choice(recipe)], [parse_variation(text) for text in texts])


def test_values_become_versions(recipe: Recipe) -> None:
    """One a value, named by it; all else stays."""
    found = variants(recipe, "sources.mic.gain_db=-12,-6.5,0")

    assert [choice.recipe.sources["mic"].gain_db for choice in found] == [-12.0, -6.5, 0.0]
    assert [choice.title for choice in found] == [
        f"mic gain {MINUS}12 dB",
        f"mic gain {MINUS}6.5 dB",
        "mic gain 0 dB",
    ]
    assert [choice.name for choice in found] == [choice.title for choice in found]
    assert found[0].recipe.room == recipe.room


def test_several_keys_are_combined(recipe: Recipe) -> None:
    """Every value with every other, stages of a chain by their number."""
    found = variants(recipe, "sources.pickup.chain[1].gain_db=-6,0", "room.decay_1khz_s=0.5,1")

    assert [
        (choice.recipe.sources["pickup"].chain[1].gain_db, choice.recipe.room.decay_1khz_s)  # type: ignore[union-attr]
        for choice in found
    ] == [(-6.0, 0.5), (-6.0, 1.0), (0.0, 0.5), (0.0, 1.0)]
    assert len({choice.recipe.sha256_of_values for choice in found}) == 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sources.mic.gain_db=99", ("sources.mic.gain_db = 99", "must be -60 to 24 dB", "--vary")),
        ("sources.mic.gian_db=1", ("unknown key", 'did you mean "gain_db"')),
        ("sources.pickup.chain[0].cutoff_hz=3", ("chain[0].cutoff_hz = 3", "10 to 40000 Hz", "high-pass")),
        ("sources.pickup.chain[7].q=1", ("no sources.pickup.chain[7]", "it has 2, counted from 0")),
        ("sources.guitar.gain_db=1", ("no sources.guitar", "known here: pickup, mic")),
        ("rom.level_db=-10", ("no rom in this recipe", 'did you mean "room.level_db"')),
        ("rom.lvl_db=-10", ("no rom in this recipe", 'did you mean "room"')),
        ("mic.gain_db=-10", ("no mic in this recipe", 'did you mean "sources.mic.gain_db"')),
        ("chain[1].q=1", ('did you mean "sources.pickup.chain[1].q"',)),
        ("title.x=1", ("no table [title]",)),
        ("title=3", ("must be text",)),
        ("room.seed=1.5", ("whole number",)),
        ("room.high_pass_hz=2000", ()),
    ],
)
def test_faults_are_told_as_a_recipes(recipe: Recipe, text: str, words: tuple[str, ...]) -> None:
    """Key, value, what is allowed, and that it came from the call."""
    if not words:
        assert len(variants(recipe, text)) == 1
        return
    with pytest.raises(RecipeError, match=r"warm\.toml") as caught:
        variants(recipe, text)
    for word in words:
        assert word in str(caught.value)


def test_all_faults_at_once(recipe: Recipe) -> None:
    """Each once, whatever it is combined with."""
    with pytest.raises(RecipeError, match="gain_db = 99") as caught:
        variants(recipe, "sources.mic.gain_db=99,-6", "room.decay_1khz_s=0.5,99")
    assert {problem.key for problem in caught.value.problems} == {
        "sources.mic.gain_db",
        "room.decay_1khz_s",
    }


@pytest.mark.parametrize("text", ["mic.gain_db=-12,-6,0", "sources.mic.gian_db=-12,-6,0"])
def test_a_key_that_is_not_there_is_told_once(recipe: Recipe, text: str) -> None:
    """With all values of the call, not once for each."""
    with pytest.raises(RecipeError, match="-12, -6, 0") as caught:
        variants(recipe, text)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("sources.mic.gain_db", -18, "mic gain -18 dB"),
        ("sources.mic.delay_ms", 0.4, "mic delay 0.4 ms"),
        ("sources.mic.place", 30, "mic place 30"),
        ("sources.mic.chain[0].cutoff_hz", 120, "mic high-pass cutoff 120 Hz"),
        ("sources.pickup.chain[0].slope_db_per_octave", 24, "pickup high-pass slope 24 dB per octave"),
        ("sources.pickup.chain[7].q", 1.5, "pickup chain[7] q 1.5"),
        ("stereo.side_gain_db", -3, "stereo side gain -3 dB"),
        ("room.level_db", -20, "room level -20 dB"),
        ("room.decay_1khz_s", 0.5, "room decay (1 kHz) 0.5 s"),
        ("room.decay_125hz_ratio", 1.5, "room decay (125 Hz) ratio 1.5"),
        ("finish.loudness_lufs", -14, "finish loudness -14 LUFS"),
        ("title", 3, "title 3"),
    ],
)
def test_keys_in_words(recipe: Recipe, key: str, value: float, words: str) -> None:
    """Source or table, stage, quantity, value and the unit of the key."""
    keys = parse_variation(f"{key}=1").keys
    (label,) = difference_labels(recipe, [keys])
    assert f"{label} {value_words(keys, value)}" == words.replace(" -", f" {MINUS}")


def test_stages_of_one_kind_are_numbered(tmp_path: Path) -> None:
    """From 0, as in a key; and keys that would have one name keep their path."""
    first = 'stage = "high-pass", cutoff_hz = 60'
    twice = PLAIN_RECIPE.replace(first, 'stage = "peaking", centre_hz = 90, gain_db = -2')
    twice = twice.replace("[sources.mic]", "[sources.room]")
    recipe = load_recipe(write_recipe(tmp_path / "twice.toml", twice))
    keys = [parse_variation(f"sources.pickup.chain[{place}].gain_db=1").keys for place in (0, 1)]
    assert difference_labels(recipe, keys) == ["pickup peaking [0] gain", "pickup peaking [1] gain"]
    same = [("sources", "room", "level_db"), ("room", "level_db")]
    assert difference_labels(recipe, same) == ["sources.room.level_db", "room.level_db"]


def test_several_recipes_keep_their_names(recipe: Recipe) -> None:
    """Before what differs."""
    other = replace(recipe_choice(recipe), name="cold", title="Cold")
    found = vary_choices([recipe_choice(recipe), other], [parse_variation("room.level_db=-20")])
    assert [(choice.name, choice.title) for choice in found] == [
        (f"warm, room level {MINUS}20 dB", f"Warm, room level {MINUS}20 dB"),
        (f"cold, room level {MINUS}20 dB", f"Cold, room level {MINUS}20 dB"),
    ]


def test_a_room_that_is_not_there(tmp_path: Path) -> None:
    """It is not made by a value of it."""
    dry = load_recipe(write_recipe(tmp_path / "dry.toml", PLAIN_RECIPE))
    with pytest.raises(RecipeError, match=r"this recipe has no table \[room\]"):
        variants(dry, "room.level_db=-12")


@pytest.mark.parametrize(
    "text",
    ["", "=1", "a", "a..b=1", ".a=1", "[0].a=1", "a[0]b=1", "a[x]=1", "a=", "a=b", "a=1,,2", "a=nan", "a=inf",
     "a=1,1", "a b=1"],
)  # fmt: skip
def test_what_is_no_variation(text: str) -> None:
    """Told with what it is."""
    with pytest.raises(UsageError, match="--vary"):
        parse_variation(text)


def test_too_many_or_twice(recipe: Recipe) -> None:
    """26 versions with the capture, and every key once."""
    assert len(variants(recipe, "room.seed=" + ",".join(map(str, range(25))))) == 25
    with pytest.raises(UsageError, match="makes 26 versions; 25 at most"):
        variants(recipe, "room.seed=" + ",".join(map(str, range(26))))
    with pytest.raises(UsageError, match="is there twice"):
        variants(recipe, "room.seed=1", "room.seed=2")


def test_a_recipe_made_in_python(recipe: Recipe) -> None:
    """It needs no file."""
    made = Recipe(sources=recipe.sources)
    assert set_values(made, [(("sources", "mic", "gain_db"), -3)]).sources["mic"].gain_db == -3.0
    with pytest.raises(RecipeError, match="must be -60 to 24 dB"):
        set_values(made, [(("sources", "mic", "gain_db"), 30)])
