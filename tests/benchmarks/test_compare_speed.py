"""How fast a listening page is made: its time follows the excerpts, not the takes; a changed recipe is one column.

Run by `pytest -m benchmark` only. Judged by processor time of all threads, since a busy machine stretches the wall's.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.workflows.compare.session import CompareRequest, CompareResult, compare_session
from tests.benchmarks.material import RATE_HZ, RECIPE, TAKE_FRAMES, TAKE_S, make_material, synthesise_plucks
from tests.benchmarks.test_speed import Show, machine, show

TAKES = 12
DECAYS_S = (0.8, 1.2, 1.6, 2.0)
VERSIONS = len(DECAYS_S) + 1
WHOLE_TAKES = 2
# Twice the length, twice the time: nearly all of it is sound to be convolved, measured and packed as FLAC.
MOST_FOR_TWICE = 2.0
MOST_OF_WHOLE = 0.5
MOST_FOR_ONE_RECIPE = 0.5
MOST_FOR_NOTHING = 0.2

__all__ = ["show"]


@dataclass(frozen=True)
class Timed:
    """What came of a run, and the seconds that it took."""

    result: CompareResult
    processor_s: float
    wall_s: float


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Twelve takes of three minutes, each another, and four recipes."""
    found = tmp_path_factory.mktemp("compare-speed")
    make_material(found)
    session, few = found / "session", found / "few"
    session.mkdir()
    few.mkdir()
    audio = synthesise_plucks(TAKE_FRAMES, seed=1)
    for number in range(TAKES):
        take = np.roll(audio, number * 11 * RATE_HZ, axis=0)
        soundfile.write(session / f"take_{number:02d}.wav", take, RATE_HZ, subtype="PCM_24")
    for number in range(WHOLE_TAKES):
        shutil.copy(session / f"take_{number:02d}.wav", few)
    for number, decay_s in enumerate(DECAYS_S):
        write_recipe(found, number, decay_s)
    yield found
    shutil.rmtree(found, ignore_errors=True)


def write_recipe(folder: Path, number: int, decay_s: float) -> None:
    """One of the four."""
    text = RECIPE.replace("decay_1khz_s = 1.8", f"decay_1khz_s = {decay_s}")
    (folder / f"recipe_{number}.toml").write_text(text, encoding="utf-8")


def compare(folder: Path, output: str, *, session: str = "session", excerpt_s: float | None = 20.0) -> Timed:
    """One run on one core."""
    recipes = [folder / f"recipe_{number}.toml" for number in range(len(DECAYS_S))]
    request = CompareRequest(folder / session, recipes, folder / output, excerpt_s)
    began, wall = time.process_time(), time.perf_counter()
    result = compare_session(request, watch=lambda _event: None)
    return Timed(result, time.process_time() - began, time.perf_counter() - wall)


def test_time_follows_the_excerpts(folder: Path, show: Show) -> None:
    """Excerpts of 10, 20 and 40 s; whole takes, two of them; then one changed recipe, and none."""
    runs = {
        seconds: compare(folder, f"listen_{seconds:g}", excerpt_s=seconds) for seconds in (10.0, 20.0, 40.0)
    }
    whole = compare(folder, "whole", session="few", excerpt_s=None)
    write_recipe(folder, 2, 1.7)
    changed = compare(folder, "listen_20")
    nothing = compare(folder, "listen_20")

    show(
        f"\n{machine()}\n{TAKES} takes of {TAKE_S:.0f} s, {len(DECAYS_S)} recipes and the capture, one core:"
    )
    for seconds, run in runs.items():
        made = 2 * seconds * TAKES * VERSIONS
        show(
            f"excerpts of {seconds:g} s: {_text(run)}, {1e3 * run.processor_s / made:.1f} ms a second of sound"
        )
    scaled = whole.processor_s * TAKES / WHOLE_TAKES
    show(f"whole takes, {WHOLE_TAKES} of {TAKES}: {_text(whole)}; all of them would take {scaled:.0f} s")
    show(f"one recipe changed (20 s): {_text(changed)}; nothing changed: {_text(nothing)}")

    assert runs[20.0].result.rendered == 2 * TAKES * VERSIONS
    assert (changed.result.rendered, changed.result.kept) == (2 * TAKES, 2 * TAKES * (VERSIONS - 1))
    assert nothing.result.rendered == 0
    assert runs[40.0].processor_s <= MOST_FOR_TWICE * runs[20.0].processor_s
    assert runs[20.0].processor_s <= MOST_OF_WHOLE * scaled
    assert changed.processor_s <= MOST_FOR_ONE_RECIPE * runs[20.0].processor_s
    assert nothing.processor_s <= MOST_FOR_NOTHING * runs[20.0].processor_s


def _text(run: Timed) -> str:
    return f"{run.processor_s:.1f} s of processor, {run.wall_s:.1f} s by the wall, {run.result.rendered} rendered"
