"""What is timed, each kind in a process of its own, so that nothing before it counts; prints JSON.

    python -m tests.benchmarks.measure KIND FOLDER

The round-robin goes through all cases again and again, so that a busy moment of the machine falls on all of them.
"""

from __future__ import annotations

import hashlib
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tests.benchmarks.material import LONG_TAKE, Material, make_session, material_in

ROUNDS = 9
BASELINE_EVERY = 3  # it takes as long as all other cases together
SHARE_ROUNDS = 5
TAKES = 8
TWO_CORE_ROUNDS = 3
PASSAGE_S = (60.0, 80.0)
_SAMPLE_EVERY_S = 0.02
_PROBE_BYTES = 400_000_000
_SMAPS = Path("/proc/self/smaps_rollup")

Timing = dict[str, list[float]]


def main(kind: str, folder: Path) -> dict[str, Any]:
    """Measure one kind."""
    kinds: dict[str, Callable[[Material, Path], dict[str, Any]]] = {
        "one-core": measure_one_core,
        "two-cores": measure_two_cores,
        "memory-1": lambda material, folder: measure_memory(material, folder, jobs=1),
        "memory-2": lambda material, folder: measure_memory(material, folder, jobs=2),
        "check": lambda material, _: measure_check(material),
        "check-memory": measure_check_memory,
        "compile-48000": lambda material, _: measure_compile(material, sample_rate_hz=48_000),
        "compile-192000": lambda material, _: measure_compile(material, sample_rate_hz=192_000),
    }
    return kinds[kind](material_in(folder), folder)


def measure_one_core(material: Material, folder: Path) -> dict[str, Any]:
    """Time the tool, both floors and the baseline beside each other, then the parts of the tool."""
    import soundfile

    from render.engine.mix import Passage, make_ready
    from render.recipe.load import load_recipe
    from tests.benchmarks.baseline import prepare_baseline, render_baseline
    from tests.benchmarks.floors import copy_sound, copy_sound_in_blocks, prepare_convolution

    audio, rate = soundfile.read(material.take, dtype="float32")
    recipe = load_recipe(material.recipe)
    ready = make_ready(recipe, sample_rate_hz=rate)
    tail_frames = ready.compiled.tail_frames
    bare = prepare_convolution(audio, ready.compiled.response, frames=len(audio) + tail_frames)
    prepared = prepare_baseline(recipe, sample_rate_hz=rate, tail_frames=tail_frames)
    results = folder / "results"
    with compiled_before():
        cases: dict[str, Callable[[], object]] = {
            "drytake": lambda: render(material.take, material.recipe, results),
            "copy wav": lambda: copy_sound(material.take, folder / "copy.wav"),
            "copy wav in blocks": lambda: copy_sound_in_blocks(material.take, folder / "copy.wav"),
            "bare convolution": bare.run,
            "drytake flac": lambda: render(material.flac_take, material.flac_recipe, results),
            "copy flac": lambda: copy_sound(material.flac_take, folder / "copy.flac"),
            "drytake passage": lambda: render(
                material.take, material.recipe, results, passage=Passage(*PASSAGE_S)
            ),
            "drytake -14 LUFS": lambda: render(material.take, material.loud_recipe, results),
            "baseline": lambda: render_baseline(material.take, folder / "baseline.wav", prepared),
        }
        times = round_robin(cases)
        return {
            "times": times,
            "shares": measure_shares(material, results),
            "line": render(material.take, material.recipe, results),
            "loud line": render(material.take, material.loud_recipe, results),
            "taps": bare.taps,
            "fft_frames": {"floor": bare.fft_frames, "drytake": ready.convolution.fft_frames},
            "outputs": {
                "drytake": str(results / "rich" / "take.wav"),
                "baseline": str(folder / "baseline.wav"),
            },
        }


def round_robin(cases: dict[str, Callable[[], object]]) -> dict[str, Timing]:
    """Wall and processor seconds of every case, round by round; one round before them is not counted."""
    times: dict[str, Timing] = {name: {"wall": [], "processor": []} for name in cases}
    for turn in range(-1, ROUNDS):
        for name, case in cases.items():
            if name == "baseline" and turn % BASELINE_EVERY:
                continue
            wall, processor = time.perf_counter(), time.process_time()
            case()
            if turn >= 0:
                times[name]["wall"].append(time.perf_counter() - wall)
                times[name]["processor"].append(time.process_time() - processor)
    return times


def measure_shares(material: Material, results: Path) -> list[dict[str, float]]:
    """Processor seconds of the parts of a render, and of the whole, several times."""
    from tests.benchmarks.shares import watching

    rounds = []
    for _ in range(SHARE_ROUNDS):
        with watching() as shares:
            began = time.process_time()
            render(material.take, material.recipe, results)
            rounds.append({**shares.seconds, "whole": time.process_time() - began})
    return rounds


def measure_two_cores(material: Material, folder: Path) -> dict[str, Any]:
    """Time a session of eight takes on one core and on two, by turns, everything included."""
    session = make_session(material, folder / "session", takes=TAKES)
    times: dict[str, Timing] = {jobs: {"wall": [], "processor": []} for jobs in ("1", "2")}
    cores = []
    for _ in range(TWO_CORE_ROUNDS):
        for jobs, timing in times.items():
            wall, processor = time.perf_counter(), time.process_time()
            render(session, material.recipe, folder / "results", jobs=int(jobs))
            timing["wall"].append(time.perf_counter() - wall)
            timing["processor"].append(time.process_time() - processor)
        cores.append(cores_to_be_had())
    return {"times": times, "cores": cores}


def cores_to_be_had() -> float:
    """How many cores the machine gives to two threads of this process now: hashing needs nothing else."""
    data = bytes(_PROBE_BYTES)
    threads = [threading.Thread(target=lambda: hashlib.sha256(data).digest()) for _ in range(2)]
    wall, processor = time.perf_counter(), time.process_time()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return (time.process_time() - processor) / (time.perf_counter() - wall)


def measure_compile(material: Material, *, sample_rate_hz: int) -> dict[str, Any]:
    """Seconds of the first compilation in a process, its imports apart."""
    began = time.perf_counter()
    from render.engine.mix import make_ready
    from render.recipe.load import load_recipe

    imported = time.perf_counter()
    recipe = load_recipe(material.recipe)
    loaded = time.perf_counter()
    processor = time.process_time()
    ready = make_ready(recipe, sample_rate_hz=sample_rate_hz)
    return {
        "import": imported - began,
        "load": loaded - imported,
        "compile": time.perf_counter() - loaded,
        "processor": time.process_time() - processor,
        "taps": len(ready.compiled.response),
    }


def measure_check(material: Material) -> dict[str, Any]:
    """Time the line check beside reading the take, and beside reading it with one pass of spectra."""
    from tests.benchmarks.checking import check, decode, decode_and_transform

    cases: dict[str, Callable[[], object]] = {}
    for name, take in (("wav", material.take), ("flac", material.flac_take)):
        cases |= {
            f"check {name}": partial(check, take),
            f"decode {name}": partial(decode, take),
            f"decode and spectra {name}": partial(decode_and_transform, take),
            f"check {name} on two cores": partial(check, take, threads=2),
        }
    return {"times": round_robin(cases)}


def measure_check_memory(material: Material, folder: Path) -> dict[str, Any]:
    """Largest private memory while a take of an hour is checked, and how long reading and transforming it takes.

    The latter before and after, in the mean: over half a minute a shared machine changes its pace.
    """
    from tests.benchmarks.checking import check, decode_and_transform

    def transform() -> float:
        began = time.perf_counter()
        decode_and_transform(folder / LONG_TAKE)
        return time.perf_counter() - began

    before = transform()
    found = _at_most(lambda: {"duration_s": check(folder / LONG_TAKE)})
    return {**found, "spectra": 0.5 * (before + transform())}


def measure_memory(material: Material, folder: Path, *, jobs: int) -> dict[str, Any]:
    """Largest private memory while a take of an hour is rendered."""
    return _at_most(
        lambda: {
            "frames": render(folder / LONG_TAKE, material.recipe, folder / "results", jobs=jobs)["frames"]
        }
    )


def _at_most(action: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """What an action returns, with its largest private memory and its time."""
    peak = 0
    stop = threading.Event()

    def watch() -> None:
        nonlocal peak
        while not stop.wait(_SAMPLE_EVERY_S):
            peak = max(peak, private_bytes())

    sampler = threading.Thread(target=watch)
    sampler.start()
    began = time.perf_counter()
    try:
        result = action()
    finally:
        stop.set()
        sampler.join()
    return {"peak": peak, "wall": time.perf_counter() - began, **result}


def private_bytes() -> int:
    """Memory that belongs to this process and could only be swapped out.

    The field `Anonymous`: `Private_Dirty` would also count pages of the mapped spool file, which the system writes
    to the disc and takes back whenever it needs them.
    """
    for line in _SMAPS.read_text(encoding="ascii").splitlines():
        if line.startswith("Anonymous:"):
            return 1024 * int(line.split()[1])
    raise ValueError(f"{_SMAPS} must have a field Anonymous")


def render(
    session: Path, recipe: Path, results: Path, *, jobs: int = 1, passage: Any = None
) -> dict[str, Any]:
    """Render as the command does and return the first line of the log; any failure is an error."""
    from render.engine.job import Options
    from render.engine.mix import Passage
    from render.workflows.render import RenderRequest, render_session

    options = Options(jobs=jobs, redo=True, passage=passage or Passage())
    result = render_session(
        RenderRequest(session=session, recipes=[recipe], output=results, options=options),
        watch=lambda _: None,
    )
    for line in result.lines:
        if line["status"] != "done":
            raise RuntimeError(f"{line['take']}: {line['reason']}")
    return result.lines[0]


@contextmanager
def compiled_before() -> Iterator[None]:
    """Let every render take its recipe from memory once it was compiled: the round-robin times takes only."""
    from render.engine.mix import make_ready

    known: dict[tuple[str, int], Any] = {}

    def remember(recipe: Any, *, sample_rate_hz: int, double_precision: bool = False) -> Any:
        key = (recipe.name, sample_rate_hz)
        if key not in known:
            known[key] = make_ready(recipe, sample_rate_hz=sample_rate_hz, double_precision=double_precision)
        return known[key]

    with patch("render.engine.ready.make_ready", remember):
        yield


if __name__ == "__main__":
    sys.stdout.write(json.dumps(main(sys.argv[1], Path(sys.argv[2]))))
