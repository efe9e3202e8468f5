"""Ctrl-C: answered at once, whole files only, no traceback, exit status 130."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from render.cli.main import main
from render.cli.stopping import AGAIN, STOPPED, Stopping
from tests.cli.test_render import log_of
from tests.helpers.sessions import write_take
from tests.helpers.signals import plucks

FIRST = "stopping: what is begun is thrown away, finished files stay"
LAST = "stopped; finished files are whole, and the same call goes on from here"

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals are sent in another way there")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Takes enough for some seconds of rendering."""
    folder = tmp_path_factory.mktemp("stopping") / "s"
    audio = np.tile(plucks(2.0, sample_rate_hz=48_000), (10, 1))
    for letter in "abcdefghij":
        write_take(folder / f"take_{letter}.wav", audio=audio)
    return folder


def start(*arguments: object) -> subprocess.Popen[str]:
    """Begin a call in a process of its own."""
    command = [sys.executable, "-m", "render", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def wait_for(condition: Callable[[], object]) -> None:
    """Look until it is so."""
    deadline = time.monotonic() + 60.0
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.005)


def nothing_half(out: Path) -> bool:
    """Whether an output folder holds finished files only."""
    return not [path for path in out.rglob("*") if path.name.startswith(".drytake")]


def test_rendering_is_stopped_and_the_next_run_goes_on(session: Path, tmp_path: Path) -> None:
    """One line at once, another at the end; only whole files are there, and the same call finishes the rest."""
    out = tmp_path / "out"
    call = ("render", session, "-o", out, "--jobs", "2")
    with start(*call) as process:
        wait_for(lambda: list(out.glob("*/*.wav")))
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)

    assert process.returncode == STOPPED
    assert said.splitlines() == [FIRST, LAST]
    assert nothing_half(out)
    done = {line["take"] for line in log_of(out)}
    assert {path.stem for path in out.glob("*/*.wav")} == done
    assert 0 < len(done) < 10

    with start(*call) as again:
        again.communicate(timeout=120)
    assert again.returncode == 0
    assert len(list(out.glob("*/*.wav"))) == 10
    assert {line["take"] for line in log_of(out) if line["status"] == "kept"} == done


@pytest.mark.parametrize("jobs", [1, 2])
def test_hashing_and_compiling_are_stopped(session: Path, tmp_path: Path, jobs: int) -> None:
    """Before the first take is begun, in one thread or more; nothing is left but the folder."""
    out = tmp_path / "out"
    with start("render", session, "-o", out, "--jobs", jobs) as process:
        wait_for(out.exists)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    assert process.returncode == STOPPED
    assert said.splitlines() == [FIRST, LAST]
    assert not [path for path in out.rglob("*") if path.is_file()]


def test_pressed_twice(session: Path, tmp_path: Path) -> None:
    """As once; if the first press is still being worked on, patience is asked for."""
    out = tmp_path / "out"
    with start("render", session, "-o", out, "--jobs", "2") as process:
        wait_for(lambda: list(out.glob("*/.drytake*")))
        process.send_signal(signal.SIGINT)
        time.sleep(0.002)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    assert process.returncode == STOPPED
    assert [line for line in said.splitlines() if line != AGAIN] == [FIRST, LAST]
    assert nothing_half(out)


def test_quiet_is_quiet(session: Path, tmp_path: Path) -> None:
    """With `--quiet` the exit status alone tells."""
    out = tmp_path / "out"
    with start("render", session, "-o", out, "--quiet") as process:
        wait_for(out.exists)
        process.send_signal(signal.SIGINT)
        said = process.communicate(timeout=60)
    assert (process.returncode, *said) == (STOPPED, "", "")


def test_other_commands_are_stopped(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """They say so in one word."""

    def press(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("render.workflows.recipe.shown", press)
    assert main(["recipe", "show"]) == STOPPED
    assert capsys.readouterr().err == "stopped\n"


def test_each_press_has_its_answer(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Stop, patience, and leave whatever it is at."""
    left: list[int] = []
    monkeypatch.setattr(os, "_exit", left.append)
    stopping = Stopping(words="stopping")
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        stopping.answer(signal.SIGINT, None)
    assert capfd.readouterr().err == "stopping\n"
    stopping.answer(signal.SIGINT, None)
    assert (capfd.readouterr().err, left) == (f"{AGAIN}\n", [])
    stopping.answer(signal.SIGINT, None)
    assert left == [STOPPED]


def test_what_a_library_makes_of_it_is_no_fault_of_ours(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Some turn it into an error of their own: still stopped, still no traceback."""
    stopping = Stopping()

    def fail(*_: object, **__: object) -> None:
        with pytest.raises(KeyboardInterrupt, match=r"^$"):
            stopping.answer(signal.SIGINT, None)
        raise ImportError("half of it is missing")

    monkeypatch.setattr("render.workflows.recipe.shown", fail)
    assert main(["recipe", "show"], stopping=stopping) == STOPPED
    assert capsys.readouterr().err == ""
