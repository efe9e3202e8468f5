"""Finished files, as the command line leaves them, by other people's meters, decoders and formulas."""

from __future__ import annotations

import functools
import json
import math
import warnings
import wave
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
from render.recipe.load import load_recipe
from tests.helpers.flac import read_flac
from tests.helpers.sessions import FLOAT, PLAIN_RECIPE, ROOM, write_recipe
from tests.helpers.signals import impulse, noise, plucks
from tests.helpers.source import source
from tests.helpers.stage_by_stage import level_db, run_source
from tests.reference.test_files import EXAMPLE_1, EXAMPLE_3, SAMPLES_3
from tests.reference.test_true_peak import scipy_peak

Audio = NDArray[np.float64]
EXAMPLES = Path(__file__).parents[2] / "example_sessions" / "boathouse"
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
    "plucks": lambda rate_hz: plucks(1.5, sample_rate_hz=rate_hz, seed=2),
    "percussive": lambda rate_hz: percussive(1.5, rate_hz),
    "knocks": lambda rate_hz: knocks(1.5, rate_hz),
    "bassy": lambda rate_hz: bassy(1.5, rate_hz),
    "hiss": lambda rate_hz: noise(rate_hz, seed=3),
    "one_sided": lambda rate_hz: plucks(1.0, sample_rate_hz=rate_hz, seed=4) * np.array([1.0, 0.0]),
}


@functools.cache
def _session(folder: Path, rate_hz: int) -> Path:
    session = folder / f"session_{rate_hz}"
    session.mkdir()
    for name, make in MATERIAL.items():
        soundfile.write(session / f"{name}.wav", make(rate_hz), rate_hz, subtype="PCM_24")
    return session


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where sessions of synthetic takes lie."""
    return tmp_path_factory.mktemp("material")


def check_levels(
    line: dict[str, Any], *, target_lufs: float, limit_at_most_db: float, ceiling_dbtp: float
) -> None:
    """The file against the design's bounds and its log line."""
    audio, rate_hz = read(line["output"])
    name, heard_lufs, peak_dbtp = line["take"], loudness_lufs(audio, rate_hz), true_peak_dbtp(audio)
    gave_way = any("below the wanted loudness" in words for words in line["warnings"])
    assert peak_dbtp <= ceiling_dbtp + 0.05, name
    # what begins within one frame reaches up to half the rate, where no two interpolators agree
    exact = name != "knocks"
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
        (-16.0, 3.0, -1.0, 44_100),
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
    gave_way = {line["take"] for line in lines if line["warnings"]}
    assert gave_way == ({"knocks", "percussive"} if target_lufs < -14.0 else gave_way)
    if limit_at_most_db == 0.0:
        assert all(line["limiter_active_s"] == 0.0 for line in lines)


@source(
    f"{EBUR128}; {SCIPY_PEAK}; pyloudnorm 0.2.0",
    "bounds of design.md on passages of the example session",
    kind="library",
    tolerance="0.02 LU, 0.05 dB; pyloudnorm reads 0.041 LU low by its own high-pass",
)
@pytest.mark.parametrize(("target_lufs", "limit_at_most_db"), [(-23.0, 0.0), (-16.0, 3.0), (-10.0, 6.0)])
def test_passages_of_the_example_session(tmp_path: Path, target_lufs: float, limit_at_most_db: float) -> None:
    """Every take, with a room, as 16 bit FLAC; read by three meters."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyloudnorm

    finish = (
        f'[finish]\nloudness_lufs = {target_lufs}\nlimit_at_most_db = {limit_at_most_db}\nformat = "flac"\n'
        "bit_depth = 16\n"
    )
    lines = rendered(tmp_path, EXAMPLES, finish, "--from", "6", "--to", "9")
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
    "previews, decoded: what a lossy coder leaves of loudness and ceiling",
    kind="common practice, no source",
    tolerance="strings only: 0.1 LU; 0.5 dB, coders overshoot ceilings",
)
@pytest.mark.parametrize("file_format", ["ogg", "opus", "mp3"])
def test_previews_are_about_as_loud(material: Path, tmp_path: Path, file_format: str) -> None:
    """Ogg, Opus and MP3 after decoding."""
    finish = f'[finish]\nformat = "{file_format}"\nloudness_lufs = -14.0\n'
    for line in rendered(tmp_path, _session(material, 44_100), finish, room=""):
        if line["take"] in {"plucks", "bassy", "one_sided"}:
            audio, rate_hz = read(line["output"])
            assert loudness_lufs(audio, rate_hz) == pytest.approx(-14.0, abs=0.1)
            assert true_peak_dbtp(audio) <= -1.0 + 0.5


def _prototype(kind: str, frequency_hz: float, gain_db: float, q: float) -> tuple[Audio, Audio]:
    """Numerator and denominator in s of the analogue filter that a stage of a recipe means."""
    w, root = 2.0 * math.pi * frequency_hz, 10.0 ** (gain_db / 40.0)
    if kind in {"high-pass", "low-pass"}:
        b, a = scipy.signal.butter(round(q), w, kind.removesuffix("-pass"), analog=True)
        return b, a
    above, below = {  # Audio EQ Cookbook, H(s) for a corner of 1 rad/s
        "peaking": ([1.0, root / q, 1.0], [1.0, 1.0 / (root * q), 1.0]),
        "low-shelf": ([root, root**1.5 / q, root**2], [root, root**0.5 / q, 1.0]),
        "high-shelf": ([root**2, root**1.5 / q, root], [1.0, root**0.5 / q, root]),
        "notch": ([1.0, 0.0, 1.0], [1.0, 1.0 / q, 1.0]),
        "all-pass": ([1.0, -1.0 / q, 1.0], [1.0, 1.0 / q, 1.0]),
    }[kind]
    powers = np.array([1.0, w, w * w])
    return np.array(above) * powers, np.array(below) * powers


def _stage(kind: str, frequency_hz: float, gain_db: float, q: float) -> str:
    """The same as a recipe writes it."""
    name = {
        "high-pass": "cutoff_hz",
        "low-pass": "cutoff_hz",
        "low-shelf": "corner_hz",
        "high-shelf": "corner_hz",
    }
    text = f'stage = "{kind}", {name.get(kind, "centre_hz")} = {frequency_hz}'
    if "pass" in kind and kind != "all-pass":
        return f"{{ {text}, slope_db_per_octave = {6 * round(q)} }}"
    gain = f", gain_db = {gain_db}" if kind not in {"notch", "all-pass"} else ""
    return f"{{ {text}{gain}, q = {q} }}"


FILTERS = [
    ("high-pass", 80.0, 0.0, 2),
    ("high-pass", 400.0, 0.0, 4),
    ("low-pass", 15_000.0, 0.0, 1),
    ("low-pass", 6000.0, 0.0, 3),
    ("peaking", 98.0, 6.0, 8.0),
    ("peaking", 2400.0, -9.0, 1.2),
    ("peaking", 16_500.0, 12.0, 4.0),
    ("low-shelf", 150.0, -6.0, 0.707),
    ("high-shelf", 9000.0, 8.0, 0.707),
    ("notch", 246.9, 0.0, 20.0),
    ("notch", 12_345.0, 0.0, 3.0),
    ("all-pass", 700.0, 0.0, 0.9),
]


@source(
    "SciPy, signal.butter (analog) and signal.freqs; R. Bristow-Johnson, Audio EQ Cookbook, W3C Group Note, 2021, H(s)",
    "bounds of design.md: magnitude 20 Hz to 20 kHz at every rate; nothing before time zero above -120 dB",
    kind="library",
    tolerance="0.05 dB where the filter leaves -100 dB or more; -120 dB of the largest frame",
)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_filters_of_finished_files(tmp_path: Path, rate_hz: int) -> None:
    """An impulse through the whole command line, one recipe a filter; every filter also in the stereo chain."""
    at, frames = rate_hz // 10, 2 * rate_hz
    (tmp_path / "session").mkdir()
    soundfile.write(
        tmp_path / "session" / "impulse.wav", 0.1 * impulse(frames, at=at), rate_hz, subtype="FLOAT"
    )
    recipes: list[object] = []
    for number, one in enumerate(FILTERS):
        chain = f"chain = [{_stage(*one)}]"
        plain = '[sources.a]\nchannel = 1\n{}\n[sources.b]\nchannel = 2\ngain_db = -60\nplace = "side"\n'
        sources = plain.format(chain if number % 2 else "")
        stereo = "" if number % 2 else f"[stereo]\n{chain}"
        recipes += ["-r", write_recipe(tmp_path / f"r{number:02d}.toml", sources, stereo, FLOAT)]
    call = [
        "render",
        tmp_path / "session",
        *recipes,
        "-o",
        tmp_path / "out",
        "--quiet",
        "--precision",
        "double",
    ]
    assert main([str(word) for word in call]) == 0

    frequency_hz = np.arange(frames // 2 + 1) * (rate_hz / frames)
    heard = (frequency_hz >= 20.0) & (frequency_hz <= 20_000.0)
    for number, one in enumerate(FILTERS):
        audio, _ = read(tmp_path / "out" / f"r{number:02d}" / "impulse.wav")
        mid = audio.mean(axis=1)
        assert np.abs(mid[:at]).max() <= 1e-6 * np.abs(mid).max(), one
        level = np.abs(np.fft.rfft(mid, frames)[heard]) / 0.1
        _, response = scipy.signal.freqs(*_prototype(*one), worN=2.0 * np.pi * frequency_hz[heard])
        compared = np.abs(response) > 1e-5
        error_db = 20.0 * np.log10(level[compared] / np.abs(response[compared]))
        assert np.abs(error_db).max() <= 0.05, one


def _placed(mix: Audio, at: int) -> tuple[int, float]:
    """Where the largest frame stands against `at`, and how far from symmetrical the sound around it is, in dB."""
    peak = int(np.abs(mix).argmax())
    reach = min(peak, len(mix) - 1 - peak)
    later, earlier = mix[peak + 1 : peak + reach + 1], mix[peak - reach : peak][::-1]
    wrong = float(np.square(later - earlier).sum()) + 1e-300
    return peak - at, 10.0 * math.log10(wrong / float(np.square(mix).sum()))


@source(
    "A response of linear phase is symmetrical about its delay; what comes earlier is compensated",
    "design.md: output aligned with input to the sample",
    kind="closed form",
    tolerance="no frame; -120 dB",
)
@pytest.mark.parametrize("precision", ["single", "double"])
@pytest.mark.parametrize("delay_frames", [0, -480, -7, 5])
def test_sound_comes_out_where_it_went_in(tmp_path: Path, precision: str, delay_frames: int) -> None:
    """Responses that begin before time zero, in a source and on both sides; sources that come earlier.

    The other source, without any of it, stays where it is to the frame.
    """
    at, rate_hz = 20_000, 48_000
    (tmp_path / "s").mkdir()
    take = np.zeros((40_000, 2))
    take[at] = 0.1
    for name, channel in (("treated", 0), ("plain", 1)):
        only = take * (np.arange(2) == channel)
        soundfile.write(tmp_path / "s" / f"{name}.wav", only, rate_hz, subtype="FLOAT")
    for name, taps in (("long", 1201), ("short", 301)):
        response = scipy.signal.firwin(taps, [200, 5000], fs=rate_hz, pass_zero=False)
        soundfile.write(tmp_path / f"{name}.wav", response, rate_hz, subtype="FLOAT")
    use = '{{ stage = "impulse-response", file = "{}.wav", wet_fraction = {} }}'
    recipe = write_recipe(
        tmp_path / "r.toml",
        f"[sources.one]\nchannel = 1\ndelay_ms = {delay_frames / 48}\nchain = [{use.format('long', 0.7)}]\n"
        f"[sources.two]\nchannel = 2\n[stereo]\nchain = [{use.format('short', 0.4)}]\n",
        FLOAT,
    )
    call = ["render", tmp_path / "s", "-r", recipe, "-o", tmp_path / "o", "--quiet", "--precision", precision]
    assert main([str(word) for word in call]) == 0

    treated, plain = (read(tmp_path / "o" / "r" / f"{name}.wav")[0][:, 0] for name in ("treated", "plain"))
    moved, wrong_db = _placed(treated, at)
    assert moved == delay_frames
    assert wrong_db <= -120.0
    moved, wrong_db = _placed(plain, at)
    assert moved == 0
    assert wrong_db <= -120.0


@source(
    "The moment of a sound is the slope of its phase",
    "design.md: delays are fractions of a frame; captures at another rate come out at the same time",
    kind="closed form",
    tolerance="0.001 frames",
)
@pytest.mark.parametrize("new_rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("delay_ms", [0.0, -1.2345, 0.291])
def test_time_is_kept_at_another_rate(tmp_path: Path, new_rate_hz: int, delay_ms: float) -> None:
    """An impulse at 44.1 kHz, a source earlier or later by a fraction of a frame, finished at three rates."""
    (tmp_path / "s").mkdir()
    soundfile.write(tmp_path / "s" / "a.wav", 0.1 * impulse(30_000, at=12_345), 44_100, subtype="FLOAT")
    recipe = write_recipe(
        tmp_path / "r.toml",
        f'[sources.one]\nchannel = 1\ndelay_ms = {delay_ms}\n[sources.two]\nchannel = 2\nplace = "side"\n',
        f"{FLOAT}sample_rate_hz = {new_rate_hz}\n",
    )
    call = ["render", tmp_path / "s", "-r", recipe, "-o", tmp_path / "o", "--quiet", "--precision", "double"]
    assert main([str(word) for word in call]) == 0

    mix, rate_hz = read(tmp_path / "o" / "r" / "a.wav")
    assert rate_hz == new_rate_hz
    assert len(mix) == round(30_000 * new_rate_hz / 44_100)
    frequency_hz = np.linspace(500.0, 15_000.0, 30)
    instant_s = np.arange(len(mix)) / rate_hz
    for sound, expected_s in (
        (mix.mean(axis=1), 12_345 / 44_100 + delay_ms / 1000.0),
        (mix @ [0.5, -0.5], 12_345 / 44_100),
    ):
        turn = np.exp(-2j * np.pi * frequency_hz[:, np.newaxis] * (instant_s - expected_s)) @ sound
        late_frames = -np.angle(turn) / (2.0 * np.pi * frequency_hz) * rate_hz
        assert np.abs(late_frames).max() <= 0.001


@source(
    "RFC 9639, Free Lossless Audio Codec, December 2024: a decoder of our own from its text",
    "sections 8.2 and 9; appendices D.1 and D.3 prove the decoder",
    kind="standard",
    tolerance="to the bit",
)
@pytest.mark.parametrize("bits", [16, 24])
def test_flac_and_wav_hold_the_same_numbers(tmp_path: Path, bits: int) -> None:
    """One take as FLAC and as WAV, read by the decoder of the tests and by Python's wave module."""
    for number, (text, expected) in enumerate(((EXAMPLE_1, [25588, 10416]), (EXAMPLE_3, SAMPLES_3))):
        (tmp_path / f"{number}.flac").write_bytes(bytes.fromhex(text))
        assert read_flac(tmp_path / f"{number}.flac")[0].reshape(-1).tolist() == expected
    (tmp_path / "s").mkdir()
    soundfile.write(tmp_path / "s" / "a.wav", plucks(0.5, sample_rate_hz=44_100), 44_100, subtype="PCM_24")
    finish = f"tail_s = 0.1\nbit_depth = {bits}\n"
    one = write_recipe(tmp_path / "f.toml", PLAIN_RECIPE, f'[finish]\nformat = "flac"\n{finish}')
    two = write_recipe(tmp_path / "w.toml", PLAIN_RECIPE, f"[finish]\n{finish}")
    call = ["render", tmp_path / "s", "-r", one, "-r", two, "-o", tmp_path / "o", "--quiet"]
    assert main([str(word) for word in call]) == 0

    samples, info = read_flac(tmp_path / "o" / "f" / "a.flac")
    assert (info.sample_rate_hz, info.channels, info.bits) == (44_100, 2, bits)
    with wave.open(str(tmp_path / "o" / "w" / "a.wav")) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (44_100, 2, bits // 8)
        data = file.readframes(file.getnframes())
    width = bits // 8
    words = [
        int.from_bytes(data[at : at + width], "little", signed=True) for at in range(0, len(data), width)
    ]
    assert np.array_equal(samples.reshape(-1), words)
    assert len(np.unique(samples)) > 1000


@source(
    SCIPY_PEAK.replace("resample_poly at 16 times", "oaconvolve")
    + "; A. D. Blumlein, British patent 394,325, 1931",
    "bound of design.md: left + right of a mid and a side source is twice the mid source's chain alone",
    kind="library",
    tolerance="-120 dB",
)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("precision", ["single", "double"])
def test_mono_is_the_source_in_the_middle(tmp_path: Path, precision: str, rate_hz: int) -> None:
    """In the finished file, whatever stands at the sides."""
    (tmp_path / "s").mkdir()
    take = 0.3 * plucks(1.0, sample_rate_hz=rate_hz, seed=12)
    soundfile.write(tmp_path / "s" / "a.wav", take, rate_hz, subtype="FLOAT")
    recipe = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE, "[stereo]\nside_gain_db = 4\n", FLOAT)
    call = ["render", tmp_path / "s", "-r", recipe, "-o", tmp_path / "o", "--quiet", "--precision", precision]
    assert main([str(word) for word in call]) == 0

    mix, _ = read(tmp_path / "o" / "r" / "a.wav")
    back, _ = read(tmp_path / "s" / "a.wav")
    middle = run_source(load_recipe(recipe).sources["pickup"], back, sample_rate_hz=rate_hz).between(
        0, len(mix)
    )
    assert level_db(mix.sum(axis=1) - 2.0 * middle, 2.0 * middle) <= -120.0
    assert level_db(mix[:, 0] - mix[:, 1], mix) > -30.0
