"""`drytake suggest` from outside: what it writes, what it says, what it refuses."""

from __future__ import annotations

import json
import shlex
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.audio.array import Reals
from render.cli.main import main
from render.recipe.load import load_recipe
from tests.helpers.known_guitar import Known, play_known

BOOMY = Known(booms=((106.0, 10.0, 7.0),), shelf=(220.0, 4.0), delay_s=6e-4, gain=0.6)


@cache
def _audio(seed: int) -> Reals:
    return play_known(BOOMY, seed=seed, duration_s=10.0)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A folder of two takes."""
    folder = tmp_path / "evening"
    folder.mkdir()
    for seed in (1, 2):
        soundfile.write(folder / f"take {seed}.wav", _audio(seed), 48_000, subtype="PCM_24")
    return folder


def test_a_recipe_and_a_picture(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both lie beside each other, the recipe loads and renders, the moves are told in words."""
    target = tmp_path / "my guitar.toml"
    before = {path: path.read_bytes() for path in session.iterdir()}

    assert main(["suggest", str(session), "-o", str(target)]) == 0
    said = capsys.readouterr().out
    recipe = load_recipe(target)
    assert recipe.title == "my guitar, measured from its takes"
    assert "body at 106 Hz" in said
    assert "measured from 2 of 2 takes" in said
    assert target.with_name(f"{target.stem}_before_after.png").read_bytes()[:4] == b"\x89PNG"
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "evening",
        "my guitar.toml",
        "my guitar_before_after.png",
    ]
    assert {path: path.read_bytes() for path in session.iterdir()} == before

    assert main(["render", str(session), "-r", str(target), "-o", str(tmp_path / "mixes"), "--quiet"]) == 0
    assert len(list((tmp_path / "mixes" / "my guitar").glob("*.wav"))) == 2


def test_json(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object with figures, moves and reasons; nothing that is no number."""
    assert main(["suggest", str(session), "-o", str(tmp_path / "a.toml"), "--json", "--width", "-6"]) == 0
    found = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)

    assert found["takes"] == ["take 1", "take 2"]
    assert found["left_out"] == []
    assert found["low_band"]["after_db"] == pytest.approx(0.0, abs=1.5)
    assert found["width"]["side_to_mid_db"] == pytest.approx(-6.0, abs=0.3)
    assert found["sources"]["mic"]["chain"][0]["stage"] == "high-pass"
    assert found["resonances"][0]["frequency_hz"] == pytest.approx(106.0, rel=0.03)
    assert len(found["low_band"]["thirds_hz"]) == len(found["low_band"]["thirds_after_db"])


def test_like(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is written extends the other recipe by a path that holds."""
    (tmp_path / "house").mkdir()
    other = tmp_path / "house" / "other.toml"
    other.write_text(
        '[sources.a]\nchannel = 1\n[sources.b]\nchannel = 2\nplace = "side"\ngain_db = -3\n', encoding="utf-8"
    )
    target = tmp_path / "new" / "mine.toml"

    assert main(["suggest", str(session), "-o", str(target), "--like", str(other), "--quiet"]) == 0
    assert capsys.readouterr().out == ""
    assert 'extends = "../house/other.toml"' in target.read_text(encoding="utf-8")
    assert list(load_recipe(target).sources) == ["a", "b"]


def test_nothing_is_overwritten_unless_asked(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A recipe, or a picture, that is there stays there."""
    target = tmp_path / "mine.toml"
    target.write_text("# mine", encoding="utf-8")

    assert main(["suggest", str(session), "-o", str(target)]) == 2
    assert "--redo" in capsys.readouterr().err
    assert target.read_text(encoding="utf-8") == "# mine"
    assert not target.with_name(f"{target.stem}_before_after.png").exists()
    assert main(["suggest", str(session), "-o", str(target), "--redo", "--quiet"]) == 0
    assert load_recipe(target)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["-o", "x.txt"], "let the name end in .toml"),
        (["-o", "x.toml", "--width", "3"], "must be -20 to 0 dB"),
        (["-o", "x.toml", "--width", "nan"], "must be -20 to 0 dB"),
        (["-o", "x.toml", "--like", "nowhere.toml"], "nowhere.toml"),
        (["-o", "x.toml", "--like", "x.toml"], "give the new one another name"),
    ],
)
def test_wrong_calls(
    more: list[str],
    said: str,
    session: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Told before anything is measured; nothing is written."""
    monkeypatch.chdir(session.parent)

    assert main(["suggest", str(session), *more]) == 2
    assert said in capsys.readouterr().err
    assert [path.name for path in session.parent.iterdir()] == ["evening"]


def test_unfit_takes_are_left_out_and_named(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One that cannot be read, one with a dead source, one of another guitar: the others give the recipe."""
    (session / "broken.wav").write_bytes(b"no sound at all")
    dead = _audio(1).copy()
    dead[:, 1] = 0.0
    soundfile.write(session / "dead.wav", dead, 48_000, subtype="PCM_24")
    other = play_known(Known(booms=((300.0, 18.0, 0.6), (3000.0, -18.0, 0.6))), seed=3, duration_s=10.0)
    soundfile.write(session / "other.wav", other, 48_000, subtype="PCM_24")
    target = tmp_path / "a.toml"

    assert main(["suggest", str(session), "-o", str(target), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["takes"] == ["take 1", "take 2"]
    assert [entry["take"] for entry in found["left_out"]] == ["broken", "dead", "other"]
    assert "another guitar" in found["left_out"][2]["reason"]
    assert "# Left out: broken (" in target.read_text(encoding="utf-8")


@pytest.mark.parametrize("kind", ["silence", "short", "one source", "strangers"])
def test_what_cannot_be_measured_is_refused(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Silence, two seconds, a dead source, two sounds that have nothing in common: said so, nothing written."""
    audio = _audio(1)[:, :].copy()
    if kind == "silence":
        audio[:] = 0.0
    elif kind == "short":
        audio = audio[:96_000]
    elif kind == "one source":
        audio[:, 1] = 0.0
    else:
        audio[:, 1] = 0.05 * np.random.default_rng(1).standard_normal(len(audio))
    soundfile.write(tmp_path / "take.wav", audio, 48_000, subtype="PCM_24")

    assert main(["suggest", str(tmp_path / "take.wav"), "-o", str(tmp_path / "a.toml")]) == 2
    told = capsys.readouterr().err
    assert "take.wav" in told
    assert not (tmp_path / "a.toml").exists()


def test_without_the_plotting_library(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The recipe is written all the same, and what is missing is said."""
    for name in [name for name in sys.modules if name.startswith(("render.pictures", "matplotlib."))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)

    assert main(["suggest", str(session), "-o", str(tmp_path / "a.toml")]) == 0
    assert "drytake[plot]" in capsys.readouterr().out
    assert (tmp_path / "a.toml").exists()
    assert not (tmp_path / "a_before_after.png").exists()


def test_exchanged_channels_are_noticed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The microphone on channel 1: taken as such, and said so."""
    soundfile.write(tmp_path / "take.wav", _audio(1)[:, ::-1], 48_000, subtype="PCM_24")

    assert main(["suggest", str(tmp_path / "take.wav"), "-o", str(tmp_path / "a.toml")]) == 0
    assert "Channel 1 was taken for the microphone" in capsys.readouterr().out
    recipe = load_recipe(tmp_path / "a.toml")
    assert {name: source.channel for name, source in recipe.sources.items()} == {"pickup": 2, "mic": 1}


def test_a_low_sample_rate_gets_a_recipe_that_renders(tmp_path: Path) -> None:
    """At 16 kHz the room's low-pass has to come down."""
    audio = play_known(BOOMY, seed=1, duration_s=10.0, rate_hz=16_000)
    soundfile.write(tmp_path / "take.wav", audio, 16_000, subtype="PCM_24")
    target = tmp_path / "a.toml"

    assert main(["suggest", str(tmp_path / "take.wav"), "-o", str(target), "--quiet"]) == 0
    assert (
        main(["render", str(tmp_path / "take.wav"), "-r", str(target), "-o", str(tmp_path / "m"), "--quiet"])
        == 0
    )


def test_it_ends_with_what_to_type_next(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The call that renders the session with the recipe, as a shell wants it, spaces and all."""
    recipe = tmp_path / "my guitar.toml"

    assert main(["suggest", str(session), "-o", str(recipe)]) == 0

    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith("next: drytake render ")
    command = shlex.split(last.removeprefix("next: "))
    assert command == ["drytake", "render", str(session), "-r", str(recipe)]
    assert main([*command[1:], "-o", str(tmp_path / "out"), "--quiet"]) == 0


def test_what_was_left_out_is_told_before_it_is_mixed(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Last but two; lines are as wide as the window, and a folder that was made is told."""
    monkeypatch.setenv("COLUMNS", "70")
    (session / "broken.wav").write_bytes(b"no sound at all")
    target = tmp_path / "new" / "a.toml"
    arguments = ["suggest", str(session), "-o", str(target), "--jobs", "1"]

    assert main(arguments) == 0
    lines = capsys.readouterr().out.splitlines()
    told = "left out: broken; drytake render mixes it too, unless you move it to another folder"
    at = next(at for at, line in enumerate(lines) if line.startswith("left out: broken; "))
    assert " ".join([lines[at], lines[at + 1].strip()]) == told
    assert all(len(line) <= 70 for line in lines[: at + 2])
    assert lines[at + 2].endswith(f"; the folder {target.parent} was made for it")
    (session / "broken.wav").unlink()
    assert main([*arguments, "--redo"]) == 0
    out = capsys.readouterr().out
    assert "left out" not in out
    assert "was made" not in out
