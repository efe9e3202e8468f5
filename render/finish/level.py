"""How loud the finished file becomes: gain, limiter and fades of one take, planned first and applied block by block.

Sits at the end of the chain, before dither. The plan knows every figure of the file before it is written: what the
limiter touches is measured again, the rest follows from the gain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.audio.array import AnySamples, Samples, Samples32
from render.finish.limiter import GainCurve, design_gain_curve
from render.finish.limiting import MARGIN_DB, Attempt, Limiting
from render.finish.loudness import (
    integrated_loudness_lufs,
    loudness_range_lu,
    max_momentary_lufs,
    max_short_term_lufs,
    measure_correlation,
    measure_mono_level_change_db,
    measure_mono_loudness_change_lu,
    measure_passage_slots,
    measure_side_to_mid_db,
)
from render.finish.passage import Passage
from render.finish.slots import SlotPowers, check_range, check_stereo
from render.finish.true_peak import measure_passage_peaks
from render.units import db_from_gain, gain_from_db, power_from_db

# The limiter works to this much below the ceiling: room for dither (0.0004 dB at 16 bit) and for rounding.
AIM_BELOW_DB = 0.005
_TOLERANCE_LU = 0.003
_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class FinishPlan:
    """What is done to a mix store, and the figures of the file that comes out; None where one does not exist.

    Attributes
    ----------
    sample_rate_hz, first_frame, stop_frame, fade_in_frames, fade_out_frames : int
        The range of the store that becomes the file, and its fades.
    gain_db : float
    curve : GainCurve
        The limiter's gain, frame 0 being the file's first.
    gave_way_lu : float
        How far loudness stayed below what was asked because the limiter may not do more (with a kept level or a
        fixed gain: by how many dB the gain was lowered); 0 if it did not.
    loudness_before_lufs : float or None
        Of the range with its fades, before the gain.
    """

    sample_rate_hz: int
    first_frame: int
    stop_frame: int
    fade_in_frames: int
    fade_out_frames: int
    gain_db: float
    curve: GainCurve
    gave_way_lu: float
    loudness_before_lufs: float | None
    loudness_lufs: float | None
    loudness_range_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    true_peak_dbtp: float | None
    limiter_max_reduction_db: float
    limiter_active_s: float
    correlation: float | None
    side_to_mid_db: float | None
    mono_level_change_db: float | None
    mono_loudness_change_lu: float | None

    @property
    def frames(self) -> int:
        """Length of the file."""
        return self.stop_frame - self.first_frame


@dataclass(frozen=True)
class _Asked:
    """What is asked of the level: a gain to start from, the loudness that it is for, and what limits it."""

    gain_db: float
    loudness_lufs: float | None
    limit_at_most_db: float


def _level(limiting: Limiting, asked: _Asked) -> tuple[Attempt, float]:
    """Find the gain; also tell by how much it had to stay below what was asked."""
    top_db = db_from_gain(limiting.found.highest_guarded) - db_from_gain(limiting.aim_gain)
    cap_db = _rounded_down(asked.limit_at_most_db - top_db)
    gain_db = asked.gain_db
    if asked.loudness_lufs is not None and gain_db < cap_db:
        for _ in range(2):
            expected = limiting.expected_loudness_lufs(gain_db)
            gain_db += 0.0 if expected is None else asked.loudness_lufs - expected
    tried: list[tuple[float, float]] = []
    while True:
        attempt = limiting.attempt(min(gain_db, cap_db))
        excess_db = attempt.curve.max_reduction_db - asked.limit_at_most_db
        if excess_db > 1e-9:
            # What lies next to an over can need a little more than the over itself.
            cap_db = _rounded_down(attempt.gain_db - excess_db - 1e-6)
            continue
        loudness = attempt.loudness_lufs
        if asked.loudness_lufs is None or loudness is None:
            lowered_db = asked.gain_db - attempt.gain_db
            return attempt, lowered_db if lowered_db > 1e-6 else 0.0
        short_lu = asked.loudness_lufs - loudness
        if abs(short_lu) <= _TOLERANCE_LU:
            return attempt, 0.0
        tried.append((attempt.gain_db, loudness))
        if (short_lu > 0.0 and attempt.gain_db >= cap_db) or len(tried) == _ROUNDS:
            return attempt, max(0.0, short_lu)
        gain_db = attempt.gain_db + short_lu * _steepness(tried)


def _rounded_down(gain_db: float) -> float:
    """To a billionth of a decibel, as attempts are; never above the bound that it stands for."""
    return math.floor(gain_db * 1e9) / 1e9


def _steepness(tried: list[tuple[float, float]]) -> float:
    """Decibels of gain per LU, from the last two attempts; the limiter takes some of every decibel."""
    if len(tried) < 2:
        return 1.05
    (gain_a, loudness_a), (gain_b, loudness_b) = tried[-2:]
    gained = loudness_b - loudness_a
    return min(4.0, max(0.5, (gain_b - gain_a) / gained)) if gained else 1.05


def _check(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise ValueError(f"{name} must be {low:g} to {high:g}, not {value}")


def plan_finish(
    store: AnySamples,
    *,
    sample_rate_hz: int,
    slots: SlotPowers | None = None,
    block_peaks: Samples32 | None = None,
    first_frame: int = 0,
    stop_frame: int | None = None,
    loudness_lufs: float | None = None,
    gain_db: float | None = None,
    max_true_peak_dbtp: float = -1.0,
    limit_at_most_db: float = 3.0,
    fade_in_frames: int = 0,
    fade_out_frames: int = 0,
) -> FinishPlan:
    """Plan the finish of one take: the gain, the limiter, and every figure of the file that will come out.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
        The mix store, each channel contiguous; may be a memory map of any length. Read, never changed.
    sample_rate_hz : int
    slots : SlotPowers, optional
        Of the whole store, from its first frame. Used where the range begins on their grid.
    block_peaks : float32, shape (blocks, 2), optional
        Likewise.
    first_frame, stop_frame : int
        The range of the store that becomes the file.
    loudness_lufs : float, optional
        Integrated loudness to reach, -70 to 0.
    gain_db : float, optional
        A fixed gain, -100 to 100, whatever `loudness_lufs` is. With neither the level is kept: 0 dB.
    max_true_peak_dbtp : float
        Ceiling, -60 to 0.
    limit_at_most_db : float
        Largest reduction that the limiter may make, 0 to 60. Past it the level gives way.
    fade_in_frames, fade_out_frames : int
        Raised-cosine fades; inside all figures.

    Returns
    -------
    FinishPlan

    Raises
    ------
    ValueError
        Naming what is outside its range.

    Notes
    -----
    Loudness is that of the limited file, within 0.003 LU unless it gave way. Where it is undefined (less than
    400 ms, nothing above -70 LUFS) the take keeps its own level under the ceiling.
    """
    check_stereo(store)
    stop = check_range(first_frame, stop_frame, len(store))
    _check("loudness_lufs", -16.0 if loudness_lufs is None else loudness_lufs, -70.0, 0.0)
    _check("gain_db", 0.0 if gain_db is None else gain_db, -100.0, 100.0)
    _check("max_true_peak_dbtp", max_true_peak_dbtp, -60.0, 0.0)
    _check("limit_at_most_db", limit_at_most_db, 0.0, 60.0)
    passage = Passage(store, first_frame, stop, fade_in_frames, fade_out_frames)
    measured = measure_passage_slots(passage, sample_rate_hz=sample_rate_hz, store_slots=slots)
    peaks = measure_passage_peaks(passage, sample_rate_hz=sample_rate_hz, store_peaks=block_peaks)
    before = integrated_loudness_lufs(measured)
    wanted = _asked(
        measured, before, loudness_lufs=loudness_lufs, gain_db=gain_db, limit_at_most_db=limit_at_most_db
    )
    aim_gain = gain_from_db(max_true_peak_dbtp - AIM_BELOW_DB)
    sample_peak = float(peaks.max(initial=0.0))
    if not math.isfinite(sample_peak):
        raise ValueError("store holds values that are not finite (NaN or infinity)")
    if sample_peak == 0.0:
        return _plan(
            passage, before, _nothing(measured, wanted.gain_db if gain_db is not None else 0.0), 0.0, 0.0
        )
    # The true peak is at least the sample peak, so the gain can never be more than this.
    most_db = db_from_gain(aim_gain / sample_peak) + limit_at_most_db
    # The more the limiter takes away, the more gain has to make good for it: look for overs a little further.
    over_db = max(0.0, wanted.gain_db + db_from_gain(sample_peak / aim_gain))
    margin_db = 0.0 if wanted.loudness_lufs is None else MARGIN_DB + 0.15 * over_db
    limiting = Limiting(
        passage,
        measured,
        block_peaks=peaks,
        aim_gain=aim_gain,
        gain_db=min(wanted.gain_db + margin_db, most_db),
    )
    attempt, gave_way_lu = _level(limiting, wanted)
    return _plan(passage, before, attempt, limiting.true_peak_gain(attempt), gave_way_lu)


def _nothing(slots: SlotPowers, gain_db: float) -> Attempt:
    curve = design_gain_curve(np.zeros(0, np.int64), np.zeros(0), sample_rate_hz=slots.sample_rate_hz)
    return Attempt(gain_db, curve, slots)


def _asked(
    slots: SlotPowers,
    before: float | None,
    *,
    loudness_lufs: float | None,
    gain_db: float | None,
    limit_at_most_db: float,
) -> _Asked:
    """Turn the target into a gain; the absolute gate moves against the signal with it."""
    if gain_db is not None or loudness_lufs is None or before is None:
        return _Asked(gain_db or 0.0, None, limit_at_most_db)
    gain = loudness_lufs - before
    for _ in range(4):
        after = integrated_loudness_lufs(slots, gain_db=gain)
        gain += 0.0 if after is None else loudness_lufs - after
    return _Asked(gain, loudness_lufs, limit_at_most_db)


def _plan(
    passage: Passage, before: float | None, attempt: Attempt, peak_gain: float, gave_way_lu: float
) -> FinishPlan:
    """Put the figures together: those of the slots after the curve, made louder by the gain."""
    power = power_from_db(attempt.gain_db)
    old = attempt.slots
    slots = SlotPowers(
        weighted=old.weighted * power,
        plain=old.plain * power,
        sample_rate_hz=old.sample_rate_hz,
        frames=old.frames,
    )
    peak_db = db_from_gain(peak_gain) + attempt.gain_db
    return FinishPlan(
        sample_rate_hz=old.sample_rate_hz,
        first_frame=passage.first_frame,
        stop_frame=passage.stop_frame,
        fade_in_frames=passage.fade_in_frames,
        fade_out_frames=passage.fade_out_frames,
        gain_db=attempt.gain_db,
        curve=attempt.curve,
        gave_way_lu=gave_way_lu,
        loudness_before_lufs=before,
        loudness_lufs=integrated_loudness_lufs(slots),
        loudness_range_lu=loudness_range_lu(slots),
        max_momentary_lufs=max_momentary_lufs(slots),
        max_short_term_lufs=max_short_term_lufs(slots),
        true_peak_dbtp=peak_db if math.isfinite(peak_db) else None,
        limiter_max_reduction_db=attempt.curve.max_reduction_db,
        limiter_active_s=attempt.curve.active_frames(passage.frames) / old.sample_rate_hz,
        correlation=measure_correlation(slots),
        side_to_mid_db=measure_side_to_mid_db(slots),
        mono_level_change_db=measure_mono_level_change_db(slots),
        mono_loudness_change_lu=measure_mono_loudness_change_lu(slots),
    )


def apply_finish_block(
    store: AnySamples,
    plan: FinishPlan,
    first: int,
    stop: int,
    *,
    out: Samples | None = None,
    full_scale: float = 1.0,
) -> Samples:
    """Apply gain, limiter and fades to a block.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
        The mix store that was planned for.
    plan : FinishPlan
    first, stop : int
        Range within the finished file: frame 0 is the store's frame `plan.first_frame`.
    out : float64, shape (stop - first or more, 2), optional
        Where the result goes, from its beginning on.
    full_scale : float
        What 1.0 becomes; a power of two, so that it changes no other bit.

    Returns
    -------
    float64, shape (stop - first, 2)
        Each channel contiguous if it was in the store, or is in `out`. Cut into whatever blocks, the same values
        come out.

    Raises
    ------
    ValueError
        If the range is not inside the file.
    """
    check_range(first, stop, plan.frames)
    start = plan.first_frame
    mix = store[start + first : start + stop]
    block = np.empty_like(mix, np.float64, subok=False) if out is None else out[: len(mix)]
    np.copyto(block, mix)
    block *= gain_from_db(plan.gain_db) * full_scale
    for low, high, gain in plan.curve.pieces(first, stop):
        block[low - first : high - first] *= gain[:, np.newaxis]
    passage = Passage(store, plan.first_frame, plan.stop_frame, plan.fade_in_frames, plan.fade_out_frames)
    fade = passage.fade(first, stop)
    if fade is not None:
        block *= fade[:, np.newaxis]
    return block
