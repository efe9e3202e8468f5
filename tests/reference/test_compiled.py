"""A compiled recipe against its stages run one by one, by code that shares nothing with the engine.

What a take becomes through the whole command line is held against `tests/helpers/stage_by_stage.py`: one stage
after the other over the whole take, in double precision, convolved by SciPy.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import scipy.signal
import soundfile

from render.cli.main import main
from render.recipe.load import load_recipe
from render.recipe.models import Recipe
from render.workflows.scripting import render_array
from tests.helpers.signals import impulse, noise, plucks
from tests.helpers.source import source
from tests.helpers.stage_by_stage import Reals, level_db, run_stage_by_stage

SCIPY = "SciPy, signal.oaconvolve, one stage after the other in double precision"
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 192_000)
WITHOUT_ROOM_DB, WITH_ROOM_DB = -120.0, -100.0

SOURCES = """
[sources.saddle]
channel = 2
place = "mid"
gain_db = -1.7
delay_ms = -0.731
chain = [
  { stage = "high-pass", cutoff_hz = 70, slope_db_per_octave = 24 },
  { stage = "impulse-response", file = "body.wav", wet_fraction = 0.6 },
  { stage = "peaking", centre_hz = 2400, gain_db = -4.5, q = 1.2 },
  { stage = "notch", centre_hz = 246, q = 12 },
  { stage = "gain", gain_db = 1.5 },
  { stage = "high-shelf", corner_hz = 9000, gain_db = 6.0, q = 0.9 },
]

[sources.mic]
channel = 1
place = -37.0
polarity = "flip"
gain_db = -4.0
delay_ms = 0.29
chain = [
  { stage = "high-pass", cutoff_hz = 130, slope_db_per_octave = 6 },
  { stage = "low-shelf", corner_hz = 300, gain_db = -5.0, q = 0.5 },
  { stage = "low-pass", cutoff_hz = 14500, slope_db_per_octave = 18 },
  { stage = "all-pass", centre_hz = 700, q = 0.9 },
  { stage = "delay", delay_ms = 1.2345 },
]

[stereo]
side_gain_db = 3.5
side_high_pass_hz = 90
chain = [
  { stage = "peaking", centre_hz = 98, gain_db = 3.0, q = 6.0 },
  { stage = "impulse-response", file = "pair.wav", wet_fraction = 0.3 },
]

[finish]
loudness_lufs = "keep"
max_true_peak_dbtp = 0.0
bit_depth = "float"
tail_s = 0.6
fade_in_ms = 0
fade_out_ms = 0
"""
ROOM = """
[room]
level_db = -6.0
decay_1khz_s = 0.25
decay_125hz_ratio = 1.6
decay_8khz_ratio = 0.5
pre_delay_ms = 7.3
shared_fraction = 0.4
high_pass_hz = 60
"""


def _takes(rate_hz: int) -> dict[str, Reals]:
    """Captures of all kinds, none of them as loud as to need the limiter."""
    frames = min(rate_hz // 2, 24_000)
    high = scipy.signal.butter(8, [15_000, 19_500], "bandpass", fs=rate_hz, output="sos")
    low = scipy.signal.butter(2, [40, 130], "bandpass", fs=rate_hz, output="sos")
    hiss = noise(frames, seed=3)
    return {
        "plucks": 0.2 * plucks(0.6, sample_rate_hz=rate_hz, seed=4),
        "noise": 0.2 * hiss,
        "impulse": 0.2 * np.concatenate([impulse(frames // 2, at=1000), impulse(frames // 2, at=77)]),
        "low": scipy.signal.sosfilt(low, 0.5 * hiss, axis=0),
        "high": scipy.signal.sosfilt(high, 0.5 * hiss, axis=0),
        "loud_and_quiet": 0.2 * hiss * np.array([1.0, 1e-4]),
        "quiet_and_loud": 0.2 * plucks(0.6, sample_rate_hz=rate_hz, seed=9) * np.array([1e-4, 1.0]),
    }


def _write(path: Path, audio: Reals, rate_hz: int) -> Reals:
    """Write and return what the file holds."""
    soundfile.write(path, audio, rate_hz, subtype="FLOAT")
    return np.asarray(soundfile.read(path, dtype="float64", always_2d=True)[0])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recipes with and without a room, and the impulse responses they name."""
    folder = tmp_path_factory.mktemp("compiled")
    (folder / "dry.toml").write_text(SOURCES, encoding="utf-8")
    (folder / "room.toml").write_text(SOURCES + ROOM, encoding="utf-8")
    instant = np.abs(np.arange(1500) - 300)[:, np.newaxis]  # begins before its main arrival
    random = np.random.default_rng(11)
    body = random.uniform(-1.0, 1.0, (1500, 1)) * np.exp(-instant / 90.0)
    body[300] = 3.0
    _write(folder / "body.wav", body, 44_100)
    pair = random.uniform(-1.0, 1.0, (1500, 2)) * np.exp(-instant / 200.0)
    pair[300] = 2.0, 1.9
    _write(folder / "pair.wav", pair, 48_000)
    return folder


@functools.cache
def _session(folder: Path, rate_hz: int) -> dict[str, Reals]:
    """Takes of one sample rate, on disc and as read back."""
    session = folder / f"takes_{rate_hz}"
    session.mkdir()
    return {name: _write(session / f"{name}.wav", audio, rate_hz) for name, audio in _takes(rate_hz).items()}


@functools.cache
def _expected(folder: Path, recipe_name: str, rate_hz: int) -> dict[str, Reals]:
    """Every mix, stage by stage; kept for the other precision."""
    recipe = load_recipe(folder / f"{recipe_name}.toml")
    tail_frames = round(0.6 * rate_hz)
    return {
        name: run_stage_by_stage(recipe, take, sample_rate_hz=rate_hz, frames=len(take) + tail_frames)
        for name, take in _session(folder, rate_hz).items()
    }


@source(SCIPY, kind="library", tolerance="-120 dB, -100 dB with a room: the design's own bounds")
@pytest.mark.parametrize(
    ("recipe_name", "precision", "rate_hz"),
    [
        *(("dry", "single", rate_hz) for rate_hz in RATES_HZ),
        ("dry", "double", 44_100),
        ("dry", "double", 192_000),
        ("room", "single", 44_100),
        ("room", "single", 192_000),
        ("room", "double", 44_100),
    ],
)
def test_a_mix_is_what_its_stages_make_one_by_one(
    folder: Path, tmp_path: Path, recipe_name: str, precision: str, rate_hz: int
) -> None:
    """Through the whole command line: every kind of stage, every kind of signal."""
    bound_db = WITH_ROOM_DB if recipe_name == "room" else WITHOUT_ROOM_DB
    expected = _expected(folder, recipe_name, rate_hz)

    recipe_file, session = folder / f"{recipe_name}.toml", folder / f"takes_{rate_hz}"
    call = ["render", session, "-r", recipe_file, "-o", tmp_path, "--precision", precision, "--quiet"]
    assert main([str(word) for word in call]) == 0

    log = [json.loads(line) for line in (tmp_path / "log.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {line["take"]: line["gain_db"] for line in log} == dict.fromkeys(expected, 0.0)
    for name, mix in expected.items():
        heard, _ = soundfile.read(tmp_path / recipe_name / f"{name}.wav", dtype="float64", always_2d=True)
        assert heard.shape == mix.shape
        assert level_db(heard - mix, mix) <= bound_db, name


def _recipe(stages: list[dict[str, object]], room: dict[str, object] | None, tail_s: float) -> Recipe:
    """Both sources through the same stages, one in the middle and one at the sides."""
    tables: dict[str, object] = {
        "sources": {
            "one": {"channel": 1, "place": "mid", "chain": stages},
            "other": {"channel": 2, "place": "side", "chain": stages},
        },
        "finish": {
            "loudness_lufs": "keep", "max_true_peak_dbtp": 0.0, "tail_s": tail_s,
            "fade_in_ms": 0.0, "fade_out_ms": 0.0,
        },
    }  # fmt: skip
    return Recipe.model_validate(tables if room is None else {**tables, "room": room})


STEEP = {"stage": "high-pass", "cutoff_hz": 60.0, "slope_db_per_octave": 24}
SHORT_ROOM = {"decay_1khz_s": 0.4, "decay_125hz_ratio": 1.5}
RINGING = [
    ([STEEP], 0.4),
    ([STEEP, {"stage": "low-shelf", "corner_hz": 110.0, "gain_db": 6.0, "q": 1.5}], 0.5),
    ([{"stage": "peaking", "centre_hz": 100.0, "gain_db": 6.0, "q": 40.0}], 4.0),
    ([{"stage": "peaking", "centre_hz": 41.2, "gain_db": 24.0, "q": 4.0}], 4.0),
    ([{"stage": "notch", "centre_hz": 299.0, "q": 60.0}], 2.5),
    ([{"stage": "high-shelf", "corner_hz": 3000.0, "gain_db": 24.0}, STEEP], 0.4),
]
"""Stages and how many seconds what they ring is worth looking at."""


@source(SCIPY, kind="library", tolerance="-120 dB, -100 dB with a room: the design's own bounds")
@pytest.mark.parametrize(
    ("stages", "rings_s", "room", "channel", "rate_hz"),
    [
        *((*dry, None, *where) for dry in RINGING for where in ((0, 48_000), (1, 96_000))),
        ([], 2.2, {"decay_1khz_s": 0.3, "decay_125hz_ratio": 3.0, "level_db": 0.0}, 1, 96_000),
        ([], 1.8, {**SHORT_ROOM, "level_db": -6.0, "high_pass_hz": 10.0}, 0, 48_000),
        ([STEEP], 1.6, {"decay_1khz_s": 0.5}, 1, 48_000),
    ],
)
def test_a_long_note_of_any_frequency_meets_the_bound(
    stages: list[dict[str, object]],
    room: dict[str, object] | None,
    rings_s: float,
    channel: int,
    rate_hz: int,
) -> None:
    """What rings longest is narrow and low, so a low note meets all of what was cut off the response.

    A note that lasts is changed by the spectrum of what is wrong with the response, whatever its energy: looked at
    wherever the recipe does not take out 20 dB or more.
    """
    recipe = _recipe(stages, room, rings_s)
    bound = 10.0 ** ((WITHOUT_ROOM_DB if room is None else WITH_ROOM_DB) / 10.0)
    take = np.zeros((16, 2))
    take[0, channel] = 0.01

    mix = render_array(take, recipe, sample_rate_hz=rate_hz).audio

    expected = run_stage_by_stage(recipe, take, sample_rate_hz=rate_hz, frames=len(mix))
    frames = scipy.fft.next_fast_len(2 * len(mix), real=True)
    wrong, heard = (
        np.square(np.abs(scipy.fft.rfft(audio, frames, axis=0))).sum(axis=1)
        for audio in (mix - expected, expected)
    )
    compared = heard >= 0.01 * heard.mean()
    assert (wrong[compared] / heard[compared]).max() <= bound
