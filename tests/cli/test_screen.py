"""The table of `drytake render` in windows of several widths."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from render.cli.screen import print_result, watching
from render.engine.job import Event
from render.workflows.check.session import CheckRequest, check_session
from render.workflows.render import RenderRequest, RenderResult, render_session
from tests.helpers.sessions import PLAIN_RECIPE, write_recipe, write_take


@pytest.fixture
def result(tmp_path: Path) -> RenderResult:
    """One take, with a recipe that has "auto"."""
    auto = PLAIN_RECIPE.replace("gain_db = -6.0", 'gain_db = -6.0\npolarity = "auto"')
    recipe = write_recipe(tmp_path / "automatic.toml", auto)
    write_take(tmp_path / "session" / "01_take.wav")
    request = RenderRequest(tmp_path / "session", [recipe], tmp_path / "out")
    return render_session(request, watch=lambda _event: None)


@pytest.mark.parametrize(
    ("width", "left_out"),
    [
        (120, ""),
        (95, "recipe, took"),
        (70, "recipe, range, limiter, side/mid, took"),
        (45, "recipe, range, true peak, limiter, side/mid, in mono, took"),
        (30, "recipe, range, true peak, limiter, side/mid, in mono, moved, took"),
    ],
)
def test_a_window_shows_what_it_has_room_for_and_names_the_rest(
    result: RenderResult,
    width: int,
    left_out: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Take, result and loudness are always there; what is not is named, with the file that has it."""
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)

    print_result(result)

    lines = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out).splitlines()
    text = " ".join(" ".join(lines).split())
    for heading in ("take", "recipe", "result", "loudness", "range", "true peak", "in mono", "moved", "took"):
        shown = heading in " ".join(" ".join(lines[:2]).split())
        assert shown != (heading in left_out.split(", ")), heading
    assert ("no room for: " in text) == bool(left_out)
    if left_out:
        assert f"no room for: {left_out}; widen the window, or see summary.txt" in text


def test_a_bar_says_what_is_done(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A check listens and renders nothing."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    for text, said in (("listening", "listening"), ("", "rendering")):
        with watching(silent=False) as watch:
            watch(Event("frames-to-do", 100, text=text))
        assert said in capsys.readouterr().out


def test_a_check_says_that_it_listens(tmp_path: Path) -> None:
    """To whoever watches."""
    write_take(tmp_path / "take.wav")
    events: list[Event] = []
    check_session(CheckRequest(tmp_path), watch=events.append)
    assert [event.text for event in events if event.kind == "frames-to-do"] == ["listening"]
