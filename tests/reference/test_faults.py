"""Levels, clipping, dropouts and clicks against closed forms: what the numbers must be is known without measuring."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.analysis.clicks import measure_clicks
from render.analysis.clipping import FLAT_FRACTION, measure_clipping
from render.analysis.dropouts import measure_dropouts
from render.analysis.levels import measure_levels
from tests.helpers.signals import noise, sine
from tests.helpers.source import source

RATE_HZ = 48_000


@source(
    "RMS, peak and crest factor of a sine",
    "A / sqrt 2; sqrt 2",
    kind="closed form",
    tolerance="0.001 dB: single precision",
)
@pytest.mark.parametrize("peak_dbfs", [0.0, -6.0, -60.0])
def test_sine_levels(peak_dbfs: float) -> None:
    """A sine of whole periods has a crest factor of 3.0103 dB at any level."""
    audio = sine(1000.0, duration_s=1.0, sample_rate_hz=RATE_HZ, peak_dbfs=peak_dbfs)
    for levels in measure_levels(np.asarray(audio, np.float32), sample_rate_hz=RATE_HZ):
        assert levels.peak_dbfs == pytest.approx(peak_dbfs, abs=1e-3)
        assert levels.rms_dbfs == pytest.approx(peak_dbfs - 10.0 * math.log10(2.0), abs=1e-3)
        assert levels.crest_db == pytest.approx(10.0 * math.log10(2.0), abs=1e-3)


@source(
    "Mean square of a sum of a constant and a sine",
    "d**2 + A**2 / 2",
    kind="closed form",
    tolerance="1e-6: single precision",
)
@pytest.mark.parametrize("dc", [0.01, -0.25])
def test_a_constant_under_a_sine(dc: float) -> None:
    """The constant part is the mean, and belongs to the RMS."""
    audio = sine(100.0, duration_s=1.0, sample_rate_hz=RATE_HZ, peak_dbfs=-12.0) + dc
    levels = measure_levels(np.asarray(audio, np.float32), sample_rate_hz=RATE_HZ)[0]
    amplitude = 10.0 ** (-12.0 / 20.0)
    assert levels.dc == pytest.approx(dc, abs=1e-6)
    assert levels.rms_gain == pytest.approx(math.sqrt(dc**2 + amplitude**2 / 2.0), abs=1e-6)
    assert levels.peak_gain == pytest.approx(abs(dc) + amplitude, abs=1e-6)


@source(
    "Crest factors of square and triangle",
    "1; sqrt 3",
    kind="closed form",
    tolerance="0.01 dB: whole samples",
)
def test_crest_of_other_waves() -> None:
    """A square has a crest factor of 0 dB, a triangle of 4.77 dB."""
    turn = np.arange(RATE_HZ) / 480.0
    square = np.sign(np.sin(2.0 * np.pi * (turn + 0.5 / 480.0)))
    triangle = 2.0 / np.pi * np.arcsin(np.sin(2.0 * np.pi * turn))
    left, right = measure_levels(np.stack([square, triangle], axis=1), sample_rate_hz=RATE_HZ)
    assert left.crest_db == pytest.approx(0.0, abs=0.01)
    assert right.crest_db == pytest.approx(10.0 * math.log10(3.0), abs=0.01)


@source(
    "A sine of amplitude 1 stands above h for the share arccos(h) / pi of its time",
    "",
    kind="closed form",
    tolerance="a sample a top, and what a flat top may vary over the slope there; the tops at both ends of the take",
)
@pytest.mark.parametrize("cut_db", [1.0, 2.0, 6.0])
@pytest.mark.parametrize("frequency_hz", [61.0, 220.0, 441.0])
def test_clipped_share_of_a_sine(cut_db: float, frequency_hz: float) -> None:
    """A sine cut on both sides is flat for the share of time that trigonometry says, once a top."""
    height = 10.0 ** (-cut_db / 20.0)
    wave = sine(frequency_hz, duration_s=2.0, sample_rate_hz=RATE_HZ)
    found = measure_clipping(np.asarray(np.clip(wave, -height, height), np.float32), sample_rate_hz=RATE_HZ)[
        0
    ]
    tops = 2.0 * frequency_hz * 2.0
    assert abs(found.count - tops) <= 2.0
    assert found.upper_count + found.lower_count == found.count
    each_s = math.acos(height) / (math.pi * frequency_hz)
    slope = 2.0 * math.pi * frequency_hz / RATE_HZ * math.sqrt(1.0 - height**2)
    each_frames = 1.0 + 2.0 * FLAT_FRACTION * height / slope
    assert found.duration_s == pytest.approx(found.count * each_s, abs=tops * each_frames / RATE_HZ)
    assert found.level_gain == pytest.approx(height, rel=1e-3)


@source(
    "Faults put in at known frames",
    "",
    kind="closed form",
    tolerance="clicks within 2 frames; dropouts exact",
)
def test_places_are_where_the_faults_are() -> None:
    """Zeros and spikes put into noise are found at their frames, with their lengths and heights."""
    audio = noise(4 * RATE_HZ, rms=0.05, seed=9)
    for first in (30_000, 90_000):
        audio[first : first + 64] = 0.0
    audio[150_000] += 0.9
    audio = np.asarray(audio, np.float32)
    for dropouts, clicks in zip(
        measure_dropouts(audio, sample_rate_hz=RATE_HZ),
        measure_clicks(audio, sample_rate_hz=RATE_HZ),
        strict=True,
    ):
        assert (dropouts.places, dropouts.lengths) == ((30_000, 90_000), (64, 64))
        assert dropouts.duration_s == pytest.approx(128 / RATE_HZ)
        assert clicks.count == 1
        assert abs(clicks.places[0] - 150_000) <= 2
        assert clicks.highest_gain == pytest.approx(0.9, abs=0.2)  # the noise under it: four times its RMS
