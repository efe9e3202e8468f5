"""The plan of a take's level, and its application block by block."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from render.audio.array import AnySamples
from render.finish.level import FinishPlan, apply_finish_block, plan_finish
from render.finish.loudness import (
    integrated_loudness_lufs,
    loudness_range_lu,
    max_momentary_lufs,
    max_short_term_lufs,
    measure_correlation,
    measure_mono_level_change_db,
    measure_mono_loudness_change_lu,
    measure_side_to_mid_db,
    measure_slots,
)
from render.finish.slots import measure_block_peaks
from render.finish.true_peak import true_peak_gain
from tests.helpers.signals import noise, plucks

Audio = NDArray[np.float64]
RATE_HZ = 48_000


def _strings(duration_s: float = 3.5, *, rate: int = RATE_HZ, seed: int = 1) -> NDArray[np.float32]:
    """Plucks with accents, read-only, each channel contiguous."""
    audio = plucks(duration_s, sample_rate_hz=rate, seed=seed)
    seconds = np.arange(len(audio)) / rate
    accents = 1.0 + 2.0 * np.exp(-((((seconds + 0.3) % 1.3) - 0.6) ** 2) / 0.02**2)
    store = np.asfortranarray(audio * accents[:, np.newaxis], np.float32)
    store.setflags(write=False)
    return store


def _plan(store: AnySamples, **settings: object) -> FinishPlan:
    return plan_finish(store, sample_rate_hz=RATE_HZ, **settings)  # type: ignore[arg-type]


def _peak_db(audio: AnySamples) -> float:
    return float(20.0 * np.log10(true_peak_gain(audio, sample_rate_hz=RATE_HZ)))


def test_every_figure_is_that_of_the_finished_file() -> None:
    """Measured on the file as it comes out, limited, trimmed and faded."""
    store = _strings(5.0)
    plan = _plan(
        store,
        first_frame=5_000,
        stop_frame=230_000,
        loudness_lufs=-15.0,
        limit_at_most_db=12.0,
        fade_in_frames=240,
        fade_out_frames=9_600,
    )
    finished = apply_finish_block(store, plan, 0, plan.frames)
    assert finished.shape == (225_000, 2)
    slots = measure_slots(finished, sample_rate_hz=RATE_HZ)
    for name, value in (
        ("loudness_lufs", integrated_loudness_lufs(slots)),
        ("loudness_range_lu", loudness_range_lu(slots)),
        ("max_momentary_lufs", max_momentary_lufs(slots)),
        ("max_short_term_lufs", max_short_term_lufs(slots)),
        ("correlation", measure_correlation(slots)),
        ("side_to_mid_db", measure_side_to_mid_db(slots)),
        ("mono_level_change_db", measure_mono_level_change_db(slots)),
        ("mono_loudness_change_lu", measure_mono_loudness_change_lu(slots)),
    ):
        assert getattr(plan, name) == pytest.approx(value, abs=0.005), name
    assert plan.loudness_lufs == pytest.approx(-15.0, abs=0.0035)
    assert plan.true_peak_dbtp == pytest.approx(_peak_db(finished), abs=1e-4)
    assert (plan.true_peak_dbtp or 0.0) <= -1.0
    assert plan.limiter_max_reduction_db > 1.0
    flat = replace(plan, gain_db=0.0, curve=_plan(store, max_true_peak_dbtp=0.0).curve)
    before = measure_slots(apply_finish_block(store, flat, 0, flat.frames), sample_rate_hz=RATE_HZ)
    assert plan.loudness_before_lufs == pytest.approx(integrated_loudness_lufs(before), abs=0.001)
    gain = np.abs(finished).max(axis=1) / np.maximum(
        np.abs(apply_finish_block(store, replace(flat, gain_db=plan.gain_db), 0, flat.frames)).max(axis=1),
        1e-30,
    )
    active_s = np.count_nonzero(gain < 1.0 - 1e-7) / RATE_HZ
    assert plan.limiter_active_s == pytest.approx(active_s, abs=0.05 * active_s)


def test_blocks_put_together_are_the_whole() -> None:
    """To the bit, wherever it is cut, also from a float64 store."""
    for store in (_strings(), _strings().astype(np.float64)):
        plan = _plan(
            store, loudness_lufs=-14.0, limit_at_most_db=12.0, fade_in_frames=500, fade_out_frames=5_000
        )
        whole = apply_finish_block(store, plan, 0, plan.frames)
        edges = [0, 1, 100, 499, 20_000, 20_001, 77_777, plan.frames - 4_999, plan.frames]
        parts = [apply_finish_block(store, plan, a, b) for a, b in pairwise(edges)]
        assert whole.dtype == np.float64
        assert whole.flags.f_contiguous
        assert np.array_equal(whole, np.concatenate(parts))


def test_given_measurements_give_the_same_plan() -> None:
    """Those that the engine makes on its way, of the whole store."""
    store = _strings()
    settings = {
        "loudness_lufs": -15.0,
        "limit_at_most_db": 12.0,
        "fade_in_frames": 240,
        "fade_out_frames": 9_600,
    }
    slots = measure_slots(store, sample_rate_hz=RATE_HZ)
    peaks = measure_block_peaks(store, sample_rate_hz=RATE_HZ)
    for first in (0, 960 * 5, 1_234):
        alone = _plan(store, first_frame=first, **settings)
        given = _plan(store, first_frame=first, slots=slots, block_peaks=peaks, **settings)
        assert given.gain_db == pytest.approx(alone.gain_db, abs=0.004)
        assert given.loudness_lufs == pytest.approx(-15.0, abs=0.0035)
        assert given.limiter_max_reduction_db == pytest.approx(alone.limiter_max_reduction_db, abs=0.01)


def test_left_and_right_are_treated_alike() -> None:
    """Exchanged channels: the same gain and curve to the bit, the figures too."""
    store = _strings()
    swapped = np.asfortranarray(store[:, ::-1])
    plan, other = (_plan(s, loudness_lufs=-14.0, limit_at_most_db=12.0) for s in (store, swapped))
    assert plan.gain_db == other.gain_db
    assert np.array_equal(plan.curve.gain, other.curve.gain)
    assert plan.true_peak_dbtp == other.true_peak_dbtp
    finished = apply_finish_block(store, plan, 0, 10_000)
    assert np.array_equal(finished[:, ::-1], apply_finish_block(swapped, other, 0, 10_000))


def test_a_quiet_target_needs_no_limiter() -> None:
    """One gain, and the target to a thousandth."""
    store = _strings()
    plan = _plan(store, loudness_lufs=-30.0)
    assert len(plan.curve.gain) == 0
    assert plan.limiter_max_reduction_db == 0.0
    assert plan.limiter_active_s == 0.0
    assert plan.gave_way_lu == 0.0
    assert plan.loudness_lufs == pytest.approx(-30.0, abs=1e-6)
    finished = apply_finish_block(store, plan, 0, plan.frames)
    assert np.array_equal(finished, store.astype(np.float64) * 10.0 ** (plan.gain_db / 20.0))


@pytest.mark.parametrize("at_most_db", [0.0, 0.5, 3.0])
def test_past_its_bound_the_loudness_gives_way(at_most_db: float) -> None:
    """The largest reduction is the bound, the peak is at the ceiling, and the plan tells how far it stayed short."""
    store = _strings()
    plan = _plan(store, loudness_lufs=-8.0, max_true_peak_dbtp=-2.0, limit_at_most_db=at_most_db)
    assert plan.limiter_max_reduction_db == pytest.approx(at_most_db, abs=0.003)
    assert plan.limiter_max_reduction_db <= at_most_db + 1e-8
    assert plan.true_peak_dbtp == pytest.approx(-2.0, abs=0.05)
    assert (plan.true_peak_dbtp or 0.0) <= -2.0
    assert plan.loudness_lufs is not None
    assert plan.gave_way_lu == pytest.approx(-8.0 - plan.loudness_lufs, abs=1e-9)
    assert plan.gave_way_lu > 1.0
    if at_most_db == 0.0:
        assert len(plan.curve.gain) == 0


def test_a_target_out_of_reach_is_told() -> None:
    """However much the limiter may do, there is a loudness that it cannot make of this take."""
    plan = _plan(_strings(1.0), loudness_lufs=-3.0, limit_at_most_db=40.0)
    assert plan.loudness_lufs is not None
    assert plan.gave_way_lu == pytest.approx(-3.0 - plan.loudness_lufs, abs=1e-9)
    assert plan.gave_way_lu > 1.0
    assert (plan.true_peak_dbtp or 0.0) <= -1.0


def test_the_bound_holds_where_the_limiter_needs_more_than_the_highest_over() -> None:
    """A square wave next to half the rate, of which one spot stands too high although its own need is met."""
    time = np.arange(2_000)[:, np.newaxis]
    for seed in (8, 19, 25):
        cycles = np.random.default_rng(seed).uniform(0.3, 0.49, 2)
        audio = 1.2 * np.sign(np.sin(2.0 * np.pi * cycles * time + 0.3)) * (np.sin(time / 900.0) > 0.0)
        store = np.asfortranarray(audio, np.float32)
        plan = _plan(store, max_true_peak_dbtp=-12.0, limit_at_most_db=3.0)
        assert plan.limiter_max_reduction_db == pytest.approx(3.0, abs=0.003)
        assert plan.limiter_max_reduction_db <= 3.0 + 1e-8
        assert (plan.true_peak_dbtp or 0.0) <= -12.0


def test_a_kept_level_is_kept_as_long_as_the_ceiling_allows() -> None:
    """0 dB below the ceiling; limited above it; lowered where the limiter may not."""
    store = _strings()
    high = _peak_db(store)
    plan = _plan(store)
    assert plan.gain_db == 0.0
    assert len(plan.curve.gain) == 0
    assert plan.gave_way_lu == 0.0
    limited = _plan(store, max_true_peak_dbtp=high - 2.0, limit_at_most_db=3.0)
    assert limited.gain_db == 0.0
    assert limited.limiter_max_reduction_db == pytest.approx(2.0, abs=0.05)
    assert limited.gave_way_lu == 0.0
    lowered = _plan(store, max_true_peak_dbtp=high - 6.0, limit_at_most_db=1.0)
    assert lowered.gain_db == pytest.approx(-5.0, abs=0.05)
    assert lowered.gave_way_lu == pytest.approx(-lowered.gain_db)
    assert lowered.true_peak_dbtp is not None
    assert lowered.true_peak_dbtp <= high - 6.0


def test_a_fixed_gain_stays_under_the_ceiling_too() -> None:
    """As a session's gain: used as it is, whatever the loudness; the ceiling is the same."""
    store = _strings()
    plan = _plan(store, gain_db=-3.123456789012, loudness_lufs=-10.0)
    assert plan.gain_db == pytest.approx(-3.123456789012, abs=1e-9)
    assert plan.gave_way_lu == 0.0
    assert plan.loudness_lufs == pytest.approx((plan.loudness_before_lufs or 0.0) - 3.123456789, abs=1e-6)
    loud = _plan(store, gain_db=20.0, limit_at_most_db=2.0)
    assert loud.limiter_max_reduction_db == pytest.approx(2.0, abs=0.003)
    assert loud.gave_way_lu == pytest.approx(20.0 - loud.gain_db)
    assert loud.gain_db < 15.0


@pytest.mark.parametrize("frames", [0, 1, 700, 15_000])
def test_silence_and_nothing_stay_as_they_are(frames: int) -> None:
    """No gain, no figures, no failure."""
    store = np.zeros((frames, 2), np.float32, order="F")
    plan = _plan(store, loudness_lufs=-16.0, fade_in_frames=10, fade_out_frames=200)
    assert plan.gain_db == 0.0
    assert plan.loudness_before_lufs is None
    assert plan.loudness_lufs is None
    assert plan.true_peak_dbtp is None
    assert plan.correlation is None
    assert not apply_finish_block(store, plan, 0, frames).any()


@pytest.mark.parametrize("frames", [1, 100, 19_000])
def test_less_than_400_ms_keeps_its_level_under_the_ceiling(frames: int) -> None:
    """Loudness does not exist there; the ceiling does."""
    soft = np.asfortranarray(noise(frames, seed=3, rms=0.05), np.float32)
    plan = _plan(soft, loudness_lufs=-16.0)
    assert plan.gain_db == 0.0
    assert plan.loudness_lufs is None
    assert plan.true_peak_dbtp is not None
    loud = np.asfortranarray(noise(frames, seed=3, rms=2.0), np.float32)
    plan = _plan(loud, loudness_lufs=-16.0, limit_at_most_db=1.0)
    finished = apply_finish_block(loud, plan, 0, frames)
    assert _peak_db(finished) <= -1.0
    assert plan.gave_way_lu == pytest.approx(max(0.0, -plan.gain_db))


def test_a_take_below_the_gate_keeps_its_level() -> None:
    """Nothing above -70 LUFS: no loudness to correct."""
    plan = _plan(np.asfortranarray(noise(48_000, rms=1e-5), np.float32), loudness_lufs=-16.0)
    assert plan.gain_db == 0.0
    assert plan.loudness_before_lufs is None


def test_loudness_crossing_the_gate_is_met() -> None:
    """Parts that the gain lifts above -70 LUFS count afterwards."""
    audio = noise(3 * RATE_HZ, seed=4, rms=3e-4)
    audio[RATE_HZ:] *= 0.35
    plan = _plan(np.asfortranarray(audio, np.float32), loudness_lufs=-20.0)
    assert plan.loudness_lufs == pytest.approx(-20.0, abs=0.004)


def test_a_memory_map_is_planned_and_never_written(tmp_path: Path) -> None:
    """Opened read-only."""
    audio = _strings(2.0)
    np.asarray(audio).T.tofile(tmp_path / "store.f32")
    store = np.memmap(tmp_path / "store.f32", np.float32, "r", shape=audio.shape, order="F")
    plan = _plan(store, loudness_lufs=-14.0, limit_at_most_db=12.0)
    expected = _plan(audio, loudness_lufs=-14.0, limit_at_most_db=12.0)
    assert plan.gain_db == expected.gain_db
    assert np.array_equal(
        apply_finish_block(store, plan, 0, plan.frames), apply_finish_block(audio, expected, 0, plan.frames)
    )


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"loudness_lufs": 1.0}, "loudness_lufs must be -70 to 0, not 1"),
        ({"gain_db": 101.0}, "gain_db must be -100 to 100, not 101"),
        ({"max_true_peak_dbtp": 0.5}, "max_true_peak_dbtp must be -60 to 0, not 0.5"),
        ({"limit_at_most_db": -0.1}, "limit_at_most_db must be 0 to 60, not -0.1"),
        ({"fade_in_frames": -1}, "fade_in_frames must be 0 or more, not -1"),
        ({"first_frame": 7, "stop_frame": 5}, "must be in order"),
        ({"limit_at_most_db": float("nan")}, "limit_at_most_db must be 0 to 60, not nan"),
    ],
)
def test_values_out_of_range_are_refused(settings: dict[str, float], message: str) -> None:
    """Named, with their range."""
    with pytest.raises(ValueError, match=message):
        _plan(np.zeros((100, 2), np.float32, order="F"), **settings)


def test_values_that_are_no_numbers_are_refused() -> None:
    """NaN in the store."""
    store = np.zeros((5_000, 2), np.float32, order="F")
    store[100, 1] = np.nan
    with pytest.raises(ValueError, match="store holds values that are not finite"):
        _plan(store)


def test_blocks_outside_the_file_are_refused() -> None:
    """The range is named."""
    store = _strings(0.5)
    plan = _plan(store)
    with pytest.raises(ValueError, match="within 0 to 24000, not 0 and 24001"):
        apply_finish_block(store, plan, 0, 24_001)
