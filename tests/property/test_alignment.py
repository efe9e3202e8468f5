"""Properties of the alignment of two sources, over random sounds."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.analysis.delay import Alignment, measure_alignment
from tests.helpers.plucks import KINDS, play_scene, random_scene

RATE = 12000
SOUNDS = st.sampled_from(("silence", "constant", "square", "click", "sine", "noise", "huge", "tiny"))


def sound(kind: str, frames: int, seed: int) -> NDArray[np.float64]:
    """One channel of an awkward sound."""
    random = np.random.default_rng(seed)
    n = np.arange(frames)
    if kind == "silence":
        return np.zeros(frames)
    if kind == "constant":
        return np.full(frames, 0.7)
    if kind == "square":
        return np.asarray(np.where(n // 50 % 2, -1.0, 1.0), np.float64)
    if kind == "click":
        return np.asarray((n == frames // 3).astype(np.float64), np.float64)
    if kind == "sine":
        return np.asarray(np.sin(0.05 * n), np.float64)
    scale = {"noise": 0.1, "huge": 1e6, "tiny": 1e-12}[kind]
    return np.asarray(scale * random.standard_normal(frames), np.float64)


def is_sound(found: Alignment) -> None:
    """Every figure finite, or none; a reason where there is none."""
    assert (found.delay_s is None) == (found.uncertainty_s is None) == (found.reason is not None)
    if found.delay_s is not None and found.uncertainty_s is not None:
        assert abs(found.delay_s) <= 0.0501
        assert 0.0 <= found.uncertainty_s < math.inf
    assert found.polarity in (1, -1, None)
    assert 0.0 <= found.polarity_sureness <= 1.0
    if found.likeness is not None:
        assert -140.0 <= found.likeness.residual_db <= 0.0
    assert np.all((found.curves.coherence >= 0.0) & (found.curves.coherence <= 1.0))
    assert not np.any(np.isinf(found.curves.delay_ms))


@settings(max_examples=60, deadline=None)
@given(first=SOUNDS, second=SOUNDS, frames=st.integers(0, 30000), seed=st.integers(0, 1000))
def test_any_two_sounds_give_a_sound_answer(first: str, second: str, frames: int, seed: int) -> None:
    """Whatever lies on the two tracks: figures are finite, or there is a reason why not. Nothing warns."""
    audio = np.stack([sound(first, frames, seed), sound(second, frames, seed + 1)], axis=1)
    is_sound(measure_alignment(audio, sample_rate_hz=RATE))


@settings(max_examples=12, deadline=None)
@given(kind=st.sampled_from(KINDS), seed=st.integers(0, 10000), gain_db=st.floats(-60.0, 20.0))
def test_gain_changes_nothing(kind: str, seed: int, gain_db: float) -> None:
    """A gain on one source leaves delay, polarity and uncertainty; another polarity turns only the polarity."""
    audio = play_scene(random_scene(kind, seed=seed).scene, duration_s=3.0, sample_rate_hz=RATE, seed=seed)
    before = measure_alignment(audio, sample_rate_hz=RATE)
    gains = np.array([1.0, -(10.0 ** (gain_db / 20.0))])
    after = measure_alignment(audio * gains, sample_rate_hz=RATE)
    is_sound(before)
    assert after.reason == before.reason
    if before.delay_s is None or before.uncertainty_s is None or after.delay_s is None:
        return
    assert abs(after.delay_s - before.delay_s) <= 0.01 * before.uncertainty_s + 1e-9
    assert after.polarity == (None if before.polarity is None else -before.polarity)


@settings(max_examples=12, deadline=None)
@given(kind=st.sampled_from(KINDS), seed=st.integers(0, 10000))
def test_sources_exchanged(kind: str, seed: int) -> None:
    """With the sources exchanged the delay changes its sign, and nothing else."""
    audio = play_scene(random_scene(kind, seed=seed).scene, duration_s=3.0, sample_rate_hz=RATE, seed=seed)
    before = measure_alignment(audio, sample_rate_hz=RATE)
    after = measure_alignment(audio[:, ::-1], sample_rate_hz=RATE)
    assert after.reason == before.reason
    assert after.polarity == before.polarity
    if before.delay_s is not None and before.uncertainty_s is not None and after.delay_s is not None:
        assert abs(after.delay_s + before.delay_s) <= 0.05 * before.uncertainty_s + 1e-9


@settings(max_examples=10, deadline=None)
@given(
    kind=st.sampled_from(("copy", "filters", "body", "strings")),
    seed=st.integers(0, 10000),
    frames=st.integers(-60, 60),
)
def test_a_further_delay_adds(kind: str, seed: int, frames: int) -> None:
    """A second source that is later by some frames more is found so many frames later."""
    audio = play_scene(random_scene(kind, seed=seed).scene, duration_s=4.0, sample_rate_hz=RATE, seed=seed)
    before = measure_alignment(audio, sample_rate_hz=RATE)
    later = audio.copy()
    later[:, 1] = np.roll(audio[:, 1], frames)
    after = measure_alignment(later, sample_rate_hz=RATE)
    if before.delay_s is None or before.uncertainty_s is None or after.delay_s is None:
        return
    assert abs(after.delay_s - before.delay_s - frames / RATE) <= before.uncertainty_s + 1e-7
