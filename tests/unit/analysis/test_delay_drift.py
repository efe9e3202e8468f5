from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.delay import measure_alignment
from render.analysis.drift import Steadiness, measure_steadiness
from render.analysis.track import Track
from tests.helpers.plucks import KINDS, play_scene, random_scene
from tests.helpers.rehearsal import talk

RATE = 8000


def run_slower(wave: NDArray[np.float64], *, ppm: float) -> NDArray[np.float64]:
    """The same sound by a clock so many millionths slow: it falls behind evenly. Windowed sinc, 32 frames."""
    at = np.arange(len(wave)) * (1.0 - 1e-6 * ppm)
    whole = np.floor(at).astype(int)
    out = np.zeros(len(wave))
    for offset in range(-15, 17):
        away = at - whole - offset
        weight = np.sinc(away) * np.cos(np.pi * away / 34.0) ** 2
        out += wave[np.clip(whole + offset, 0, len(wave) - 1)] * weight
    return out


@lru_cache
def take(kind: str, *, seconds: float, seed: int) -> NDArray[np.float64]:
    """A take of a random scene."""
    scene = random_scene(kind, seed=seed).scene
    return play_scene(scene, duration_s=seconds, sample_rate_hz=RATE, seed=seed).astype(np.float64)


@pytest.mark.parametrize(
    ("kind", "ppm"),
    [("copy", 3.0), ("body", -12.0), ("body", 100.0), ("everything", 3.0), ("everything", -12.0)],
)
def test_two_recorders(kind: str, ppm: float) -> None:
    """Clocks some millionths apart are told, the figure inside its uncertainty; the delay is that of the middle."""
    known = random_scene(kind, seed=31)
    audio = take(kind, seconds=60.0, seed=31).copy()
    audio[:, 1] = run_slower(audio[:, 1], ppm=ppm)
    found = measure_alignment(audio, sample_rate_hz=RATE)
    assert found.steadiness.drifting
    assert found.steadiness.jump_s is None
    assert found.steadiness.drift_ppm is not None
    assert found.steadiness.drift_uncertainty_ppm is not None
    assert found.steadiness.drift_ppm == pytest.approx(ppm, abs=found.steadiness.drift_uncertainty_ppm)
    assert found.steadiness.drift_uncertainty_ppm < 0.05 * abs(ppm) + 0.2
    assert found.delay_s is not None
    assert found.uncertainty_s is not None
    assert found.delay_s == pytest.approx(known.delay_s + 30e-6 * ppm, abs=found.uncertainty_s)
    assert found.polarity == known.polarity


@pytest.mark.parametrize("kind", KINDS)
def test_one_recorder(kind: str) -> None:
    """A take of one recorder never drifts or jumps."""
    found = measure_alignment(take(kind, seconds=40.0, seed=41), sample_rate_hz=RATE)
    assert not found.steadiness.drifting
    assert found.steadiness.jump_s is None
    if found.reason is None:
        assert found.steadiness.drift_ppm is not None
        assert abs(found.steadiness.drift_ppm) < 1.0


@pytest.mark.parametrize("kind", ["copy", "strings"])
def test_lost_buffer(kind: str) -> None:
    """Where a track lost 64 frames, the step is told, size and place; the delay is that of the longer part."""
    known = random_scene(kind, seed=51)
    audio = take(kind, seconds=40.0, seed=51).copy()
    third = len(audio) // 3
    audio[third:-64, 1] = audio[third + 64 :, 1].copy()
    found = measure_alignment(audio, sample_rate_hz=RATE)
    assert found.steadiness.jump_s == pytest.approx(-64 / RATE, abs=2e-5)
    assert found.steadiness.jump_at_s == pytest.approx(third / RATE, abs=3.0)
    assert found.delay_s == pytest.approx(known.delay_s - 64 / RATE, abs=1e-4)


def track(delay_s: NDArray[np.float64], *, error_s: float = 1e-6) -> Track:
    """Delays of segments three seconds apart."""
    count = len(delay_s)
    return Track(
        np.asarray(3.0 * np.arange(count), np.float64), delay_s, np.full(count, error_s), np.isfinite(delay_s)
    )


def test_short_tracks_say_nothing() -> None:
    """Fewer than four known segments make no line."""
    assert measure_steadiness(track(np.zeros(0))) == Steadiness()
    assert measure_steadiness(track(np.array([0.0, np.nan, 1e-3, 2e-3]))) == Steadiness()


def test_noise_on_a_level_line() -> None:
    """Of 300 level tracks of four to forty segments, whatever their scatter and with outliers, none drifts."""
    random = np.random.default_rng(1)
    for _ in range(300):
        count = int(random.integers(4, 40))
        scatter_s = 10.0 ** random.uniform(-7, -3.5)
        delay_s = scatter_s * random.standard_t(3, count)
        found = measure_steadiness(track(delay_s, error_s=scatter_s * 10.0 ** random.uniform(-1, 0)))
        assert not found.drifting


def test_small_drift_does_not_matter() -> None:
    """A drift of half a millionth, however sure, is not called one."""
    found = measure_steadiness(track(0.5e-6 * 3.0 * np.arange(100.0)))
    assert found.drift_ppm == pytest.approx(0.5)
    assert not found.drifting


def test_few_segments_need_more() -> None:
    """Three points of freedom ask for far more than four standard errors."""
    random = np.random.default_rng(2)
    line = 2e-6 * 3.0 * np.arange(40.0)
    noisy = line + 1e-5 * random.standard_normal(40)
    assert measure_steadiness(track(noisy, error_s=1e-5)).drifting
    assert not measure_steadiness(track(noisy[:5], error_s=1e-5)).drifting


def test_outliers_do_not_bend_the_line() -> None:
    """A segment that is off by a millisecond leaves the slope as it is."""
    random = np.random.default_rng(3)
    delay_s = 20e-6 * 3.0 * np.arange(20.0) + 1e-6 * random.standard_normal(20)
    delay_s[17] += 1e-3
    found = measure_steadiness(track(delay_s))
    assert found.drift_ppm == pytest.approx(20.0, abs=0.5)
    assert found.drifting
    assert found.jump_s is None


@pytest.mark.parametrize("shift", [8, -13])
@pytest.mark.parametrize("at_end", [False, True])
@pytest.mark.parametrize("kind", ["copy", "body"])
def test_a_voice_is_no_lost_buffer(kind: str, at_end: bool, shift: int) -> None:
    """Words before or after the playing, later or earlier in the pickup and faint there: no jump."""
    known = random_scene(kind, seed=61)
    audio = take(kind, seconds=60.0, seed=61).copy()
    voice = talk(12.0, sample_rate_hz=RATE, seed=3)
    there = np.stack([0.05 * np.roll(voice, shift), np.convolve(voice, [0.7, 0.2, 0.1], "same")], axis=1)
    there *= 0.3 * np.abs(audio[:, 1]).max() / np.abs(voice).max()
    part = slice(len(audio) - len(there), None) if at_end else slice(0, len(there))
    audio[part] = 1e-3 * audio[part] + there
    found = measure_alignment(audio, sample_rate_hz=RATE)
    assert found.steadiness.jump_s is None
    assert not found.steadiness.drifting
    assert found.delay_s is not None
    assert found.uncertainty_s is not None
    assert found.delay_s == pytest.approx(known.delay_s, abs=found.uncertainty_s)


def test_a_buffer_lost_early_is_still_told() -> None:
    """A piece that is missing a few seconds after the beginning, with the guitar on both sides of it."""
    audio = take("body", seconds=60.0, seed=61).copy()
    lost = 12 * RATE
    audio[lost:-16, 1] = audio[lost + 16 :, 1]
    found = measure_alignment(audio, sample_rate_hz=RATE).steadiness
    assert found.jump_s == pytest.approx(-16 / RATE, abs=2e-5)
    assert found.jump_at_s == pytest.approx(12.0, abs=8.0)
