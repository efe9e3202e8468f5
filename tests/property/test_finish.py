"""Whatever the sound and the settings: the ceiling holds, the loudness is met or told, nothing else is changed."""

from __future__ import annotations

import math

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from render.finish.ends import fade_gain
from render.finish.level import FinishPlan, apply_finish_block, plan_finish
from tests.helpers.signals import noise, plucks
from tests.reference.test_loudness import excess_of_libebur128_lu
from tests.reference.test_true_peak import annex_2_peak, scipy_peak

Audio = NDArray[np.float64]
KINDS = ("plucks", "bursts", "square", "clicks", "low", "clipped")


def _sound(kind: str, *, rate: int, frames: int, seed: int) -> Audio:
    """Harsh material, its peak somewhat above full scale."""
    random = np.random.default_rng(seed)
    time = np.arange(frames)[:, np.newaxis]
    if kind == "plucks":
        first = round(0.06 * rate)  # the first pluck comes after 50 ms
        audio = plucks((frames + first) / rate, sample_rate_hz=rate, seed=seed)[first : first + frames] * 6.0
    elif kind == "bursts":
        loud = random.random(frames // 300 + 1).repeat(300)[:frames, np.newaxis] > 0.7
        audio = noise(frames, seed=seed, rms=0.5) * loud
    elif kind == "square":
        cycles = random.uniform(0.3, 0.49, 2)  # per frame: next to half the rate, with all that folds back
        audio = 1.2 * np.sign(np.sin(2.0 * np.pi * cycles * time + 0.3)) * (np.sin(time / 900.0) > 0.0)
    elif kind == "clicks":
        audio = np.zeros((frames, 2))
        audio[random.integers(0, frames, 8), random.integers(0, 2, 8)] = random.uniform(-2.0, 2.0, 8)
        audio[[0, -1]] = random.uniform(-2.0, 2.0, (2, 2))
    elif kind == "low":
        audio = 1.5 * np.sin(2.0 * np.pi * random.uniform(40.0, 120.0, 2) * time / rate)
    else:
        audio = np.clip(noise(frames, seed=seed, rms=1.0), -1.0, 1.0)
    return np.asarray(audio, np.float64)


def _finished(audio: Audio, rate: int, **chosen: float) -> tuple[FinishPlan, Audio]:
    store = np.asfortranarray(audio, np.float32)
    store.setflags(write=False)
    plan = plan_finish(store, sample_rate_hz=rate, **chosen)  # type: ignore[arg-type]
    return plan, apply_finish_block(store, plan, 0, plan.frames)


def _db(gain: float) -> float:
    return 20.0 * math.log10(gain) if gain > 0.0 else -math.inf


@settings(max_examples=24)
@given(
    kind=st.sampled_from(KINDS),
    rate=st.sampled_from([44_100, 48_000, 96_000]),
    frames=st.integers(50, 14_000),
    limits=st.tuples(st.floats(-12.0, 0.0), st.sampled_from([0.0, 2.0, 30.0])),
    seed=st.integers(0, 2**31),
)
def test_the_ceiling_holds_by_other_meters(
    kind: str, rate: int, frames: int, limits: tuple[float, float], seed: int
) -> None:
    """Sixteen times oversampled by SciPy, its own filter and a long one; the printed filter within its own error."""
    ceiling, at_most = limits
    audio = _sound(kind, rate=rate, frames=frames, seed=seed)
    plan, finished = _finished(audio, rate, max_true_peak_dbtp=ceiling, limit_at_most_db=at_most)
    assert plan.limiter_max_reduction_db <= at_most + 1e-8
    assert plan.gain_db <= 0.0
    if not finished.any():
        return
    # Sixteen times oversampling by SciPy with its default filter, and with 256 taps a phase.
    assert _db(float(np.abs(signal.resample_poly(finished, 16, 1, axis=0)).max())) <= ceiling + 0.05
    assert _db(scipy_peak(finished)) <= ceiling + 0.05
    assert _db(annex_2_peak(finished)) <= ceiling + 0.25
    assert plan.true_peak_dbtp is not None
    assert plan.true_peak_dbtp <= ceiling


@settings(max_examples=8)
@given(
    rate=st.sampled_from([44_100, 48_000, 96_000]),
    target=st.floats(-24.0, -8.0),
    ceiling=st.floats(-6.0, -0.1),
    at_most=st.floats(0.0, 12.0),
    seed=st.integers(0, 2**31),
)
def test_loudness_is_met_or_told_to_have_given_way(
    rate: int, target: float, ceiling: float, at_most: float, seed: int
) -> None:
    """By libebur128 on the finished file."""
    audio = _sound("plucks", rate=rate, frames=rate, seed=seed)
    plan, finished = _finished(
        audio, rate, loudness_lufs=target, max_true_peak_dbtp=ceiling, limit_at_most_db=at_most
    )
    state = pyebur128.R128State(2, rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(finished).reshape(-1), len(finished))
    measured = float(pyebur128.get_loudness_global(state)) + excess_of_libebur128_lu(rate)
    assert measured == pytest.approx(target - plan.gave_way_lu, abs=0.01)
    assert plan.loudness_lufs == pytest.approx(measured, abs=0.005)
    if plan.gave_way_lu > 0.0:
        assert plan.limiter_max_reduction_db == pytest.approx(at_most, abs=0.01)


@settings(max_examples=12)
@given(
    kind=st.sampled_from(KINDS),
    frames=st.integers(0, 12_000),
    fade_in=st.integers(0, 4_000),
    fade_out=st.integers(0, 4_000),
    seed=st.integers(0, 2**31),
)
def test_one_gain_for_both_channels_and_only_where_it_is_needed(
    kind: str, frames: int, fade_in: int, fade_out: int, seed: int
) -> None:
    """Between 0 and 1, equal on left and right, and to the bit the fade alone outside the regions."""
    audio = _sound(kind, rate=48_000, frames=frames + 1, seed=seed)
    plan, finished = _finished(
        audio,
        48_000,
        max_true_peak_dbtp=-3.0,
        limit_at_most_db=60.0,
        fade_in_frames=fade_in,
        fade_out_frames=fade_out,
    )
    gain = np.ones(plan.frames)
    for first, stop, piece in plan.curve.pieces(0, plan.frames):
        gain[first:stop] = piece
    assert (gain > 0.0).all()
    assert (gain <= 1.0).all()
    fade = fade_gain(0, plan.frames, frames=plan.frames, fade_in_frames=fade_in, fade_out_frames=fade_out)
    plain = audio.astype(np.float32).astype(np.float64) * fade[:, np.newaxis]
    assert plan.gain_db == 0.0
    assert np.array_equal(finished[gain == 1.0], plain[gain == 1.0])
    assert finished == pytest.approx(plain * gain[:, np.newaxis], abs=1e-12)


@settings(max_examples=8)
@given(
    kind=st.sampled_from(KINDS),
    scale_db=st.floats(-20.0, 20.0),
    frames=st.integers(20_000, 24_000),
    seed=st.integers(0, 99),
)
def test_a_take_recorded_louder_is_finished_alike(kind: str, scale_db: float, frames: int, seed: int) -> None:
    """With a loudness target the level of the store does not matter."""
    audio = _sound(kind, rate=48_000, frames=frames, seed=seed)
    plan, finished = _finished(audio, 48_000, loudness_lufs=-18.0, limit_at_most_db=6.0)
    other, again = _finished(
        audio * 10.0 ** (scale_db / 20.0), 48_000, loudness_lufs=-18.0, limit_at_most_db=6.0
    )
    if plan.loudness_lufs is None:
        return
    assert other.gain_db + scale_db == pytest.approx(plan.gain_db, abs=0.007)
    assert other.gave_way_lu == pytest.approx(plan.gave_way_lu, abs=0.007)
    assert again == pytest.approx(finished, abs=2e-3)
