"""Finished blocks: in order whoever makes them, good until the next, whole numbers or floats as the file asks."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from render.engine import finishing
from render.engine.finishing import finished_blocks, is_right_heavy
from render.engine.workers import Workers
from render.finish.dither import quantise
from render.finish.level import FinishPlan, apply_finish_block, plan_finish
from render.finish.loudness import measure_slots
from render.recipe.models import Finish
from tests.helpers.signals import plucks

RATE_HZ = 48_000
STORE = np.asfortranarray(plucks(3.0, sample_rate_hz=RATE_HZ).astype(np.float32))
SLOTS = measure_slots(STORE, sample_rate_hz=RATE_HZ)


def _plan() -> FinishPlan:
    return plan_finish(
        STORE, sample_rate_hz=RATE_HZ, loudness_lufs=-16.0, fade_in_frames=300, fade_out_frames=9_000
    )


def _blocks(plan: FinishPlan, *, inside: int, **finish: Any) -> list[NDArray[np.generic]]:
    blocks = finished_blocks(
        STORE,
        plan,
        Finish(**finish),
        slots=SLOTS,
        take_frame=7,
        dither_key=b"key",
        workers=Workers(inside),
    )
    return [block.copy() for block in blocks]


@pytest.mark.parametrize("inside", [1, 2, 5])
@pytest.mark.parametrize("write_frames", [3_001, 65_536, 500_000])
def test_blocks_are_those_of_the_whole(
    monkeypatch: pytest.MonkeyPatch, inside: int, write_frames: int
) -> None:
    """Gain and rounding in one go, cut anyhow and made by any number of threads, are the two steps one by one."""
    monkeypatch.setattr(finishing, "WRITE_FRAMES", write_frames)
    plan = _plan()
    finished = apply_finish_block(STORE, plan, 0, plan.frames)
    rounded = quantise(finished, bit_depth=24, first_frame=7, key=b"key", swap=is_right_heavy(STORE, SLOTS))

    np.testing.assert_array_equal(np.concatenate(_blocks(plan, inside=inside, format="flac")), rounded)
    np.testing.assert_array_equal(
        np.concatenate(_blocks(plan, inside=inside, format="wav", bit_depth="float")), finished
    )
    np.testing.assert_array_equal(np.concatenate(_blocks(plan, inside=inside, format="mp3")), finished)


@pytest.mark.parametrize("inside", [1, 3])
def test_a_failure_comes_out(monkeypatch: pytest.MonkeyPatch, inside: int) -> None:
    """And the blocks before it."""
    monkeypatch.setattr(finishing, "WRITE_FRAMES", 10_000)
    apply = apply_finish_block
    plan = _plan()

    def broken(store: Any, plan: FinishPlan, first: int, stop: int, **options: Any) -> Any:
        if first == 50_000:
            raise MemoryError("no room")
        return apply(store, plan, first, stop, **options)

    monkeypatch.setattr(finishing, "apply_finish_block", broken)
    blocks = finished_blocks(
        STORE, plan, Finish(), slots=SLOTS, take_frame=0, dither_key=b"", workers=Workers(inside)
    )
    for _ in range(5):
        next(blocks)
    with pytest.raises(MemoryError, match="no room"):
        next(blocks)


def test_the_louder_side_is_told() -> None:
    """Of equal sides the first frame that tells them apart decides."""
    right = STORE * np.array([0.5, 1.0], np.float32)
    assert is_right_heavy(right, measure_slots(right, sample_rate_hz=RATE_HZ))
    assert not is_right_heavy(
        right[:, ::-1], measure_slots(np.asfortranarray(right[:, ::-1]), sample_rate_hz=RATE_HZ)
    )
    side = np.stack([STORE[:, 0], -STORE[:, 0]], axis=1)
    slots = measure_slots(side, sample_rate_hz=RATE_HZ)
    first = side[np.flatnonzero(side[:, 0])[0]]
    assert is_right_heavy(side, slots) == bool(first[1] > first[0])
    both = np.stack([STORE[:, 0], STORE[:, 0]], axis=1)
    assert not is_right_heavy(both, slots)
