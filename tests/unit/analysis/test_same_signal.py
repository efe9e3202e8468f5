"""One signal twice: what counts as the same, and what does not."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.delay import measure_alignment
from render.analysis.same_signal import SAME_SIGNAL_DB
from tests.helpers.plucks import Path, Scene, play_scene
from tests.helpers.signals import noise

RATE_HZ = 48_000


def _residual_db(delay_frames: float, *, gain: float = 1.0, hiss: float = 0.0) -> float:
    """What is left of a guitar on both tracks, the second one later."""
    scene = Scene((Path(), Path(delay_s=delay_frames / RATE_HZ, gain=gain)), noise_rms=(0.0, 0.0))
    audio = play_scene(scene, duration_s=4.0, sample_rate_hz=RATE_HZ, seed=5).astype(np.float64)
    likeness = measure_alignment(audio + noise(len(audio), rms=hiss, seed=3), sample_rate_hz=RATE_HZ).likeness
    assert likeness is not None
    return likeness.residual_db


@pytest.mark.parametrize("gain", [1.0, -0.2])
@pytest.mark.parametrize("delay_frames", [0.0, 0.1, 0.3, -0.45])
def test_half_a_frame_of_delay_is_one_signal(delay_frames: float, gain: float) -> None:
    """Two halves of a converter that are parts of a frame apart still have one signal, whatever gain and hiss."""
    assert _residual_db(delay_frames, gain=gain, hiss=1e-4) < SAME_SIGNAL_DB


@pytest.mark.parametrize("delay_frames", [1.0, -1.0, 2.0, 40.0])
def test_a_copy_that_is_late_is_not(delay_frames: float) -> None:
    """A copy that comes a frame later or more is a delayed copy, as two sources that are told apart by it."""
    assert _residual_db(delay_frames) > SAME_SIGNAL_DB
