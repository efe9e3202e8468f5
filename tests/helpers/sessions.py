"""Small sessions and recipes on disc for tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.helpers.signals import plucks

PLAIN_RECIPE = """
[sources.pickup]
channel = 1
place = "mid"
chain = [{ stage = "high-pass", cutoff_hz = 60 }, { stage = "peaking", centre_hz = 2400, gain_db = -3.0, q = 1.2 }]

[sources.mic]
channel = 2
place = "side"
gain_db = -6.0
chain = [{ stage = "high-pass", cutoff_hz = 150 }]
"""

ROOM = """
[room]
decay_1khz_s = 0.5
"""

FLOAT = """
[finish]
loudness_lufs = "keep"
max_true_peak_dbtp = 0.0
bit_depth = "float"
tail_s = 0.0
fade_in_ms = 0
fade_out_ms = 0
"""


def write_recipe(path: Path, *parts: str) -> Path:
    """Put a recipe together from parts."""
    path.write_text("\n".join(parts or (PLAIN_RECIPE,)), encoding="utf-8")
    return path


def write_take(
    path: Path,
    *,
    duration_s: float = 2.0,
    sample_rate_hz: int = 48_000,
    seed: int = 1,
    channels: int = 2,
    audio: NDArray[np.float64] | None = None,
    subtype: str = "PCM_24",
) -> NDArray[np.float64]:
    """Write a take of plucked partials (or of `audio`) and return what is in the file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if audio is None:
        audio = plucks(duration_s, sample_rate_hz=sample_rate_hz, seed=seed, channels=channels)
    soundfile.write(path, audio, sample_rate_hz, subtype=subtype)
    back, _ = soundfile.read(path, dtype="float64", always_2d=True)
    return np.asarray(back, np.float64)


def read_mix(path: Path) -> NDArray[np.float64]:
    """Read a finished file."""
    audio, _ = soundfile.read(path, dtype="float64", always_2d=True)
    return np.asarray(audio, np.float64)
