"""Finished files, as the command line leaves them, by other people's formulas and decoders."""

from __future__ import annotations

import math
import wave
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.cli.main import main
from render.recipe.load import load_recipe
from tests.helpers.flac import read_flac
from tests.helpers.sessions import FLOAT, PLAIN_RECIPE, read_mix, write_recipe
from tests.helpers.signals import impulse, plucks
from tests.helpers.source import source
from tests.helpers.stage_by_stage import level_db, run_source
from tests.reference.test_files import EXAMPLE_1, EXAMPLE_3, SAMPLES_3

Audio = NDArray[np.float64]
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 192_000)


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
    tolerance="0.05 dB where -100 dB or more are left (-60 dB in single precision); -120 dB of the largest frame",
)
@pytest.mark.parametrize(
    ("rate_hz", "precision", "least_gain"),
    [
        *((rate_hz, "double", 1e-5) for rate_hz in RATES_HZ),
        (192_000, "single", 1e-3),
    ],
)
def test_filters_of_finished_files(tmp_path: Path, rate_hz: int, precision: str, least_gain: float) -> None:
    """An impulse through the whole command line, one recipe a filter; every filter also in the stereo chain."""
    at, frames = rate_hz // 10, rate_hz  # what rings longest is 200 dB down at the end
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
    options = ["-o", tmp_path / "out", "--quiet", "--precision", precision]
    call = ["render", tmp_path / "session", *recipes, *options]
    assert main([str(word) for word in call]) == 0

    frequency_hz = np.arange(frames // 2 + 1) * (rate_hz / frames)
    heard = (frequency_hz >= 20.0) & (frequency_hz <= 20_000.0)
    for number, one in enumerate(FILTERS):
        audio = read_mix(tmp_path / "out" / f"r{number:02d}" / "impulse.wav")
        mid = audio.mean(axis=1)
        assert np.abs(mid[:at]).max() <= 1e-6 * np.abs(mid).max(), one
        level = np.abs(np.fft.rfft(mid, frames)[heard]) / 0.1
        _, response = scipy.signal.freqs(*_prototype(*one), worN=2.0 * np.pi * frequency_hz[heard])
        compared = np.abs(response) > least_gain
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

    treated, plain = (read_mix(tmp_path / "o" / "r" / f"{name}.wav")[:, 0] for name in ("treated", "plain"))
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

    finished = tmp_path / "o" / "r" / "a.wav"
    mix, rate_hz = read_mix(finished), soundfile.info(finished).samplerate
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
    "SciPy, signal.oaconvolve; A. D. Blumlein, British patent 394,325, 1931",
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

    mix = read_mix(tmp_path / "o" / "r" / "a.wav")
    back = read_mix(tmp_path / "s" / "a.wav")
    middle = run_source(load_recipe(recipe).sources["pickup"], back, sample_rate_hz=rate_hz).between(
        0, len(mix)
    )
    assert level_db(mix.sum(axis=1) - 2.0 * middle, 2.0 * middle) <= -120.0
    assert level_db(mix[:, 0] - mix[:, 1], mix) > -30.0
