"""Loudness and stereo figures of a mix: ITU-R BS.1770-5, EBU R 128, Tech 3341 and Tech 3342.

Everything is made from `SlotPowers`, sums of squares per 20 ms, which are measured once (by the engine out of its
spectra, or here) and patched where a limiter has worked.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals
from render.finish.k_weighting import RUN_IN_SLOTS, k_weighting_run_in_frames
from render.finish.passage import Indices, Passage, Signal
from render.finish.slots import (
    SLOTS_PER_HOP,
    SlotPowers,
    check_range,
    check_stereo,
    slot_frames,
    sum_products,
)
from render.finish.two_step import two_step
from render.finish.weigh import weigh_pairs
from render.units import db_from_power, power_from_db

OFFSET_LUFS = -0.691  # BS.1770-5 Annex 1: so that 997 Hz reads 0 dBFS - 3.01 dB
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0  # Tech 3342
MOMENTARY_SLOTS = 20  # 400 ms
SHORT_TERM_SLOTS = 150  # 3 s
_SLOTS_AT_ONCE = 61  # with the run-in 64 slots: a good length for the transform at every usual rate
_PATCH_SLOTS = 9
# Less than for the engine's long blocks: a short stretch is cut out around what the limiter has done, and is not
# like its surroundings.
_LARGEST_SHARE = 1e-4
_FLOATS_AT_ONCE = 1 << 19


def measure_window_slots(
    signal: Signal, first_slots: Indices, *, slots_each: int, sample_rate_hz: int, offset_frames: int = 0
) -> tuple[Reals, Reals]:
    """Sums per slot of several stretches of a signal, each with its run-in.

    Parameters
    ----------
    signal : Signal
        A passage, or a passage under a gain curve.
    first_slots : int64, shape (stretches,)
        Slot with which each stretch begins.
    slots_each : int
        Slots in every stretch.
    sample_rate_hz : int
    offset_frames : int
        Where in the signal slot 0 begins.

    Returns
    -------
    weighted, plain : float64, shape (stretches, slots_each, 3)
        Past the end of the signal as of silence, the weighted sums with what the filter still rings.
    """
    slot = slot_frames(sample_rate_hz)
    run_in = k_weighting_run_in_frames(sample_rate_hz)
    length = run_in + slots_each * slot
    weighted = np.empty((len(first_slots), slots_each, 3))
    plain = np.empty_like(weighted)
    at_once = 2 * max(1, _FLOATS_AT_ONCE // (4 * length))
    transform = two_step(1, length, double_precision=False)
    for first in range(0, len(first_slots), at_once):
        some = slice(first, min(first + at_once, len(first_slots)))
        windows = signal.windows(first_slots[some] * slot - run_in + offset_frames, length)
        valid = windows[:, :, run_in:].reshape(len(windows), 2, slots_each, slot)
        for row, (left, right) in enumerate(valid, start=first):
            plain[row] = sum_products(left, right)
        pairs = np.zeros((2, (len(windows) + 1) // 2, 1, length), np.complex64)
        pairs.real[:, :, 0] = windows[0::2].transpose(1, 0, 2)
        pairs.imag[:, : len(windows) // 2, 0] = windows[1::2].transpose(1, 0, 2)
        transform.forward(pairs)
        weighted[some] = weigh_pairs(
            pairs,
            sample_rate_hz=sample_rate_hz,
            first_valid_frame=run_in,
            valid_frames=slots_each * slot,
            largest_share=_LARGEST_SHARE,
        ).reshape(-1, slots_each, 3)[: len(windows)]
    return weighted, plain


def measure_slots(
    store: AnySamples,
    *,
    sample_rate_hz: int,
    first_frame: int = 0,
    stop_frame: int | None = None,
    run_in: bool = False,
) -> SlotPowers:
    """Sums of squares per slot, with and without K-weighting, of a range of a mix store.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
        Read window by window.
    sample_rate_hz : int
    first_frame, stop_frame : int
        The range; the grid begins at `first_frame`.
    run_in : bool
        True: the filter has heard what lies before the range (to patch a part of a longer measurement). False: it
        starts from silence at `first_frame`, as for a file of its own.

    Returns
    -------
    SlotPowers

    Raises
    ------
    ValueError
        If the shape, the range or the sample rate is refused.
    """
    check_stereo(store)
    stop = check_range(first_frame, stop_frame, len(store))
    if not run_in:
        return measure_passage_slots(Passage(store, first_frame, stop), sample_rate_hz=sample_rate_hz)
    count = -(-(stop - first_frame) // slot_frames(sample_rate_hz))
    weighted, plain = measure_window_slots(
        Passage(store, 0, stop),
        np.arange(0, count, _SLOTS_AT_ONCE, dtype=np.int64),
        slots_each=_SLOTS_AT_ONCE,
        sample_rate_hz=sample_rate_hz,
        offset_frames=first_frame,
    )
    return SlotPowers(
        weighted=weighted.reshape(-1, 3)[:count],
        plain=plain.reshape(-1, 3)[:count],
        sample_rate_hz=sample_rate_hz,
        frames=stop - first_frame,
    )


def patch_slots(slots: SlotPowers, signal: Signal, needed: NDArray[np.bool_]) -> SlotPowers:
    """Measure some slots of a signal again and take the others as they are.

    Parameters
    ----------
    slots : SlotPowers
        Of the signal, but for the needed slots; not changed.
    signal : Signal
        Slot 0 begins with its frame 0.
    needed : bool, shape (slots,)
        Which slots to measure. The filter rings for `RUN_IN_SLOTS` after a change: ask for those as well.

    Returns
    -------
    SlotPowers
    """
    wanted = np.flatnonzero(needed)
    starts: list[int] = []
    at = 0
    while at < len(wanted):
        starts.append(int(wanted[at]))
        at = int(np.searchsorted(wanted, starts[-1] + _PATCH_SLOTS))
    first_slots = np.array(starts, np.int64)
    weighted, plain = measure_window_slots(
        signal, first_slots, slots_each=_PATCH_SLOTS, sample_rate_hz=slots.sample_rate_hz
    )
    stretch = np.searchsorted(first_slots, wanted, side="right") - 1
    within = wanted - first_slots[stretch]
    patched = [slots.weighted.copy(), slots.plain.copy()]
    for sums, new in zip(patched, (weighted, plain), strict=True):
        sums[wanted] = new[stretch, within]
    return SlotPowers(
        weighted=patched[0], plain=patched[1], sample_rate_hz=slots.sample_rate_hz, frames=slots.frames
    )


def measure_passage_slots(
    passage: Passage, *, sample_rate_hz: int, store_slots: SlotPowers | None = None
) -> SlotPowers:
    """Sums per slot of a passage, its fades included.

    Parameters
    ----------
    passage : Passage
    sample_rate_hz : int
    store_slots : SlotPowers, optional
        Of the whole store. Where the passage begins on their grid only its ends are measured again.

    Returns
    -------
    SlotPowers
    """
    slot = slot_frames(sample_rate_hz)
    count = -(-passage.frames // slot)
    skip, off_grid = divmod(passage.first_frame, slot)
    if store_slots is None or store_slots.sample_rate_hz != sample_rate_hz or off_grid or not count:
        starts = np.arange(0, count, _SLOTS_AT_ONCE, dtype=np.int64)
        weighted, plain = measure_window_slots(
            passage, starts, slots_each=_SLOTS_AT_ONCE, sample_rate_hz=sample_rate_hz
        )
        sums = weighted.reshape(-1, 3)[:count], plain.reshape(-1, 3)[:count]
        return SlotPowers(
            weighted=sums[0], plain=sums[1], sample_rate_hz=sample_rate_hz, frames=passage.frames
        )
    known = SlotPowers(
        weighted=store_slots.weighted[skip : skip + count],
        plain=store_slots.plain[skip : skip + count],
        sample_rate_hz=sample_rate_hz,
        frames=passage.frames,
    )
    needed = np.zeros(count, bool)
    if skip or passage.fade_in_frames:  # the filter starts from silence here
        needed[: -(-passage.fade_in_frames // slot) + RUN_IN_SLOTS] = True
    if passage.fade_out_frames or passage.stop_frame < len(passage.store):
        needed[max(0, (passage.frames - passage.fade_out_frames - 1) // slot) :] = True
    return patch_slots(known, passage, needed) if needed.any() else known


def _stereo(slots: SlotPowers) -> Reals:
    """K-weighted power sum of both channels per whole slot: what BS.1770 adds up."""
    sums = slots.weighted[: slots.whole_slots]
    return np.maximum(sums[:, 0] + sums[:, 1], 0.0)


def _mono(slots: SlotPowers) -> Reals:
    """The same of the mono fold, (left + right) / 2 on both channels."""
    sums = slots.weighted[: slots.whole_slots]
    return np.maximum(0.5 * (sums[:, 0] + sums[:, 1] + 2.0 * sums[:, 2]), 0.0)


def _window_powers(power: Reals, slots: SlotPowers, *, window: int, hop: int) -> Reals:
    """Mean squares of windows of so many slots, one every `hop` slots."""
    if len(power) < window:
        return np.zeros(0)
    # Sums of each window by itself: a running sum would leave the rounding of loud music in the silence after it.
    if hop == SLOTS_PER_HOP and window % hop == 0:
        hops = power[: len(power) // hop * hop].reshape(-1, hop).sum(axis=1)
        sums = sliding_window_view(hops, window // hop).sum(axis=1)
    else:
        sums = sliding_window_view(power, window)[::hop].sum(axis=1)
    return np.asarray(sums / (window * slots.slot_frames), np.float64)


def _loudness(power: float) -> float | None:
    """Loudness of a mean square; None for silence."""
    return OFFSET_LUFS + db_from_power(power) if power > 0.0 else None


def _gated(powers: Reals, *, relative_lu: float) -> Reals:
    """What is left of windows after the absolute gate and the relative one."""
    loud = powers[powers > power_from_db(ABSOLUTE_GATE_LUFS - OFFSET_LUFS)]
    if not len(loud):
        return loud
    return np.asarray(loud[loud > loud.mean() * power_from_db(relative_lu)], np.float64)


def gated_loudness_lufs(powers: Reals) -> float | None:
    """Integrated loudness of the K-weighted mean squares of all blocks of 400 ms; None if nothing passes the gates."""
    blocks = _gated(powers, relative_lu=RELATIVE_GATE_LU)
    return _loudness(float(blocks.mean())) if len(blocks) else None


def _integrated(power: Reals, slots: SlotPowers) -> float | None:
    return gated_loudness_lufs(_window_powers(power, slots, window=MOMENTARY_SLOTS, hop=SLOTS_PER_HOP))


def integrated_loudness_lufs(
    slots: SlotPowers, *, mono_fold: bool = False, gain_db: float = 0.0
) -> float | None:
    """Integrated loudness by the two gates of BS.1770.

    Parameters
    ----------
    slots : SlotPowers
    mono_fold : bool
        Of (left + right) / 2 on both channels instead.
    gain_db : float
        As if the signal were louder by this much; matters to the absolute gate.

    Returns
    -------
    float or None
        None if it is undefined: less than 400 ms, or nothing above -70 LUFS.

    References
    ----------
    .. [1] ITU-R BS.1770-5 (11/2023), Annex 1: blocks of 400 ms every 100 ms, gates at -70 LKFS and 10 LU below
       what is above it.
    """
    power = _mono(slots) if mono_fold else _stereo(slots)
    return _integrated(power * power_from_db(gain_db), slots)


def max_momentary_lufs(slots: SlotPowers) -> float | None:
    """Largest loudness of 400 ms, every 20 ms; None for less than 400 ms or silence (Tech 3341)."""
    powers = _window_powers(_stereo(slots), slots, window=MOMENTARY_SLOTS, hop=1)
    return _loudness(float(powers.max())) if len(powers) else None


def max_short_term_lufs(slots: SlotPowers) -> float | None:
    """Largest loudness of 3 s, every 20 ms; None for less than 3 s or silence (Tech 3341)."""
    power = _stereo(slots)
    if len(power) < SHORT_TERM_SLOTS:
        return None
    return _loudness(float(_window_powers(power, slots, window=SHORT_TERM_SLOTS, hop=1).max()))


def loudness_range_lu(slots: SlotPowers) -> float | None:
    """Loudness range: from the 10th to the 95th percentile of short-term loudness, gated.

    Returns
    -------
    float or None
        None for less than 3 s, or if nothing is above -70 LUFS. Below a minute the figure is unsteady.

    References
    ----------
    .. [1] EBU Tech 3342 (2023): 3 s every 100 ms, gates at -70 LUFS and 20 LU below the mean power of what is
       left, nearest-rank percentiles.
    """
    powers = _window_powers(_stereo(slots), slots, window=SHORT_TERM_SLOTS, hop=SLOTS_PER_HOP)
    left = np.sort(_gated(powers, relative_lu=RANGE_GATE_LU))
    if not len(left):
        return None
    low, high = (left[math.floor((len(left) - 1) * part + 0.5)] for part in (0.10, 0.95))
    return db_from_power(float(high / low))


def _totals(slots: SlotPowers) -> tuple[float, float, float]:
    left, right, both = slots.plain.sum(axis=0)
    return float(left), float(right), float(both)


def measure_correlation(slots: SlotPowers) -> float | None:
    """Correlation of left and right: 1 for mono, 0 for equal and independent channels, -1 for side only.

    Returns
    -------
    float or None
        None if a channel is silent.
    """
    left, right, both = _totals(slots)
    if left <= 0.0 or right <= 0.0:
        return None
    return min(1.0, max(-1.0, both / math.sqrt(left * right)))


def measure_side_to_mid_db(slots: SlotPowers) -> float | None:
    """Power of the side, (left - right) / 2, against that of the mid, (left + right) / 2.

    Returns
    -------
    float or None
        None if either is silent.
    """
    left, right, both = _totals(slots)
    mid, side = left + right + 2.0 * both, left + right - 2.0 * both
    return db_from_power(side / mid) if mid > 0.0 and side > 0.0 else None


def measure_mono_level_change_db(slots: SlotPowers) -> float | None:
    """Power of the mono fold, (left + right) / 2 on both channels, against that of the stereo; 0 dB for mono.

    Returns
    -------
    float or None
        None for silence, or if nothing is left in mono.
    """
    left, right, both = _totals(slots)
    fold = 0.5 * (left + right + 2.0 * both)
    return db_from_power(fold / (left + right)) if left + right > 0.0 and fold > 0.0 else None


def measure_mono_loudness_change_lu(slots: SlotPowers, *, gain_db: float = 0.0) -> float | None:
    """Integrated loudness of the mono fold against that of the stereo.

    Returns
    -------
    float or None
        None if either is undefined.
    """
    stereo = integrated_loudness_lufs(slots, gain_db=gain_db)
    mono = integrated_loudness_lufs(slots, mono_fold=True, gain_db=gain_db)
    return None if stereo is None or mono is None else mono - stereo
