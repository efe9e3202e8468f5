"""Every command explains itself within the window of a terminal."""

from __future__ import annotations

import pytest

from render.cli.main import COMMANDS, main

CALLS: tuple[list[str], ...] = (
    [],
    ["render"],
    ["check"],
    ["suggest"],
    ["compare"],
    ["recipe"],
    ["recipe", "check"],
    ["recipe", "show"],
    ["recipe", "plot"],
)


@pytest.mark.parametrize("call", CALLS, ids=" ".join)
@pytest.mark.parametrize("columns", ["80", "200"])
def test_help_fits_eighty_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, call: list[str], columns: str
) -> None:
    """Examples keep their lines, so they must be short by themselves; in a wide window nothing is longer."""
    monkeypatch.setenv("COLUMNS", columns)

    assert main([*call, "--help"]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 5
    assert [line for line in lines if len(line) > 80] == []


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (["chekc", "x"], "there is no command 'chekc'; did you mean drytake check?"),
        (
            ["listen", "x"],
            "there is no command 'listen'; the commands are render, recipe, check, suggest, compare",
        ),
        (
            ["check", "a.wav", "b.wav"],
            "drytake check takes one folder or one file, and here are a.wav, b.wav: put the takes into one folder",
        ),
        (["render", "a", "b", "c"], "takes one folder or one file, and here are a, b, c: "),
        (["check", "a.wav", "--loud"], "what is meant by --loud? See drytake check --help"),
        (["suggest", "x", "-o", "y.toml", "--width", "wide"], "'wide' is no number: write decibels, say -6"),
    ],
)
def test_a_call_that_is_nearly_right_is_told_how(
    capsys: pytest.CaptureFixture[str], call: list[str], said: str
) -> None:
    """The nearest command, one session a call, a number where one belongs."""
    assert main(call) == 2
    assert said in capsys.readouterr().err


def test_the_commands_named_are_those_there_are() -> None:
    """The list that misspelt ones are held against is the parser's own."""
    for command in COMMANDS:
        assert main([command, "--help"]) == 0
