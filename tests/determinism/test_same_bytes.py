"""The same takes and recipes give the same bytes: whatever the workers, the order, the folder, the interruptions."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pytest

from render.engine import batch, finishing, store
from render.engine.job import Event, Options
from render.engine.mix import Passage
from render.session.takes import Session, find_takes
from render.workflows import render as workflow
from render.workflows.render import RenderRequest, render_session
from tests.helpers.sessions import PLAIN_RECIPE, write_recipe, write_take

ROOM = "[room]\ndecay_1khz_s = 0.2\npre_delay_ms = 9\nlevel_db = -10.0\n"
LIMITED = "loudness_lufs = -11.0\nlimit_at_most_db = 6.0\ntail_s = 0.3\n"
RECIPES = {
    "wav24": f"[finish]\n{LIMITED}",
    "float": '[finish]\nbit_depth = "float"\nhead_s = 0.02\n',
    "flac16": '[finish]\nformat = "flac"\nbit_depth = 16\nlevel_by = "session"\nloudness_lufs = -14.0\n',
    "flac24": f'[finish]\nformat = "flac"\nsample_rate_hz = 44100\n{LIMITED}',
    "ogg": '[finish]\nformat = "ogg"\n',
    "opus": '[finish]\nformat = "opus"\n',
    "mp3": '[finish]\nformat = "mp3"\n',
    "auto": "[finish]\ntail_s = 0.1\n",
}
AUTO_RECIPE = PLAIN_RECIPE.replace("gain_db = -6.0", 'gain_db = -6.0\ndelay_ms = "auto"\npolarity = "auto"')
WITH_ROOM = {"float", "flac16", "opus"}  # some of every kind: a room costs more than such a take
EXACT = ("wav24", "float", "flac16", "flac24", "auto")
CHANGING = {"seconds", "output_modified_ns", "input_files"}

Lines = dict[str, dict[str, Any]]
T = TypeVar("T")


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a session of takes of several lengths and rates, and recipes for every format."""
    folder = tmp_path_factory.mktemp("given")
    session = folder / "session"
    write_take(session / "01_long.wav", duration_s=5.5, seed=1)
    write_take(session / "02_short.wav", duration_s=0.4, seed=2)
    write_take(session / "03_loud.flac", audio=3.0 * write_take(folder / "x.wav", duration_s=0.8, seed=3))
    write_take(session / "04_other_rate.wav", duration_s=0.7, sample_rate_hz=44_100, seed=4)
    write_take(session / "05_silence.wav", audio=np.zeros((20_000, 2)))
    for name, finish in RECIPES.items():
        room = ROOM if name in WITH_ROOM else ""
        sources = AUTO_RECIPE if name == "auto" else PLAIN_RECIPE
        write_recipe(folder / f"{name}.toml", sources, room, finish)
    return folder


@pytest.fixture(scope="module")
def usual(given: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, str], Lines]:
    """Hashes and log lines of one plain run, one render after the other."""
    out = tmp_path_factory.mktemp("usual")
    lines = rendered(given, out)
    assert len(lines) == 5 * len(RECIPES)
    return hashes(out), lines


def request(
    given: Path, out: Path, recipes: Collection[str] = tuple(RECIPES), **options: Any
) -> RenderRequest:
    """The session with these recipes, into a folder."""
    return RenderRequest(
        session=given / "session",
        recipes=[given / f"{name}.toml" for name in recipes],
        output=out,
        options=Options(**options),
    )


def rendered(given: Path, out: Path, recipes: Collection[str] = tuple(RECIPES), **options: Any) -> Lines:
    """Render; the lines of the log by output."""
    result = render_session(request(given, out, recipes, **options), watch=lambda _event: None)
    assert not result.failed
    return by_output(result.lines)


def of(recipes: Collection[str], found: dict[str, T]) -> dict[str, T]:
    """What belongs to these recipes."""
    return {name: value for name, value in found.items() if name.split("/")[0] in recipes}


def by_output(lines: list[dict[str, Any]]) -> Lines:
    """Lines without what is another one every time."""
    return {
        line["output"]: {key: value for key, value in line.items() if key not in CHANGING} for line in lines
    }


def hashes(out: Path) -> dict[str, str]:
    """SHA-256 of every finished file."""
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in out.glob("*/*.*")
    }


def test_every_take_and_recipe_gives_other_bytes(usual: tuple[dict[str, str], Lines]) -> None:
    """The comparison means something: no two files are alike but those of silence."""
    found, _ = usual
    assert len({value for name, value in found.items() if "silence" not in name}) == 4 * len(RECIPES)


@pytest.mark.parametrize("jobs", [1, 3])
def test_any_number_of_jobs_and_a_second_run(
    given: Path, usual: tuple[dict[str, str], Lines], tmp_path: Path, jobs: int
) -> None:
    """Files and figures."""
    lines = rendered(given, tmp_path, jobs=jobs)

    assert hashes(tmp_path) == usual[0]
    assert lines == usual[1]


def test_any_order_of_takes_and_recipes(
    given: Path,
    usual: tuple[dict[str, str], Lines],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Shuffled."""
    order = random.Random(1)

    def shuffled(*arguments: Any, **options: Any) -> Session:
        session = find_takes(*arguments, **options)
        return replace(session, takes=tuple(order.sample(session.takes, len(session.takes))))

    monkeypatch.setattr(workflow, "find_takes", shuffled)

    lines = rendered(given, tmp_path, order.sample(EXACT, len(EXACT)), jobs=2)

    assert hashes(tmp_path) == of(EXACT, usual[0])
    assert lines == of(EXACT, usual[1])


def test_take_by_take(given: Path, usual: tuple[dict[str, str], Lines], tmp_path: Path) -> None:
    """Each file called by itself, last first; a session's common gain aside."""
    for take in sorted((given / "session").iterdir(), reverse=True):
        render_session(
            replace(
                request(given, tmp_path), session=take, recipes=[given / "wav24.toml", given / "opus.toml"]
            ),
            watch=lambda _event: None,
        )

    assert hashes(tmp_path) == of(["wav24", "opus"], usual[0])


def test_another_place(given: Path, usual: tuple[dict[str, str], Lines], tmp_path: Path) -> None:
    """Session, recipes and results in folders of other names and depths."""
    moved = tmp_path / "a far" / "place"
    shutil.copytree(given, moved)

    lines = rendered(moved, tmp_path / "b", EXACT, jobs=2)

    assert hashes(tmp_path / "b") == of(EXACT, usual[0])
    identities = {name: line["identity"] for name, line in of(EXACT, usual[1]).items()}
    assert {name: line["identity"] for name, line in lines.items()} == identities


def test_another_process(given: Path, usual: tuple[dict[str, str], Lines], tmp_path: Path) -> None:
    """The real command, with relative paths, another hash seed, and another number of threads of linear algebra."""
    threads = "3"
    environment = {
        **os.environ,
        "PYTHONHASHSEED": threads,
        "OPENBLAS_NUM_THREADS": threads,
        "OMP_NUM_THREADS": threads,
        "PYTHONPATH": str(Path(__file__).parents[2]),
    }
    recipes = ["wav24", "flac16"]
    named = [word for name in recipes for word in ("-r", f"{name}.toml")]
    call = [sys.executable, "-m", "render", "render", "session", *named, "-o", str(tmp_path), "--quiet"]
    subprocess.run([*call, "--jobs", threads], cwd=given, env=environment, check=True, timeout=120)

    assert hashes(tmp_path) == of(recipes, usual[0])


def after_lines(count: int) -> Callable[[Event], bool]:
    """Whether so many renders are done."""
    left = iter(range(count - 1, -1, -1))
    return lambda event: event.kind == "line" and next(left) == 0


def after_frames(count: int) -> Callable[[Event], bool]:
    """Whether so many frames have been mixed: in the middle of a take."""
    done = [0]

    def reached(event: Event) -> bool:
        done[0] += event.frames if event.kind == "frames-done" else 0
        return done[0] > count

    return reached


@pytest.mark.parametrize(
    ("jobs", "stop"),
    [(1, lambda: after_lines(1)), (2, lambda: after_lines(7)), (2, lambda: after_frames(400_000))],
    ids=["after a file", "after seven", "in the middle"],
)
def test_after_an_interruption(
    given: Path,
    usual: tuple[dict[str, str], Lines],
    tmp_path: Path,
    jobs: int,
    stop: Callable[[], Callable[[Event], bool]],
) -> None:
    """Stopped, gone on with: nothing half is left, what was done stays, and the whole is the same."""
    reached = stop()

    def interrupt(event: Event) -> None:
        if reached(event):
            raise KeyboardInterrupt

    recipes = ["wav24", "float", "flac16"]
    with pytest.raises(KeyboardInterrupt):
        render_session(request(given, tmp_path, recipes, jobs=jobs), watch=interrupt)
    half, whole = hashes(tmp_path), of(recipes, usual[0])
    assert len(half) < len(whole)
    assert half == {name: whole[name] for name in half}
    log = tmp_path / "log.jsonl"
    said = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
    assert {json.loads(line)["output"] for line in said} == set(half)

    lines = rendered(given, tmp_path, recipes, jobs=jobs)

    assert hashes(tmp_path) == whole
    assert {name for name, line in lines.items() if line["status"] == "kept"} == set(half)
    assert {name: {**line, "status": "done"} for name, line in lines.items()} == of(recipes, usual[1])


@pytest.mark.parametrize(
    ("jobs", "in_memory_bytes", "write_frames"),
    [(2, 96_000_000, 4999), (5, 1000, 601)],
)
def test_workers_inside_a_long_take_and_spooled_mixes(
    given: Path,
    usual: tuple[dict[str, str], Lines],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    jobs: int,
    in_memory_bytes: int,
    write_frames: int,
) -> None:
    """One long take over all cores, blocks of any length; the mix in memory or in a file."""
    monkeypatch.setattr(batch, "LONG_TAKE_S", 0.5)
    monkeypatch.setattr(store, "IN_MEMORY_BYTES", in_memory_bytes)
    monkeypatch.setattr(finishing, "WRITE_FRAMES", write_frames)

    recipes = [*EXACT, "ogg"]
    lines = rendered(given, tmp_path, recipes, jobs=jobs)

    assert hashes(tmp_path) == of(recipes, usual[0])
    assert lines == of(recipes, usual[1])
    assert not list(tmp_path.rglob(f"{store.PREFIX}*"))


def test_a_passage_and_double_precision(given: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They too: one job, three jobs, workers inside."""
    options = {"passage": Passage(0.2, 5.4), "double_precision": True}
    outs, recipes = [tmp_path / name for name in "abc"], ["flac24"]
    rendered(given, outs[0], recipes, **options)
    rendered(given, outs[1], recipes, jobs=3, **options)
    monkeypatch.setattr(batch, "LONG_TAKE_S", 0.5)
    monkeypatch.setattr(store, "IN_MEMORY_BYTES", 1000)
    rendered(given, outs[2], recipes, jobs=2, **options)

    assert len(hashes(outs[0])) == 5 * len(recipes)
    assert hashes(outs[0]) == hashes(outs[1]) == hashes(outs[2])
