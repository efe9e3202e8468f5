"""All gauges together: what one says of the sound is not said again by another."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.engine.inspect import SourceInspection, inspect_take
from render.session.takes import Take
from tests.helpers.signals import plucks

RATE_HZ = 48_000


def _inspect(path: Path, audio: NDArray[np.float64]) -> tuple[SourceInspection, SourceInspection]:
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    return inspect_take(Take((path,), path.stem), channels=(1, 2)).sources


def test_corners_of_clipped_tops_are_no_clicks(tmp_path: Path) -> None:
    """A take that is cut hard is clipped, and does not click as well; a spike elsewhere in it still does."""
    audio = plucks(8.0, sample_rate_hz=RATE_HZ, seed=5)
    height = 0.4 * float(np.abs(audio[:, 0]).max())
    audio[:, 0] = np.clip(audio[:, 0], -height, height)
    audio[:, 1] = 0.5 * audio[::-1, 1]
    first, _ = _inspect(tmp_path / "cut.wav", audio)
    assert first.clipping.count > 50
    assert first.clicks.count == 0
    quietest = np.argmin([np.abs(part).max() for part in audio[RATE_HZ : 7 * RATE_HZ, 0].reshape(-1, 480)])
    quiet = RATE_HZ + 480 * int(quietest)
    audio[quiet, 0] += 0.3
    spiked, _ = _inspect(tmp_path / "spiked.wav", audio)
    assert any(abs(place - quiet) <= 2 for place in spiked.clicks.places)
