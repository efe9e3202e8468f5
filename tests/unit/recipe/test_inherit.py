"""One recipe over another."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from render.errors import RecipeError
from render.recipe import Recipe, load_recipe, parse_recipe

HOUSE = """\
title = "House"
[sources.pickup]
channel = 1
gain_db = -1.0
chain = [
  { stage = "high-pass", cutoff_hz = 60 },
  { stage = "impulse-response", file = "ir/saddle.wav" },
]
[sources.mic]
channel = 2
place = "side"
[room]
level_db = -20.0
[finish]
loudness_lufs = -18.0
format = "flac"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A house recipe with its impulse response, and a folder for guitars beside."""
    (tmp_path / "ir").mkdir()
    (tmp_path / "ir" / "saddle.wav").touch()
    (tmp_path / "guitars").mkdir()
    (tmp_path / "house.toml").write_text(HOUSE, encoding="utf-8")
    return tmp_path


def over_house(folder: Path, text: str = "") -> Recipe:
    """Recipe in the folder for guitars that extends the house's."""
    path = folder / "guitars" / "parlour.toml"
    path.write_text('extends = "../house.toml"\n' + text, encoding="utf-8")
    return load_recipe(path)


def problems(folder: Path, text: str) -> list[str]:
    """What is wrong with it, without the folder."""
    with pytest.raises(RecipeError, match=r"parlour|house") as caught:
        over_house(folder, text)
    told = [str(problem).replace(f"{folder}{os.sep}", "") for problem in caught.value.problems]
    return [text.replace(str(Path("guitars/parlour.toml")), "guitars/parlour.toml") for text in told]


def test_a_recipe_may_add_nothing(folder: Path) -> None:
    """It then says what the other says, under its own name."""
    made = over_house(folder)
    assert made == load_recipe(folder / "house.toml")
    assert made.name == "parlour"
    assert made.sha256_of_values == load_recipe(folder / "house.toml").sha256_of_values


def test_tables_are_taken_over_key_by_key(folder: Path) -> None:
    """What stands here wins."""
    made = over_house(folder, "[sources.pickup]\ngain_db = 2\n[finish]\nformat = 'wav'\nbit_depth = 16\n")
    assert (made.title, made.sources["pickup"].channel, made.sources["pickup"].gain_db) == ("House", 1, 2.0)
    assert len(made.sources["pickup"].chain) == 2
    assert (made.finish.loudness_lufs, made.finish.format, made.finish.bit_depth) == (-18.0, "wav", 16)
    assert made.room is not None
    assert made.room.level_db == -20.0


def test_a_chain_replaces_a_chain(folder: Path) -> None:
    """Stages are not mixed."""
    made = over_house(folder, '[sources.pickup]\nchain = [{ stage = "gain", gain_db = 1 }]\n')
    assert [stage.stage for stage in made.sources["pickup"].chain] == ["gain"]
    assert made.files == ()


def test_a_room_can_be_taken_out(folder: Path) -> None:
    """There is no other way to leave an inherited table out."""
    assert over_house(folder, 'room = "off"\n').room is None


def test_a_file_is_found_from_where_it_is_written(folder: Path) -> None:
    """An inherited one stays with the recipe that names it."""
    assert over_house(folder).files == ((folder / "ir" / "saddle.wav").resolve(),)
    chain = '[stereo]\nchain = [{ stage = "impulse-response", file = "../ir/saddle.wav" }]\n'
    assert over_house(folder, chain).files == ((folder / "ir" / "saddle.wav").resolve(),)


def test_recipes_may_extend_over_several_files(folder: Path) -> None:
    """Each from its own folder."""
    (folder / "guitars" / "nylon.toml").write_text(
        'extends = "parlour.toml"\n[room]\nseed = 7\n', encoding="utf-8"
    )
    over_house(folder, "[room]\nseed = 5\npre_delay_ms = 40\n")
    made = load_recipe(folder / "guitars" / "nylon.toml")
    assert made.room is not None
    assert (made.room.seed, made.room.pre_delay_ms, made.room.level_db) == (7, 40.0, -20.0)


def test_a_text_extends_from_the_folder_of_its_path(folder: Path) -> None:
    """Though it is in no file yet."""
    assert parse_recipe('extends = "house.toml"', folder / "new.toml").title == "House"


def test_two_other_sources_stand_instead_of_the_inherited_ones(folder: Path) -> None:
    """A guitar with other sources can still have the house's room and finish."""
    made = over_house(folder, "[sources.magnet]\nchannel = 1\n[sources.board]\nchannel = 2\n")
    assert list(made.sources) == ["magnet", "board"]
    assert made.finish.loudness_lufs == -18.0
    assert made.files == ()


def test_one_of_two_named_sources_may_be_inherited(folder: Path) -> None:
    """The one that is not named goes."""
    made = over_house(folder, "[sources.magnet]\nchannel = 2\n[sources.pickup]\nplace = 10\n")
    assert list(made.sources) == ["magnet", "pickup"]
    assert made.sources["pickup"].gain_db == -1.0
    assert made.sources["pickup"].place == 10.0


def test_one_source_of_another_name_makes_three(folder: Path) -> None:
    """The message says which, and what to do."""
    assert problems(folder, "[sources.piezo]\nchannel = 1\n") == [
        (
            "guitars/parlour.toml, line 2: sources\n"
            "  exactly two sources are needed; there are 3: "
            '"pickup" and "mic" (house.toml), "piezo" (guitars/parlour.toml)\n'
            "  use the names of the recipe that is extended, or name two sources here: "
            "they then stand instead of all that are inherited"
        )
    ]


def test_a_mistyped_source_is_told_that_nothing_is_inherited(folder: Path) -> None:
    """Its missing channel is the fault that shows."""
    told = problems(folder, '[sources.pikup]\ngain_db = 1\n[sources.mic]\nplace = "mid"\n')
    assert told == [
        (
            "guitars/parlour.toml, line 2: sources.pikup.channel\n"
            "  is missing; must be a whole number from 1 to 64\n"
            '  write channel = 1; nothing is inherited from "pickup", for two other sources are named here'
        )
    ]


def test_an_inherited_fault_is_told_where_it_is_written(folder: Path) -> None:
    """File and line of the house's recipe."""
    (folder / "house.toml").write_text(HOUSE.replace("-18.0", "3.0"), encoding="utf-8")
    assert problems(folder, "") == [
        (
            "house.toml, line 15: finish.loudness_lufs = 3.0\n"
            '  must be -40 to -5 LUFS, or "keep"\n'
            "  lower it to -5 LUFS or less"
        )
    ]
    assert over_house(folder, "[finish]\nloudness_lufs = -20\n").finish.loudness_lufs == -20.0


@pytest.mark.parametrize(
    ("base", "reason"),
    [
        ("3", "must be the name of another recipe in quotes"),
        ('""', "must be the name of another recipe in quotes"),
        ('"a\\u0000b"', "must be the name of another recipe in quotes"),
        ('"huose.toml"', 'huose.toml does not exist\n  did you mean "house.toml"?'),
        ('"imp\\new.toml"', "imp\\new.toml does not exist\n  write paths with /"),
        ('"."', "is a folder"),
        ('"latin.toml"', "latin.toml, line 1, is not UTF-8 text"),
        ('"self.toml"', "recipes extend each other in a circle"),
        ('"one.toml"', "recipes extend each other in a circle"),
    ],
)
def test_a_base_that_cannot_be_used_is_told_at_extends(folder: Path, base: str, reason: str) -> None:
    """With all else that is wrong with the recipe itself, but nothing that the base might give."""
    (folder / "latin.toml").write_bytes(b"title = '\xe9'")
    (folder / "one.toml").write_text('extends = "self.toml"\n', encoding="utf-8")
    path = folder / "self.toml"
    path.write_text(
        f"# first\nextends = {base}\n[finish]\nformat = 'aiff'\n[sources.mic]\n", encoding="utf-8"
    )
    with pytest.raises(RecipeError, match="extends") as caught:
        load_recipe(path)
    told = [(problem.key, problem.path.name, problem.line) for problem in caught.value.problems]
    at = ("one.toml", 1) if base == '"one.toml"' else ("self.toml", 2)
    assert told == [("extends", *at), ("finish.format", "self.toml", 4)]
    assert reason in str(caught.value.problems[0])


def test_a_base_that_is_no_toml_is_told_itself(folder: Path) -> None:
    """With its own line."""
    (folder / "house.toml").write_text("[room\n", encoding="utf-8")
    told = problems(folder, "[finish]\nformat = 'aiff'\n")
    assert len(told) == 2
    assert told[0].startswith("house.toml, line 1\n  cannot be read: the ] after")
    assert told[1].startswith("guitars/parlour.toml, line 3: finish.format")


def test_a_long_row_of_recipes_has_an_end(tmp_path: Path) -> None:
    """Sixteen files are enough for anybody."""
    for number in range(17):
        text = HOUSE.replace("impulse-response", "gain").replace('file = "ir/saddle.wav"', "gain_db = 1")
        if number < 16:
            text = f'extends = "{number + 1}.toml"\n'
        (tmp_path / f"{number}.toml").write_text(text, encoding="utf-8")
    assert load_recipe(tmp_path / "1.toml").title == "House"
    with pytest.raises(RecipeError, match="recipes extend each other over more than 16 files"):
        load_recipe(tmp_path / "0.toml")


@pytest.mark.parametrize(
    ("name", "fix"),
    [
        ("sadle.wav", 'did you mean "saddle.wav", in the same folder?'),
        ("zz.wav", "paths start from the folder of the recipe"),
        ("none/zz.wav", "paths start from the folder of the recipe"),
        ("x\\\\y.wav", "write paths with /, which every system understands"),
        ("imp\\new.wav", "write paths with /, which every system understands"),
        ("imp\\room.wav", "write paths with /, which every system understands"),
        ("x" * 300 + ".wav", "paths start from the folder of the recipe"),
    ],
)
def test_a_missing_file_is_told_before_anything_is_rendered(folder: Path, name: str, fix: str) -> None:
    """With the nearest name, if one is near."""
    text = f'[stereo]\nchain = [{{ stage = "impulse-response", file = "../ir/{name}" }}]\n'
    (told,) = problems(folder, text)
    assert told.startswith("guitars/parlour.toml, line 3: stereo.chain[0].file")
    assert "(impulse-response; stages count from 0)\n  there is no file " in told
    assert told.endswith(f"\n  {fix}")
    assert len(told.splitlines()) == 3
    assert all(line.isprintable() for line in told.splitlines())


@pytest.mark.parametrize(
    ("name", "where"),
    [
        ("zz.wav", "there is no file zz.wav in the folder ir\n"),
        ("none/zz.wav", "there is no file zz.wav: the folder ir/none is not there either"),
    ],
)
def test_the_folder_of_a_missing_file_is_named(folder: Path, name: str, where: str) -> None:
    """The file's name and where it was looked for, apart; and whether that folder is there at all."""
    (told,) = problems(
        folder, f'[stereo]\nchain = [{{ stage = "impulse-response", file = "../ir/{name}" }}]\n'
    )
    assert where in told


def test_a_circle_of_links_is_a_missing_file(folder: Path) -> None:
    """And no reason to break down."""
    try:
        (folder / "ir" / "loop.wav").symlink_to(folder / "ir" / "loop.wav")
    except OSError:  # pragma: no cover - systems where links need a right
        pytest.skip("no links here")
    (told,) = problems(
        folder, '[stereo]\nchain = [{ stage = "impulse-response", file = "../ir/loop.wav" }]\n'
    )
    assert "there is no file" in told
