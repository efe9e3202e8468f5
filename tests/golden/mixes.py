"""The short mixes that are kept beside this file, and how they are made anew.

python -m tests.golden.mixes

Do that only where the sound is meant to change, and say under "Sound" in CHANGELOG.md what changed and by how much.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile

from render.workflows.scripting import render_folder
from tests.helpers.sessions import read_mix
from tests.helpers.stage_by_stage import Reals

FOLDER = Path(__file__).parent
RATE_HZ = 48_000
DURATION_S = 0.42


def capture() -> Reals:
    """A short take, the same on every machine: two notes with a hard attack, a microphone later and duller."""
    return np.stack([_two_notes(late_s=0.0, dull=1.0), _two_notes(late_s=0.0007, dull=1.5)], axis=1)


def _two_notes(*, late_s: float, dull: float) -> Reals:
    seconds = np.arange(round(DURATION_S * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(seconds))
    for start_s, fundamental_hz in ((0.03, 110.0), (0.2, 164.8)):
        instant = np.maximum(seconds - start_s - late_s, 0.0)
        for partial in range(1, 16):
            frequency_hz = fundamental_hz * partial * (1.0 + 1e-4 * partial**2) ** 0.5
            swing = np.exp(-(4.0 + partial) * instant) * np.sin(2.0 * np.pi * frequency_hz * instant)
            sound += 0.2 * swing * np.sin(0.6 * partial) / partial**dull
    return sound


def make_mixes(folder: Path) -> dict[str, tuple[Reals, int]]:
    """Render the take with every recipe that lies here; samples and rate by the recipe's name."""
    (folder / "session").mkdir()
    soundfile.write(folder / "session" / "take.wav", capture(), RATE_HZ, subtype="PCM_24")
    instant = np.arange(800)
    body = np.exp(-instant / 120.0) * np.cos(0.05 * instant + 0.3 * np.sin(0.011 * instant))
    soundfile.write(folder / "body.wav", 0.5 * body, RATE_HZ, subtype="PCM_24")
    for path in FOLDER.glob("*.toml"):
        (folder / path.name).write_bytes(path.read_bytes())
    recipes = sorted(folder.glob("*.toml"))
    result = render_folder(folder / "session", recipes, output=folder / "out", jobs=1)
    return {
        line["recipe"]: (read_mix(folder / "out" / line["output"]), line["sample_rate_hz"])
        for line in result.lines
    }


def main() -> None:
    """Write them all."""
    with tempfile.TemporaryDirectory() as folder:
        for name, (mix, rate_hz) in make_mixes(Path(folder)).items():
            soundfile.write(FOLDER / f"{name}.flac", mix, rate_hz, subtype="PCM_24")


if __name__ == "__main__":
    main()
