"""Loudness and peaks of finished files, as the command line leaves them, by other people's meters."""

from __future__ import annotations

import functools
import json
import math
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.cli.main import main
from tests.helpers.sessions import PLAIN_RECIPE, ROOM, write_recipe
from tests.helpers.signals import noise, plucks
from tests.helpers.source import source
from tests.reference.test_true_peak import scipy_peak

Audio = NDArray[np.float64]
EXAMPLES = Path(__file__).parents[2] / "example_sessions"
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 192_000)
EBUR128 = "libebur128 1.2.6 through pyebur128"
SCIPY_PEAK = "SciPy, signal.resample_poly at 16 times"


def rendered(
    folder: Path, session: Path, finish: str, *options: object, room: str = ROOM
) -> list[dict[str, Any]]:
    """Render with the plain recipe and this finish; the log's lines, each with the file's whole path."""
    recipe = write_recipe(folder / "r.toml", PLAIN_RECIPE, room, finish)
    call = ["render", session, "-r", recipe, "-o", folder / "out", "--quiet", *options]
    assert main([str(word) for word in call]) == 0
    log = (folder / "out" / "log.jsonl").read_text(encoding="utf-8").splitlines()
    lines = [json.loads(line) for line in log]
    return [{**line, "output": folder / "out" / line["output"]} for line in lines]


def read(path: Path) -> tuple[Audio, int]:
    """Samples of a file, by libsndfile."""
    audio, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    return np.asarray(audio), int(rate_hz)


def loudness_lufs(audio: Audio, rate_hz: int) -> float:
    """Integrated, by libebur128."""
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(audio).reshape(-1), len(audio))
    return float(pyebur128.get_loudness_global(state))


def true_peak_dbtp(audio: Audio) -> float:
    """By SciPy at 16 times."""
    return 20.0 * math.log10(scipy_peak(audio, taps=64))


def knocks(duration_s: float, rate_hz: int) -> Audio:
    """Soft plucks with hard knocks that begin within one frame: much for a limiter to do."""
    audio = 0.3 * plucks(duration_s, sample_rate_hz=rate_hz, seed=6)
    random = np.random.default_rng(8)
    length = rate_hz // 100
    decay = np.exp(-np.arange(length) / (0.002 * rate_hz))[:, np.newaxis]
    for start in random.integers(0, len(audio) - length, 9):
        audio[start : start + length] += random.uniform(-0.4, 0.4, (length, 2)) * decay
    return audio


def percussive(duration_s: float, rate_hz: int) -> Audio:
    """The same as a microphone gives it: nothing near half the sample rate."""
    low_pass = scipy.signal.firwin(201, 0.8)[:, np.newaxis]
    return np.asarray(scipy.signal.fftconvolve(knocks(duration_s, rate_hz), low_pass, mode="same", axes=0))


def bassy(duration_s: float, rate_hz: int) -> Audio:
    """A low string, a step of the foot below hearing, and a constant voltage."""
    seconds = np.arange(round(duration_s * rate_hz))[:, np.newaxis] / rate_hz
    note = np.exp(-seconds % 0.7) * np.sin(2 * np.pi * np.array([61.7, 82.4]) * seconds)
    return 0.2 * note + 0.2 * np.sin(2 * np.pi * np.array([7.0, 9.0]) * seconds) + 0.05


MATERIAL: dict[str, Callable[[int], Audio]] = {
    "plucks": lambda rate_hz: plucks(1.1, sample_rate_hz=rate_hz, seed=2),
    "percussive": lambda rate_hz: percussive(1.1, rate_hz),
    "knocks": lambda rate_hz: knocks(1.1, rate_hz),
    "bassy": lambda rate_hz: bassy(1.1, rate_hz),
    "hiss": lambda rate_hz: noise(2 * rate_hz // 3, seed=3),
    "one_sided": lambda rate_hz: plucks(0.8, sample_rate_hz=rate_hz, seed=4) * np.array([1.0, 0.0]),
}


ENCODED = ("plucks", "percussive", "knocks", "bassy")  # each is encoded and decoded up to six times


@functools.cache
def _session(folder: Path, rate_hz: int, takes: tuple[str, ...] = tuple(MATERIAL)) -> Path:
    session = folder / f"session_{rate_hz}_{len(takes)}"
    session.mkdir()
    for name in takes:
        soundfile.write(session / f"{name}.wav", MATERIAL[name](rate_hz), rate_hz, subtype="PCM_24")
    return session


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where sessions of synthetic takes lie."""
    return tmp_path_factory.mktemp("material")


def says_it_gave_way(line: dict[str, Any]) -> bool:
    """Whether the log tells that the loudness was not reached."""
    return any("below the wanted loudness" in words for words in line["warnings"])


def check_levels(
    line: dict[str, Any], *, target_lufs: float, limit_at_most_db: float, ceiling_dbtp: float
) -> None:
    """The file against the design's bounds and its log line."""
    audio, rate_hz = read(line["output"])
    name, heard_lufs, peak_dbtp = line["take"], loudness_lufs(audio, rate_hz), true_peak_dbtp(audio)
    gave_way = says_it_gave_way(line)
    assert peak_dbtp <= ceiling_dbtp + 0.05, name
    exact = name not in {"knocks", "hiss"}  # up to half the rate, where no two interpolators agree
    assert not exact or abs(line["true_peak_dbtp"] - peak_dbtp) <= 0.05, name
    assert line["limiter_max_reduction_db"] <= limit_at_most_db + 1e-6, name
    if gave_way:
        assert heard_lufs < target_lufs - 0.02, name
        assert line["limiter_max_reduction_db"] >= limit_at_most_db - 0.01, name
        assert not exact or peak_dbtp >= ceiling_dbtp - 0.05, name
        assert abs(heard_lufs - line["loudness_lufs"]) <= 0.035, (
            name
        )  # two practices of weighting at high rates
    else:
        assert abs(heard_lufs - target_lufs) <= 0.02, name


@source(
    f"{EBUR128}; {SCIPY_PEAK}",
    "bounds of design.md: target +- 0.02 LU, unless the log says that it gave way; ceiling + 0.05 dB",
    kind="library",
    tolerance="the bounds themselves",
)
@pytest.mark.parametrize(
    ("target_lufs", "limit_at_most_db", "ceiling_dbtp", "rate_hz"),
    [
        (-23.0, 0.0, -1.0, 48_000),
        (-14.0, 0.0, -2.0, 44_100),
        (-16.0, 3.0, -1.0, 48_000),
        *((-10.0, 6.0, -0.3, rate_hz) for rate_hz in RATES_HZ),
    ],
)
def test_loudness_and_peaks_of_finished_files(
    material: Path,
    tmp_path: Path,
    *,
    target_lufs: float,
    limit_at_most_db: float,
    ceiling_dbtp: float,
    rate_hz: int,
) -> None:
    """All kinds of takes, soft and loud targets."""
    finish = (
        f"[finish]\nloudness_lufs = {target_lufs}\nlimit_at_most_db = {limit_at_most_db}\n"
        f"max_true_peak_dbtp = {ceiling_dbtp}\n"
    )
    lines = rendered(tmp_path, _session(material, rate_hz), finish, room="")
    assert len(lines) == len(MATERIAL)
    for line in lines:
        check_levels(
            line, target_lufs=target_lufs, limit_at_most_db=limit_at_most_db, ceiling_dbtp=ceiling_dbtp
        )
    gave_way = {line["take"] for line in lines if says_it_gave_way(line)}
    if target_lufs < -14.0:
        assert {"knocks"} <= gave_way <= {"knocks", "percussive"}
    if limit_at_most_db == 0.0:
        assert all(line["limiter_active_s"] == 0.0 for line in lines)


@source(
    f"{EBUR128}; {SCIPY_PEAK}; pyloudnorm 0.2.0",
    "bounds of design.md on passages of the example session",
    kind="library",
    tolerance="0.02 LU, 0.05 dB; pyloudnorm reads 0.041 LU low by its own high-pass",
)
@pytest.mark.parametrize(("target_lufs", "limit_at_most_db"), [(-16.0, 3.0), (-10.0, 6.0)])
def test_passages_of_the_example_session(tmp_path: Path, target_lufs: float, limit_at_most_db: float) -> None:
    """Every take, with a room, as 16 bit FLAC; read by three meters."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyloudnorm

    finish = (
        f'[finish]\nloudness_lufs = {target_lufs}\nlimit_at_most_db = {limit_at_most_db}\nformat = "flac"\n'
        "bit_depth = 16\n"
    )
    lines = rendered(tmp_path, EXAMPLES, finish, "--deep", "--from", "6", "--to", "9")
    assert len(lines) == 6
    for line in lines:
        check_levels(line, target_lufs=target_lufs, limit_at_most_db=limit_at_most_db, ceiling_dbtp=-1.0)
        audio, rate_hz = read(line["output"])
        other_lufs = float(pyloudnorm.Meter(rate_hz).integrated_loudness(audio))
        assert abs(other_lufs + 0.041 - loudness_lufs(audio, rate_hz)) <= 0.02


@source(EBUR128, "one gain a session, the loudest take at target", kind="library", tolerance="0.02 LU")
def test_a_session_keeps_its_distances(material: Path, tmp_path: Path) -> None:
    """The loudest of the finished files is at target, the others are below by what they were in the mix."""
    finish = '[finish]\nlevel_by = "session"\nloudness_lufs = -18.0\nlimit_at_most_db = 12.0\n'
    lines = rendered(tmp_path, _session(material, 48_000), finish, room="")
    heard = {line["take"]: loudness_lufs(*read(line["output"])) for line in lines}
    assert max(heard.values()) == pytest.approx(-18.0, abs=0.02)
    assert len({line["gain_db"] for line in lines}) == 1
    for line in lines:
        assert true_peak_dbtp(read(line["output"])[0]) <= -1.0 + 0.05
        if line["limiter_max_reduction_db"] == 0.0:
            expected = line["loudness_before_lufs"] + line["gain_db"]
            assert heard[line["take"]] == pytest.approx(expected, abs=0.02)


@source(
    f"{EBUR128}; {SCIPY_PEAK}",
    "integrated loudness and true peak of previews, decoded",
    kind="library",
    tolerance="design bounds: 0.02 LU, 0.05 dB above the ceiling",
)
@pytest.mark.parametrize("file_format", ["ogg", "opus", "mp3"])
def test_previews_keep_their_level_once_decoded(material: Path, tmp_path: Path, file_format: str) -> None:
    """Ogg, Opus and MP3, strings and hard knocks: as heard, not as it was before packing."""
    finish = f'[finish]\nformat = "{file_format}"\nloudness_lufs = -14.0\n'
    for line in rendered(tmp_path, _session(material, 44_100, ENCODED), finish, room=""):
        audio, rate_hz = read(line["output"])
        assert true_peak_dbtp(audio) <= -1.0 + 0.05
        heard_lufs = loudness_lufs(audio, rate_hz)
        assert heard_lufs == pytest.approx(line["loudness_lufs"], abs=0.02)
        told = any("the wanted loudness" in text for text in line["warnings"])
        assert told is (line["take"] in {"percussive", "knocks"})
        if not told:
            assert heard_lufs == pytest.approx(-14.0, abs=0.02)


@source(
    f"{EBUR128}; {SCIPY_PEAK}",
    "true peak of previews with a session's gain, decoded",
    kind="library",
    tolerance="design bound: 0.05 dB above the ceiling",
)
@pytest.mark.parametrize("file_format", ["ogg", "opus", "mp3"])
def test_previews_of_a_session_share_their_gain(material: Path, tmp_path: Path, file_format: str) -> None:
    """It is not moved for an encoder's sake: the ceiling is, and the gain where the limiter may not do more."""
    finish = f'[finish]\nformat = "{file_format}"\nlevel_by = "session"\n'
    lines = rendered(tmp_path, _session(material, 48_000, ENCODED), finish, room="")
    assert len({line["session_gain_db"] for line in lines}) == 1
    for line in lines:
        assert true_peak_dbtp(read(line["output"])[0]) <= -1.0 + 0.05
        gave_way = any("the wanted loudness" in text for text in line["warnings"])
        assert gave_way is (line["gain_db"] < line["session_gain_db"] - 0.02)
    again = rendered(tmp_path, _session(material, 48_000, ENCODED), finish, room="")[len(lines) :]
    assert {line["status"] for line in again} == {"kept"}
