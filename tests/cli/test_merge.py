"""`drytake compare --merge`: arguments, exit status, what is printed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from render.cli.main import main
from tests.helpers.votes import judgement, run, saved, votes


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Votes of two listeners."""
    return [
        str(
            saved(
                tmp_path, f"{name}.json", votes(name, [judgement({"dry": 20, "warm": warm})], [run(hits, 16)])
            )
        )
        for name, warm, hits in (("Ada", 70, 13), ("Bo", 90, 15))
    ]


def test_the_command_itself(files: list[str]) -> None:
    """A real process: a table, nothing on the error stream, status 0."""
    done = subprocess.run(
        [sys.executable, "-m", "render", "compare", "--merge", *files],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("2 listeners: Ada, Bo\n")
    assert "28 of 32" in done.stdout


def test_json(files: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """One object, the same on whichever side of the files the option stands."""
    assert main(["compare", "--json", "--merge", *files]) == 0
    first = capsys.readouterr().out
    assert main(["compare", "--merge", *files, "--json"]) == 0
    assert capsys.readouterr().out == first
    assert json.loads(first)["listeners"] == ["Ada", "Bo"]


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (["-r", "warm.toml"], "leave out -r"),
        (["-o", "listen", "--serve"], "leave out -o, --serve"),
        (["--excerpt", "0"], "leave out --excerpt"),
        (["--quiet"], "leave out --quiet"),
        (
            ["--vary", "room.level_db=1", "--steps", "--deep", "--jobs", "1"],
            "--vary, --steps, --deep, --jobs",
        ),
        (["--whole"], "--whole"),
    ],
)
def test_nothing_else_goes_with_it(
    files: list[str], more: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What says how to render is refused by name, and nothing is printed."""
    assert main(["compare", *more, "--merge", *files]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert named in err
    assert main(["compare", "my_session", *more, "--merge", *files]) == 2
    assert "SESSION" in capsys.readouterr().err


def test_a_session_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    """Neither takes nor votes: status 2, with both ways named."""
    assert main(["compare"]) == 2
    assert "SESSION is missing" in capsys.readouterr().err
    assert main(["compare", "--merge"]) == 2
    assert "no votes to merge: name the files" in capsys.readouterr().err


def test_a_bad_file_is_named(tmp_path: Path, files: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2, the file and the remedy on the error stream, no table of the others."""
    bad = tmp_path / "bad.json"
    bad.write_text("{}", encoding="utf-8")
    assert main(["compare", "--merge", *files, str(bad)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "bad.json\n  holds no votes\n  name the files that listeners saved from the page" in err
