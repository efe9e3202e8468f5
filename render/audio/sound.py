"""A short sound file, whole: impulse responses."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from render.audio.array import Samples
from render.errors import TakeError

LONGEST_S = 120.0


def read_sound(path: Path) -> tuple[Samples, int]:
    """Read all of a short file.

    Returns
    -------
    float64, shape (frames, channels), and the sample rate in Hz

    Raises
    ------
    TakeError
        If it cannot be read, is longer than two minutes, or holds a value that is not finite.
    """
    import soundfile

    try:
        with soundfile.SoundFile(path) as file:
            most = int(LONGEST_S * file.samplerate)
            samples = file.read(most + 1, dtype="float64", always_2d=True)
            sample_rate_hz = int(file.samplerate)
    except (soundfile.SoundFileError, OSError) as error:
        raise TakeError(
            path, "cannot be read as sound", "see that it is there and is a sound file"
        ) from error
    if len(samples) > most:
        raise TakeError(
            path, f"longer than {LONGEST_S:.0f} s", "cut it: an impulse response is a few seconds long"
        )
    if not np.isfinite(samples).all():
        raise TakeError(path, "holds values that are not finite", "export it again")
    return samples, sample_rate_hz
