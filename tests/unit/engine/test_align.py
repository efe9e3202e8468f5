"""Moving a source of a compiled recipe: the same as compiling the recipe with those values."""

from __future__ import annotations

import numpy as np
import pytest

from render.engine.align import move_source
from render.engine.compile import compile_recipe
from render.recipe.models import Recipe

CHAIN = [{"stage": "high-pass", "cutoff_hz": 90.0}, {"stage": "peaking", "centre_hz": 800.0, "gain_db": -4.0}]
ROOM = {"decay_1khz_s": 0.4}


def recipe_with(*, delay_ms: float, polarity: str = "keep", room: bool = True) -> Recipe:
    """A side microphone beside a pickup, moved by so much."""
    mic = {
        "channel": 2,
        "place": "side",
        "gain_db": -5.0,
        "chain": CHAIN,
        "delay_ms": delay_ms,
        "polarity": polarity,
    }
    return Recipe.model_validate(
        {
            "sources": {"pickup": {"channel": 1, "chain": CHAIN[:1]}, "mic": mic},
            "room": ROOM if room else None,
        }
    )


@pytest.mark.parametrize("room", [True, False])
@pytest.mark.parametrize("delay_ms", [-3.21, -0.25, 0.0, 0.0101, 1.0, 12.34])
def test_a_moved_source_is_what_the_recipe_with_that_delay_compiles_to(
    *, delay_ms: float, room: bool
) -> None:
    """Within the bounds of a compiled recipe, time zero and the other source included."""
    rate_hz = 48_000
    moved = move_source(
        compile_recipe(recipe_with(delay_ms=0.0, room=room), sample_rate_hz=rate_hz),
        source=1,
        delay_ms=delay_ms,
        flip=True,
    )
    wanted = compile_recipe(
        recipe_with(delay_ms=delay_ms, polarity="flip", room=room), sample_rate_hz=rate_hz
    )
    before = moved.lead_frames - wanted.lead_frames
    frames = max(len(wanted.response) + before, len(moved.response))
    one, other = np.zeros((frames, 2, 2)), np.zeros((frames, 2, 2))
    one[: len(moved.response)] = moved.response
    other[before : before + len(wanted.response)] = wanted.response
    for source in (0, 1):
        error = np.square(one[:, :, source] - other[:, :, source]).sum()
        bound_db = -100.0 if room else -120.0
        assert 10 * np.log10(error / np.square(other[:, :, source]).sum() + 1e-30) < bound_db


def test_a_source_that_stays_is_left_as_it_is() -> None:
    """To the bit: no delay, no turn."""
    compiled = compile_recipe(recipe_with(delay_ms=0.0), sample_rate_hz=44_100)
    same = move_source(compiled, source=0, delay_ms=0.0)
    assert np.array_equal(same.response, compiled.response)
    assert same.lead_frames == compiled.lead_frames


def test_the_tail_grows_by_the_delay() -> None:
    """So that the end of a take does not lose it; earlier takes nothing off."""
    compiled = compile_recipe(recipe_with(delay_ms=0.0), sample_rate_hz=48_000)
    assert move_source(compiled, source=1, delay_ms=10.0).tail_frames == compiled.tail_frames + 480
    assert move_source(compiled, source=1, delay_ms=-10.0).tail_frames == compiled.tail_frames
