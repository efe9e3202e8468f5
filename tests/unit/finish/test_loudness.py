"""Measuring slots, whole and in part, and the edges of the figures made of them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

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
    measure_slots,
    patch_slots,
)
from render.finish.passage import Passage
from render.finish.slots import SlotPowers, slot_frames
from tests.helpers.signals import noise

RATE_HZ = 48_000


def _swelling(frames: int, *, seed: int) -> NDArray[np.float64]:
    """Noise that comes and goes; bright, so that it is measured in the full band and slot by slot exactly."""
    swell = 1.1 + np.sin(np.arange(frames) / 3_000.0)
    return np.asarray(noise(frames, seed=seed) * swell[:, np.newaxis], np.float64)


def _same(found: SlotPowers, expected: SlotPowers, *, whole: bool = True) -> None:
    """Equal but for float32; the weighted sums of a last part of a slot are used by nobody."""
    slots = expected.whole_slots if whole else None
    scale = float(expected.weighted.max())
    assert found.frames == expected.frames
    assert found.weighted[:slots] == pytest.approx(expected.weighted[:slots], rel=1e-4, abs=1e-6 * scale)
    assert found.plain == pytest.approx(expected.plain, rel=1e-5, abs=1e-6 * scale)


@pytest.mark.parametrize("first", [0, 960 * 40, 12_345])
def test_with_run_in_a_part_is_that_of_the_whole(first: int) -> None:
    """From silence it differs in the first slots, on the grid of the whole it does not with run-in."""
    store = np.asfortranarray(_swelling(3 * RATE_HZ, seed=1), np.float32)
    part = measure_slots(
        store, sample_rate_hz=RATE_HZ, first_frame=first, stop_frame=first + 20_000, run_in=True
    )
    shifted = store[first % 960 :]
    whole = measure_slots(np.asfortranarray(shifted), sample_rate_hz=RATE_HZ)
    skip = first // 960
    assert part.weighted[:20] == pytest.approx(whole.weighted[skip : skip + 20], rel=1e-4, abs=1e-6)
    alone = measure_slots(store, sample_rate_hz=RATE_HZ, first_frame=first, stop_frame=first + 20_000)
    _same(alone, measure_slots(np.asfortranarray(store[first : first + 20_000]), sample_rate_hz=RATE_HZ))


@pytest.mark.parametrize(
    ("first", "stop"), [(0, 100_000), (960 * 7, 90_001), (5_000, 100_000), (0, 96_000), (50, 50)]
)
@pytest.mark.parametrize("fades", [(0, 0), (240, 9_600), (80_000, 80_000)])
def test_known_slots_of_the_store_are_used_where_they_fit(
    first: int, stop: int, fades: tuple[int, int]
) -> None:
    """On the grid only the ends are measured again, off the grid everything: always the same sums."""
    store = np.asfortranarray(_swelling(100_000, seed=2), np.float32)
    known = measure_slots(store, sample_rate_hz=RATE_HZ)
    passage = Passage(store, first, stop, *fades)
    expected = measure_passage_slots(passage, sample_rate_hz=RATE_HZ)
    before = known.weighted.copy()
    _same(
        measure_passage_slots(passage, sample_rate_hz=RATE_HZ, store_slots=known), expected
    ) if stop > first else None
    assert np.array_equal(known.weighted, before)
    assert expected.frames == stop - first


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000])
def test_patched_slots_are_those_of_the_changed_signal(rate: int) -> None:
    """Slots with a change and the three after them."""
    audio = _swelling(2 * rate, seed=3)
    slot = slot_frames(rate)
    changed = audio.copy()
    changed[10 * slot : 12 * slot] *= 0.5
    changed[40 * slot + 5] = 0.1
    needed = np.zeros(100, bool)
    needed[10:15] = needed[40:44] = True
    old = measure_slots(np.asfortranarray(audio), sample_rate_hz=rate)
    patched = patch_slots(old, Passage(np.asfortranarray(changed), 0, len(changed)), needed)
    _same(patched, measure_slots(np.asfortranarray(changed), sample_rate_hz=rate))
    assert np.array_equal(patched.weighted[~needed], old.weighted[~needed])


def test_figures_of_silence_do_not_exist() -> None:
    """None, not minus infinity."""
    slots = measure_slots(np.zeros((200_000, 2)), sample_rate_hz=RATE_HZ)
    figures = (
        integrated_loudness_lufs,
        loudness_range_lu,
        max_momentary_lufs,
        max_short_term_lufs,
        measure_correlation,
        measure_mono_level_change_db,
        measure_mono_loudness_change_lu,
        measure_side_to_mid_db,
    )
    assert [figure(slots) for figure in figures] == [None] * len(figures)


def test_short_pieces_have_no_windows() -> None:
    """Less than 400 ms: no momentary loudness; less than 3 s: no short-term loudness and no range."""
    slots = measure_slots(np.asfortranarray(noise(19_000)), sample_rate_hz=RATE_HZ)
    assert max_momentary_lufs(slots) is None
    slots = measure_slots(np.asfortranarray(noise(48_000)), sample_rate_hz=RATE_HZ)
    assert max_momentary_lufs(slots) is not None
    assert max_short_term_lufs(slots) is None
    assert loudness_range_lu(slots) is None


def test_stereo_figures_at_their_ends() -> None:
    """Mono has no side, the side alone has no mid, one channel alone has no correlation."""
    wave = noise(30_000, channels=1)
    mono = measure_slots(np.asfortranarray(np.hstack([wave, wave])), sample_rate_hz=RATE_HZ)
    assert measure_correlation(mono) == pytest.approx(1.0)
    assert measure_side_to_mid_db(mono) is None
    assert measure_mono_level_change_db(mono) == pytest.approx(0.0, abs=1e-9)
    side = measure_slots(np.asfortranarray(np.hstack([wave, -wave])), sample_rate_hz=RATE_HZ)
    assert measure_correlation(side) == pytest.approx(-1.0)
    assert measure_side_to_mid_db(side) is None
    assert measure_mono_level_change_db(side) is None
    assert measure_mono_loudness_change_lu(side) is None
    left = measure_slots(np.asfortranarray(np.hstack([wave, 0.0 * wave])), sample_rate_hz=RATE_HZ)
    assert measure_correlation(left) is None
    assert measure_side_to_mid_db(left) == pytest.approx(0.0, abs=1e-6)


def test_a_gain_moves_loudness_and_the_gate() -> None:
    """Exactly by its decibels; a piece below the gate comes above it."""
    slots = measure_slots(np.asfortranarray(noise(48_000, rms=1e-4)), sample_rate_hz=RATE_HZ)
    assert integrated_loudness_lufs(slots) is None
    once, twice = (integrated_loudness_lufs(slots, gain_db=gain) for gain in (40.0, 46.5))
    assert once is not None
    assert twice == pytest.approx(once + 6.5, abs=1e-9)
