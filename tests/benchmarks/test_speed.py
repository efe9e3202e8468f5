"""How fast the tool is, as ratios measured in one run: against the floor of files, the bare convolution, a good script.

Run by `pytest -m benchmark` only; takes some minutes. Seconds depend on the machine, so none is asserted; bars are
judged by wall time, processor time is printed beside it. The print says if other programs were in the way.
Recipes are compiled before the round-robin: a batch does that once, and its time is printed by itself.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.benchmarks.material import LONG_TAKE, TAKE_S, Material, make_long_take, make_material
from tests.benchmarks.measure import PASSAGE_S, Timing

MOST_OVER_FILES = 3.0
MOST_OVER_CONVOLUTION = 3.0
LEAST_UNDER_BASELINE = 12.0
MOST_OVER_FLAC = 2.0
MOST_HELP_STARTS = 10.0
LEAST_TWO_CORE_GAIN = 1.6
LEAST_CORES = 1.9
MOST_PRIVATE_BYTES = 250e6
# A second where copying the take costs 0.2 s, as on the machine of the bars.
MOST_COMPILE_OVER_FILES = 5.0
# Of the whole take's time, for a ninth of its length: the grid of the convolution rounds up, the hash is of the file.
MOST_PASSAGE_FRACTION = 0.5

_ROOT = Path(__file__).resolve().parents[2]
_BUSY = 1.15
_STARTS = 15
Show = Callable[[str], None]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where take, recipes and results lie."""
    return tmp_path_factory.mktemp("speed")


@pytest.fixture(scope="module")
def material(folder: Path) -> Material:
    """A take of three minutes and a rich recipe."""
    return make_material(folder)


@pytest.fixture(scope="module")
def measured(material: Material, folder: Path) -> dict[str, Any]:
    """Everything that was timed by turns on one core."""
    return measure_in_own_process("one-core", folder)


@pytest.fixture
def show(capsys: pytest.CaptureFixture[str]) -> Show:
    """Print past pytest's capture: figures are the purpose of a benchmark."""

    def print_now(text: str) -> None:
        with capsys.disabled():
            sys.stdout.write(f"{text}\n")

    return print_now


def measure_in_own_process(kind: str, folder: Path) -> dict[str, Any]:
    """Run `tests.benchmarks.measure`; its libraries may use one thread, so that two cores are our doing."""
    environment = dict(os.environ)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        environment[name] = "1"
    # Workarounds for old builds: they make a current numpy slower than users will have it.
    for name in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE"):
        environment.pop(name, None)
    run = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.measure", kind, str(folder)],
        cwd=_ROOT, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    result: dict[str, Any] = json.loads(run.stdout)
    return result


@dataclass(frozen=True)
class Ratio:
    """Two cases of a round-robin against each other: medians of the ratios of each round."""

    wall: float
    processor: float

    def __str__(self) -> str:
        return f"{self.wall:.2f} ({self.processor:.2f} by processor time)"


def ratio(times: dict[str, Timing], case: str, to: str) -> Ratio:
    """Compare two cases; one that was not run in every round, by the medians of each."""
    first, second = times[case], times[to]

    def of(clock: str) -> float:
        if len(first[clock]) != len(second[clock]):
            return statistics.median(first[clock]) / statistics.median(second[clock])
        return statistics.median(a / b for a, b in zip(first[clock], second[clock], strict=True))

    return Ratio(of("wall"), of("processor"))


def waiting(timing: Timing) -> float:
    """Wall time over processor time."""
    return statistics.median(timing["wall"]) / statistics.median(timing["processor"])


def test_figures(measured: dict[str, Any], show: Show) -> None:
    """Every part of a render is known, and the parts make up the whole."""
    show(f"\n{machine()}")
    if waiting(measured["times"]["bare convolution"]) > _BUSY:
        show("OTHER PROGRAMS TAKE THE CORE AWAY: measure again on a quiet machine")
    show(f"take of {TAKE_S:.0f} s, recipe of {measured['taps']} taps, transforms of {measured['fft_frames']}")
    show(f"{'':18} {'median':>8} {'spread':>14} {'processor':>10}  times real time")
    for case, timing in measured["times"].items():
        wall, processor = sorted(timing["wall"]), statistics.median(timing["processor"])
        middle = statistics.median(wall)
        length_s = PASSAGE_S[1] - PASSAGE_S[0] if case == "drytake passage" else TAKE_S
        show(
            f"{case:18} {middle:7.3f}s {wall[0]:6.3f}-{wall[-1]:6.3f}s {processor:9.3f}s  {length_s / middle:.0f}"
        )
    for name in ("line", "loud line"):
        line = measured[name]
        show(
            f"{line['recipe']}: {line['loudness_lufs']:.2f} LUFS, {line['true_peak_dbtp']:.2f} dBTP, "
            f"limiter {line['limiter_max_reduction_db']:.1f} dB at most, {line['limiter_active_s']:.1f} s"
        )
    shares, rest = shares_of(measured["shares"])
    show(
        "share of each part: "
        + ", ".join(f"{part} {share:.1%}" for part, share in shares)
        + f", rest {rest:.1%}"
    )
    assert 0.0 <= rest < 0.1


def shares_of(rounds: list[dict[str, float]]) -> tuple[list[tuple[str, float]], float]:
    """Medians of each part's share, largest first, and what is left."""
    parts = [part for part in rounds[0] if part != "whole"]
    shares = {part: statistics.median(each[part] / each["whole"] for each in rounds) for part in parts}
    return sorted(shares.items(), key=lambda entry: -entry[1]), 1.0 - sum(shares.values())


def test_wav_against_copying_the_file(measured: dict[str, Any], show: Show) -> None:
    """A render takes little more than decoding and encoding the take."""
    found = ratio(measured["times"], "drytake", "copy wav")
    show(f"\nrender / copy of the WAV: {found}; at most {MOST_OVER_FILES}")
    show(f"render / copy of the WAV in blocks: {ratio(measured['times'], 'drytake', 'copy wav in blocks')}")
    assert found.wall <= MOST_OVER_FILES


def test_wav_against_the_bare_convolution(measured: dict[str, Any], show: Show) -> None:
    """Everything around the convolution costs no more than twice the convolution."""
    found = ratio(measured["times"], "drytake", "bare convolution")
    show(f"\nrender / bare 2 x 2 convolution in memory: {found}; at most {MOST_OVER_CONVOLUTION}")
    assert found.wall <= MOST_OVER_CONVOLUTION


def test_wav_against_a_good_script(measured: dict[str, Any], show: Show) -> None:
    """The compiled recipe is many times faster than the same stages one by one."""
    found = ratio(measured["times"], "baseline", "drytake")
    show(f"\nscript of stages / render: {found}; at least {LEAST_UNDER_BASELINE}")
    assert found.wall >= LEAST_UNDER_BASELINE


def test_flac_against_copying_the_file(measured: dict[str, Any], show: Show) -> None:
    """With FLAC in and out the codec is most of the work."""
    found = ratio(measured["times"], "drytake flac", "copy flac")
    show(f"\nFLAC render / copy of the FLAC: {found}; at most {MOST_OVER_FLAC}")
    assert found.wall <= MOST_OVER_FLAC


def test_passage_against_the_whole(measured: dict[str, Any], show: Show) -> None:
    """Trying a value on 20 s does not wait for three minutes."""
    found = ratio(measured["times"], "drytake passage", "drytake")
    show(f"\n20 s out of {TAKE_S:.0f} s / the whole: {found}; at most {MOST_PASSAGE_FRACTION}")
    assert found.wall <= MOST_PASSAGE_FRACTION


def test_script_and_tool_do_the_same_job(measured: dict[str, Any], show: Show) -> None:
    """Both come to the same loudness under the same ceiling, by another meter: the comparison is fair."""
    for name, path in measured["outputs"].items():
        loudness, peak_db = loudness_and_peak(Path(path))
        show(f"\n{name}: {loudness:.3f} LUFS, {peak_db:.3f} dBTP")
        assert abs(loudness + 16.0) <= 0.02
        assert peak_db <= -0.9


def loudness_and_peak(path: Path) -> tuple[float, float]:
    """What libebur128 reads of a file."""
    import pyebur128
    import soundfile

    audio, rate = soundfile.read(path, dtype="float64")
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(2, rate, mode)
    state.add_frames(np.ascontiguousarray(audio).reshape(-1), len(audio))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(2))
    return float(pyebur128.get_loudness_global(state)), float(20.0 * np.log10(peak))


def test_compile(material: Material, measured: dict[str, Any], folder: Path, show: Show) -> None:
    """The richest recipe is compiled, in a fresh process, in about the time in which files are copied a few times."""
    cold = {rate: measure_in_own_process(f"compile-{rate}", folder) for rate in (48_000, 192_000)}
    for rate, figures in cold.items():
        show(
            f"\ncold compile at {rate} Hz: {figures['compile']:.2f} s (processor {figures['processor']:.2f} s), "
            f"{figures['taps']} taps; imports {figures['import']:.2f} s, loading {figures['load']:.2f} s"
        )
    copy_s = statistics.median(measured["times"]["copy wav"]["processor"])
    found = cold[48_000]["processor"] / copy_s
    show(f"cold compile at 48 kHz / copy of the WAV: {found:.1f}; at most {MOST_COMPILE_OVER_FILES}")
    assert found <= MOST_COMPILE_OVER_FILES


@pytest.mark.parametrize("jobs", [1, 2])
def test_memory_of_an_hour(material: Material, folder: Path, show: Show, jobs: int) -> None:
    """A take of an hour needs no more private memory than one of minutes."""
    if not Path("/proc/self/smaps_rollup").exists():
        pytest.skip("this system does not tell private memory (/proc/self/smaps_rollup)")
    if not (folder / LONG_TAKE).exists():
        make_long_take(material, folder)
    found = measure_in_own_process(f"memory-{jobs}", folder)
    show(f"\nan hour, {jobs} at a time: {found['peak'] / 1e6:.0f} MB private at most, {found['wall']:.1f} s")
    assert found["frames"] > 3600 * 48_000
    assert found["peak"] <= MOST_PRIVATE_BYTES


def test_two_cores(material: Material, folder: Path, show: Show) -> None:
    """Eight takes on two cores: reading headers, hashing and compiling included."""
    if (os.cpu_count() or 1) < 2:
        pytest.skip("this machine has one core")
    measured = measure_in_own_process("two-cores", folder)
    times, cores = measured["times"], statistics.median(measured["cores"])
    one, two = (statistics.median(times[jobs]["wall"]) for jobs in ("1", "2"))
    gain = ratio(times, "1", "2").wall
    work = ratio(times, "2", "1").processor
    show(
        f"\neight takes: one core {one:.2f} s, two {two:.2f} s, gain {gain:.2f}; at least {LEAST_TWO_CORE_GAIN}; "
        f"two threads together use {work:.2f} times the processor time of one; cores to be had {cores:.2f}"
    )
    if gain < LEAST_TWO_CORE_GAIN and cores < LEAST_CORES:
        pytest.skip(f"other programs leave {cores:.2f} cores of two: nothing can be said of the gain")
    assert gain >= LEAST_TWO_CORE_GAIN


def test_help(show: Show) -> None:
    """The command explains itself at once."""
    calls = {
        "bare": [sys.executable, "-c", "pass"],
        "help": [sys.executable, "-c", "from render.cli.main import run; run()", "--help"],
    }
    walls: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(_STARTS):
        for name, call in calls.items():
            began = time.perf_counter()
            subprocess.run(call, cwd=_ROOT, stdout=subprocess.DEVNULL, check=True)
            walls[name].append(time.perf_counter() - began)
    bare, help_s = (statistics.median(walls[name]) for name in ("bare", "help"))
    show(
        f"\n--help {help_s:.3f} s / bare interpreter {bare:.3f} s: {help_s / bare:.1f}; at most {MOST_HELP_STARTS}"
    )
    assert help_s / bare <= MOST_HELP_STARTS


def machine() -> str:
    """What this was measured on."""
    import scipy
    import soundfile

    model = platform.processor() or platform.machine()
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
        model = next(
            line.split(":", 1)[1].strip() for line in text.splitlines() if line.startswith("model name")
        )
    except (OSError, StopIteration):
        pass
    return (
        f"{model}, {os.cpu_count()} cores, {platform.system()}; Python {platform.python_version()}, "
        f"numpy {np.__version__}, scipy {scipy.__version__}, libsndfile {soundfile.__libsndfile_version__}"
    )
