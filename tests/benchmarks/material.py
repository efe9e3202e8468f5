"""What is rendered: a take of plucked strings, two impulse responses, a rich recipe; made afresh, seeded."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

RATE_HZ = 48_000
TAKE_S = 180.0
TAKE_FRAMES = round(TAKE_S * RATE_HZ)
IMPULSE_RESPONSE_TAPS = 4096
LONG_TAKE, LONG_TAKE_REPEATS = "hour.wav", 20

_NOTE_S = 4.0
_SECONDS_A_NOTE = 0.24
_OPEN_STRINGS_HZ = (82.41, 110.0, 146.83, 196.0, 246.94, 329.63)
_PARTIALS = 14
_PEAK = 0.5
_NOISE = 10.0 ** (-84.0 / 20.0)  # of a quiet preamplifier; FLAC has to store it

RECIPE = """\
title = "Everything at once"
notes = "Ten stages of equalisation, two bodies and a room: what a careful player might end up with."

[sources.pickup]
channel = 1
place = "mid"
chain = [
  { stage = "high-pass", cutoff_hz = 60, slope_db_per_octave = 12 },
  { stage = "impulse-response", file = "saddle.wav" },
  { stage = "peaking", centre_hz = 210, gain_db = -2.5, q = 1.1 },
  { stage = "peaking", centre_hz = 1150, gain_db = -3.0, q = 1.4 },
  { stage = "peaking", centre_hz = 2600, gain_db = -2.0, q = 1.0 },
  { stage = "high-shelf", corner_hz = 6500, gain_db = 2.0, q = 0.707 },
]

[sources.mic]
channel = 2
place = "side"
gain_db = -6.0
chain = [
  { stage = "high-pass", cutoff_hz = 150, slope_db_per_octave = 12 },
  { stage = "impulse-response", file = "body.wav" },
  { stage = "low-shelf", corner_hz = 300, gain_db = -2.0, q = 0.707 },
  { stage = "peaking", centre_hz = 420, gain_db = -3.0, q = 1.6 },
  { stage = "peaking", centre_hz = 3400, gain_db = 1.5, q = 0.9 },
  { stage = "low-pass", cutoff_hz = 14000, slope_db_per_octave = 12 },
]

[room]
level_db = -16.0
decay_1khz_s = 1.8

[finish]
loudness_lufs = -16.0
max_true_peak_dbtp = -1.0
format = "wav"
bit_depth = 24
"""

FLAC_RECIPE = """\
extends = "rich.toml"
[finish]
format = "flac"
"""

LOUD_RECIPE = """\
extends = "rich.toml"
[finish]
loudness_lufs = -14.0
"""


@dataclass(frozen=True)
class Material:
    """Files of a benchmark: the same take as WAV and as FLAC, a recipe for each, and one that limits more."""

    take: Path
    flac_take: Path
    recipe: Path
    flac_recipe: Path
    loud_recipe: Path
    responses: tuple[Path, Path]


def material_in(folder: Path) -> Material:
    """Names of the files, whether they are there or not."""
    return Material(
        take=folder / "take.wav",
        flac_take=folder / "flac" / "take.flac",
        recipe=folder / "rich.toml",
        flac_recipe=folder / "rich-flac.toml",
        loud_recipe=folder / "rich-loud.toml",
        responses=(folder / "saddle.wav", folder / "body.wav"),
    )


def make_material(folder: Path) -> Material:
    """Write take, impulse responses and recipes into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    material = material_in(folder)
    audio = synthesise_plucks(TAKE_FRAMES, seed=1)
    for path in (material.take, material.flac_take):
        path.parent.mkdir(exist_ok=True)
        soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    for seed, path in enumerate(material.responses, start=11):
        soundfile.write(path, synthesise_body(seed=seed), RATE_HZ, subtype="PCM_24")
    material.recipe.write_text(RECIPE, encoding="utf-8")
    material.flac_recipe.write_text(FLAC_RECIPE, encoding="utf-8")
    material.loud_recipe.write_text(LOUD_RECIPE, encoding="utf-8")
    return material


def make_session(material: Material, folder: Path, *, takes: int) -> Path:
    """Lay the same take into a folder several times."""
    folder.mkdir()
    for number in range(1, takes + 1):
        shutil.copyfile(material.take, folder / f"{number:02d} evening.wav")
    return folder


def make_long_take(material: Material, folder: Path) -> None:
    """Repeat the take for an hour."""
    audio, rate = soundfile.read(material.take, dtype="int32")
    with soundfile.SoundFile(folder / LONG_TAKE, "w", rate, 2, "PCM_24") as file:
        for _ in range(LONG_TAKE_REPEATS):
            file.write(audio)


def synthesise_plucks(frames: int, *, seed: int) -> NDArray[np.float32]:
    """Plucked strings on two sources, shape (frames, 2): the first bright and dry, the second dark and boomy.

    Some thirty notes are made from partials and laid down again and again at random moments and strengths.
    """
    random = np.random.default_rng(seed)
    notes = [
        _note(pitch_hz * 2.0 ** (fret / 12.0), random) for pitch_hz in _OPEN_STRINGS_HZ for fret in range(5)
    ]
    audio = _NOISE * random.standard_normal((2, frames), dtype=np.float32)
    at_s = 0.2
    while (first := round(at_s * RATE_HZ)) < frames:
        note = notes[random.integers(len(notes))]
        stop = min(first + note.shape[1], frames)
        audio[:, first:stop] += np.float32(0.3 + random.exponential(0.3)) * note[:, : stop - first]
        at_s += random.uniform(0.5, 1.5) * _SECONDS_A_NOTE
    audio *= np.float32(_PEAK / np.abs(audio).max())
    return audio.T


def synthesise_body(*, seed: int) -> NDArray[np.float64]:
    """An impulse response like that of a wooden body: a first impulse, then resonances that die away."""
    random = np.random.default_rng(seed)
    seconds = np.arange(IMPULSE_RESPONSE_TAPS) / RATE_HZ
    response = np.zeros(IMPULSE_RESPONSE_TAPS)
    response[0] = 0.7
    for frequency_hz in np.geomspace(95.0, 6_000.0, 24) * random.uniform(0.94, 1.06, 24):
        decay = np.exp(-seconds * (60.0 + 0.12 * frequency_hz))
        response += random.uniform(-0.05, 0.05) * decay * np.sin(2.0 * np.pi * frequency_hz * seconds)
    return response


def _note(pitch_hz: float, random: np.random.Generator) -> NDArray[np.float32]:
    """One string as both sources hear it, shape (2, frames)."""
    seconds = np.arange(round(_NOTE_S * RATE_HZ)) / RATE_HZ
    number = np.arange(1, _PARTIALS + 1)
    plucked_at = random.uniform(0.1, 0.25)
    strength = np.abs(np.sin(np.pi * number * plucked_at)) / number
    weights = np.stack([strength * number**0.4, strength * np.exp(-number / 6.0)])
    weights *= random.uniform(0.6, 1.4, weights.shape)
    waves = np.empty((_PARTIALS, len(seconds)))
    for row, partial in enumerate(number):
        frequency_hz = partial * pitch_hz * np.sqrt(1.0 + 6e-5 * partial**2)  # a string is a little stiff
        decay = np.exp(-seconds * (1.3 + 0.0009 * frequency_hz))
        waves[row] = decay * np.sin(2.0 * np.pi * frequency_hz * seconds + random.uniform(0.0, 6.283))
    click = np.exp(-seconds * 900.0) * random.standard_normal(len(seconds))
    note = weights @ waves + np.array([[0.8], [0.2]]) * click
    fade_in = np.minimum(seconds / 0.001, 1.0)
    fade_out = np.minimum((seconds[-1] - seconds) / 0.3, 1.0)
    return np.asarray(note * fade_in * fade_out, np.float32)
