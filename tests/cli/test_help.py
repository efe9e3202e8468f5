"""Every command explains itself within the window of a terminal."""

from __future__ import annotations

import pytest

from render.cli.main import main

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
