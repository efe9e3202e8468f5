"""Octaves of a response: level against an impulse, and decay of all channels together."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from render.analysis.octave_decay import measure_octave_decay

RATE_HZ = 24_000
NEPERS_PER_60_DB = 3.0 * math.log(10.0)


@pytest.mark.parametrize("centre_hz", [125.9, 1000.0, 7943.0])
def test_a_late_impulse_is_as_loud_as_the_direct_sound(centre_hz: float) -> None:
    """A single impulse is 0 dB in every octave, two channels of it 3.01 dB; silence before it costs nothing."""
    response = np.zeros((12_000, 2))
    response[6000, 0] = 1.0
    alone = measure_octave_decay(response, sample_rate_hz=RATE_HZ, centre_hz=centre_hz)
    assert alone.curve_db[0] == pytest.approx(0.0, abs=0.01)
    response[6000, 1] = -1.0
    both = measure_octave_decay(response, sample_rate_hz=RATE_HZ, centre_hz=centre_hz)
    assert both.curve_db[0] == pytest.approx(10.0 * math.log10(2.0), abs=0.01)


def test_decay_is_that_of_the_noise() -> None:
    """Four channels of noise that falls by 60 dB in 0.8 s: T30 within 5 %, the curve falls with it."""
    decay_s = 0.8
    frames = round(1.2 * decay_s * RATE_HZ)
    at_s = np.arange(frames) / RATE_HZ
    noise = np.random.default_rng(7).standard_normal((frames, 4))
    fading = noise * np.exp(-NEPERS_PER_60_DB / decay_s * at_s)[:, np.newaxis]
    octave = measure_octave_decay(fading, sample_rate_hz=RATE_HZ, centre_hz=1000.0)
    assert octave.t30_s == pytest.approx(decay_s, rel=0.05)
    assert octave.curve_db[0] - octave.curve_db[round(0.4 * RATE_HZ)] == pytest.approx(30.0, abs=1.5)
    assert np.all(np.diff(octave.curve_db) <= 0.0)


def test_level_is_that_of_the_energy() -> None:
    """Half the amplitude is 6.02 dB less all along the curve, and decays alike."""
    noise = (
        np.random.default_rng(8).standard_normal((4000, 1)) * np.exp(-np.arange(4000) / 400.0)[:, np.newaxis]
    )
    full = measure_octave_decay(noise, sample_rate_hz=RATE_HZ, centre_hz=2000.0)
    half = measure_octave_decay(0.5 * noise, sample_rate_hz=RATE_HZ, centre_hz=2000.0)
    assert_allclose(full.curve_db[:3000] - half.curve_db[:3000], 20.0 * math.log10(2.0), atol=1e-9)
    assert half.t30_s == pytest.approx(full.t30_s, rel=1e-12)


def test_silence_has_no_decay() -> None:
    """Minus infinity all along, and no time."""
    octave = measure_octave_decay(np.zeros((3000, 2)), sample_rate_hz=RATE_HZ, centre_hz=500.0)
    assert np.all(np.isneginf(octave.curve_db))
    assert math.isnan(octave.t30_s)
