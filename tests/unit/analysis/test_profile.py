"""The ratio of two sources in narrow cells: against responses that are known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.profile import CENTRE_HZ, EDGES_HZ, Profile, measure_profile
from tests.helpers.rehearsal import peaking, through
from tests.helpers.signals import noise

RATE_HZ = 16_000
Wave = NDArray[np.float64]


def _response(frequency_hz: Wave) -> NDArray[np.complex128]:
    """A body resonance and a broad slope."""
    resonance = peaking(frequency_hz, centre_hz=180.0, gain_db=9.0, q=6.0)
    return np.asarray(resonance * peaking(frequency_hz, centre_hz=1500.0, gain_db=-8.0, q=0.7))


def _take(rate_hz: int = RATE_HZ, *, seconds: float = 30.0) -> Wave:
    """Strokes of white noise, and the same behind the response, a millisecond later."""
    since_s = np.arange(round(seconds * rate_hz)) / rate_hz % 1.3
    sound = noise(len(since_s), rms=0.3)[:, 0] * np.exp(-since_s / 0.25)
    late = round(0.001 * rate_hz)
    return np.stack([sound, np.roll(through(sound, _response, sample_rate_hz=rate_hz), late)], axis=1)


def _known_db() -> Wave:
    """The response, its power meant over each cell."""
    cells = [np.linspace(low, high, 32) for low, high in itertools.pairwise(EDGES_HZ)]
    return np.array([10.0 * np.log10(np.mean(np.abs(_response(hz)) ** 2)) for hz in cells])


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000, 96_000])
def test_the_ratio_is_that_of_the_responses(rate_hz: int) -> None:
    """At every sample rate in the same cells; on a resonance the width of a window costs some tenths of a decibel."""
    profile = measure_profile(_take(rate_hz), sample_rate_hz=rate_hz)
    off_db = np.abs(profile.ratio_db - _known_db())
    assert np.max(off_db) < 0.8
    assert np.median(off_db) < 0.1
    assert np.min(profile.coherence) > 0.9
    assert profile.ratio_db.shape == CENTRE_HZ.shape


@pytest.mark.parametrize("air_hz", [103.0, 108.0, 113.0])
def test_low_resonances_are_told_apart(air_hz: float) -> None:
    """Two guitars' air resonances a semitone apart lie in different cells."""

    def air(frequency_hz: Wave) -> NDArray[np.complex128]:
        return peaking(frequency_hz, centre_hz=air_hz, gain_db=10.0, q=8.0)

    sound = _take()[:, 0]
    take = np.stack([sound, through(sound, air, sample_rate_hz=RATE_HZ)], axis=1)
    profile = measure_profile(take, sample_rate_hz=RATE_HZ)
    assert CENTRE_HZ[np.argmax(profile.ratio_db)] == pytest.approx(air_hz, abs=3.5)


def test_gain_moves_all_cells_alike() -> None:
    """And neither coherence nor scatter."""
    take = _take()
    one, other = (measure_profile(sound, sample_rate_hz=RATE_HZ) for sound in (take, take * [1.0, 0.1]))
    np.testing.assert_allclose(other.ratio_db, one.ratio_db - 20.0, atol=1e-3)
    np.testing.assert_allclose(other.coherence, one.coherence, atol=1e-4)
    np.testing.assert_allclose(other.scatter_db, one.scatter_db, atol=1e-3)


def test_exchanged_sources_turn_the_ratio_over() -> None:
    """To the last digits as if the channels had been exchanged."""
    take = _take()
    one, other = (measure_profile(sound, sample_rate_hz=RATE_HZ) for sound in (take, take[:, ::-1]))
    np.testing.assert_allclose(other.ratio_db, one.mirrored.ratio_db, atol=1e-3)


def test_steady_noise_is_taken_off() -> None:
    """Noise 10 to 15 dB under the sound in the second source, heard alone in a pause, hardly moves the ratio."""
    take = _take()
    take[RATE_HZ * 10 : RATE_HZ * 12] = 0.0
    hiss = noise(len(take), rms=0.02, seed=9) * [0.0, 1.0]
    clean, noisy = (measure_profile(sound, sample_rate_hz=RATE_HZ) for sound in (take, take + hiss))
    told = np.isfinite(noisy.ratio_db)
    assert np.count_nonzero(told) > 0.8 * len(CENTRE_HZ)
    assert np.max(np.abs(noisy.ratio_db - clean.ratio_db)[told]) < 0.5


def test_what_lies_in_noise_is_not_told() -> None:
    """Cells in which a source does not stand 6 dB over its noise."""
    take = _take()
    take[RATE_HZ * 10 : RATE_HZ * 12] = 0.0
    hiss = noise(len(take), rms=0.5, seed=9)
    assert not np.isfinite(measure_profile(take + hiss * [0.0, 1.0], sample_rate_hz=RATE_HZ).ratio_db).any()


def test_another_sound_in_one_source_makes_the_ratio_doubtful() -> None:
    """It has no part in the other: coherence falls, and the doubt covers by how much the ratio is off."""
    take = _take()
    since_s = np.arange(len(take)) / RATE_HZ % 1.7
    voice = noise(len(take), rms=0.15, seed=5) * np.exp(-since_s / 0.3)[:, np.newaxis]
    clean = measure_profile(take, sample_rate_hz=RATE_HZ)
    mixed = measure_profile(take + voice * [0.0, 1.0], sample_rate_hz=RATE_HZ)
    off_db = np.abs(mixed.ratio_db - clean.ratio_db)
    assert np.median(off_db) > 0.4
    assert np.mean(off_db <= mixed.doubt_db + 0.2) > 0.9


def test_scatter_is_that_of_the_ratio_over_time() -> None:
    """Half of a take 6 dB up in one source: 3 dB of scatter, none without."""
    take = _take()
    louder = take.copy()
    louder[: len(take) // 2, 1] *= 2.0
    steady, moving = (measure_profile(sound, sample_rate_hz=RATE_HZ).scatter_db for sound in (take, louder))
    assert np.median(steady) < 0.2
    assert np.median(moving) == pytest.approx(3.0, abs=0.3)


@pytest.mark.parametrize("seconds", [0.1, 1.0, 5.0])
def test_a_few_seconds_tell_nothing(seconds: float) -> None:
    """Nor do zeros."""
    for take in (_take(seconds=seconds), np.zeros((RATE_HZ * 20, 2))):
        profile = measure_profile(take, sample_rate_hz=RATE_HZ)
        assert isinstance(profile, Profile)
        assert not np.isfinite(profile.ratio_db).any()


def test_a_few_partials_leave_doubt() -> None:
    """In wide cells, of which each fills little; none of a sound that is everywhere."""
    assert not measure_profile(_take(), sample_rate_hz=RATE_HZ).blur_db.any()
    since_s = np.arange(20 * RATE_HZ) / RATE_HZ
    tones_hz = np.array([165.0, 495.0, 1100.0, 2100.0])
    tones = np.sin(2.0 * np.pi * since_s[:, np.newaxis] * tones_hz).sum(axis=1) * np.exp(-(since_s % 2.0))
    blur_db = measure_profile(np.stack([tones, 0.5 * tones], axis=1), sample_rate_hz=RATE_HZ).blur_db
    in_cells_db = blur_db[np.searchsorted(EDGES_HZ, tones_hz) - 1]
    assert in_cells_db[3] > 4.0
    assert np.all(np.diff(in_cells_db) > 0.0)
    silent = measure_profile(np.zeros((20 * RATE_HZ, 2)), sample_rate_hz=RATE_HZ)
    assert np.isfinite(silent.blur_db).all()


def test_nothing_but_one_tone_is_no_error() -> None:
    """Where there is nothing a sum may be less than nothing by its rounding: one such take would spoil a session."""
    since_s = np.arange(20 * 48_000) / 48_000
    tone = np.sin(2.0 * np.pi * 165.0 * since_s) * np.sin(np.pi * since_s / 20.0) ** 2
    profile = measure_profile(np.stack([tone, 0.2 * tone], axis=1), sample_rate_hz=48_000)
    assert np.isfinite(profile.scatter_db).all()
