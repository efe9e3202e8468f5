"""`drytake recipe check | show | plot` from the outside."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import tomli

from render.cli.main import main
from render.recipe import load_recipe
from tests.helpers.sessions import PLAIN_RECIPE, ROOM, write_recipe, write_take


def run(*arguments: object) -> int:
    """Call the command in this process."""
    return main(["recipe", *(str(argument) for argument in arguments)])


def test_check_a_sound_recipe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A word for each sound recipe, exit status 0."""
    path = write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE, ROOM)

    assert run("check", path) == 0

    assert "warm.toml: no faults" in capsys.readouterr().out


def test_check_tells_every_fault_of_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Faults of both recipes, with file, line, key, value and remedy; exit status 2."""
    one = write_recipe(tmp_path / "one.toml", PLAIN_RECIPE.replace("gain_db = -6.0", "gain_db = 600"))
    two = write_recipe(tmp_path / "two.toml", PLAIN_RECIPE.replace("cutoff_hz = 150", "cutof_hz = 150"))

    assert run("check", one, two) == 2

    said = capsys.readouterr().err
    assert "one.toml, line 10: sources.mic.gain_db = 600" in said
    assert "cutof_hz" in said
    assert '"cutoff_hz"' in said


def test_check_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Faults as data, for editors."""
    path = write_recipe(tmp_path / "one.toml", PLAIN_RECIPE.replace("gain_db = -6.0", "gain_db = 600"))

    assert run("check", path, "--json") == 2
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert problem["key"] == "sources.mic.gain_db"
    assert problem["fix"]

    write_recipe(path)
    assert run("check", path, "--json") == 0
    assert json.loads(capsys.readouterr().out) == {"problems": []}


def test_check_opens_impulse_responses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Files that cannot serve are faults with key and line: text, silence, two channels in a source's chain."""
    (tmp_path / "text.wav").write_text("no sound", encoding="utf-8")
    write_take(tmp_path / "silence.wav", audio=np.zeros((100, 1)))
    write_take(tmp_path / "two.wav", audio=np.eye(100, 2))
    chain = ", ".join(
        f'{{ stage = "impulse-response", file = "{name}.wav" }}' for name in ("text", "silence", "two")
    )
    path = write_recipe(
        tmp_path / "r.toml",
        PLAIN_RECIPE.replace('chain = [{ stage = "high-pass", cutoff_hz = 150 }]', f"chain = [{chain}]"),
    )

    assert run("check", path) == 2

    said = capsys.readouterr().err
    for index, words in enumerate(("cannot be read as sound", "only zeros", "2 channels")):
        assert f"sources.mic.chain[{index}].file" in said
        assert words in said


def test_check_remarks_on_one_channel_for_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two sources on one channel are allowed, and told."""
    path = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE.replace("channel = 2", "channel = 1"))

    assert run("check", path) == 0
    assert "both read channel 1" in capsys.readouterr().out


def test_show_fills_everything_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Defaults, ranges, inheritance."""
    write_recipe(tmp_path / "house.toml", PLAIN_RECIPE, ROOM)
    child = write_recipe(tmp_path / "child.toml", 'extends = "house.toml"', "[room]\nlevel_db = -20.0")

    assert run("show", child) == 0

    rows = {line.split()[0]: line for line in capsys.readouterr().out.splitlines() if line.strip()}
    assert "[room]" in rows
    assert " house.toml " in rows["decay_1khz_s"]
    assert "0.1 to 20" in rows["decay_1khz_s"]
    assert " set " in rows["level_db"]
    assert "default" in rows["loudness_lufs"]


@pytest.mark.parametrize("columns", [60, 80])
def test_show_fits_a_narrow_window(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], columns: int
) -> None:
    """Value and origin on one line, range and meaning below it; not a word is lost."""
    assert run("show") == 0
    plain = capsys.readouterr().out
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    assert run("show") == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= columns < max(map(len, plain.splitlines()))
    row = next(index for index, line in enumerate(lines) if line.split()[:1] == ["level_by"])
    assert lines[row].split() == ["level_by", '"take"', "(default)"]
    assert lines[row + 1].startswith('      "take" or "session"; ')

    def words(text: str) -> list[str]:
        return sorted(text.replace(";", " ").replace("(", " ").replace(")", " ").split())

    assert words("\n".join(lines)) == words(plain)


def test_show_in_a_wide_window_is_a_table(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line a key, as where it is not a window at all."""
    run("show")
    plain = capsys.readouterr().out
    monkeypatch.setenv("COLUMNS", "400")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    run("show")
    assert capsys.readouterr().out == plain


def test_show_the_builtin_recipe(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a path the built-in recipe is meant."""
    assert run("show") == 0
    assert "[sources.pickup]" in capsys.readouterr().out


def test_show_as_toml_is_the_same_recipe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The complete recipe loads, and says the same."""
    path = write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE, ROOM)
    run("show", path, "--toml")
    again = write_recipe(tmp_path / "again.toml", capsys.readouterr().out)

    assert load_recipe(again) == load_recipe(path)


def test_show_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Values and their origin as data."""
    path = write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE, ROOM)

    assert run("show", path, "--json") == 0

    shown = json.loads(capsys.readouterr().out)
    assert shown["recipe"]["room"]["decay_1khz_s"] == 0.5
    assert {"key", "value", "allowed", "where", "description", "note"} == set(shown["keys"][0])


def test_the_schema_takes_the_recipe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--schema` is a JSON Schema by which the recipe is sound, and a misspelt key is not."""
    run("show", "--schema")
    schema = json.loads(capsys.readouterr().out)
    recipe = tomli.loads(PLAIN_RECIPE)

    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(recipe, schema)
    recipe["sources"]["mic"]["gian_db"] = 1.0
    with pytest.raises(jsonschema.ValidationError, match="gian_db"):
        jsonschema.validate(recipe, schema)


def test_plot_writes_a_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A PNG beside the recipe, or where asked."""
    path = write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE, ROOM)

    assert run("plot", path) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "warm.png")
    assert (tmp_path / "warm.png").read_bytes().startswith(b"\x89PNG")

    assert run("plot", path, "-o", tmp_path / "other.png", "--rate", "96000") == 0
    assert (tmp_path / "other.png").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["plot", "warm.toml", "--rate", "4000"], "--rate 4000: must be 8000"),
        (["plot", "warm.toml", "--rate", "8000"], "sources.pickup"),
        (["plot", "warm.toml", "-o", "x.svg"], "PNG"),
        (["plot", "warm.toml", "-o", "warm.toml/x.png"], "warm.toml"),
        (["plot", "gone.toml"], "gone.toml"),
        (["show", "gone.toml"], "gone.toml"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_what_cannot_be_shown_is_said(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    words: str,
) -> None:
    """A wrong call names what is wrong and ends with 2."""
    monkeypatch.chdir(tmp_path)
    write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE.replace("2400", "5000"))

    assert run(*arguments) == 2

    assert words in capsys.readouterr().err
