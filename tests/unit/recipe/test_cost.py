"""How long a recipe rings."""

from __future__ import annotations

from typing import Any

import pytest

from render.engine.compile import compile_recipe
from render.recipe import Recipe, builtin_recipe, estimate_response_s
from render.recipe.cost import pole_q_range, resonance_s, room_s
from render.recipe.models import Room


def recipe(**tables: Any) -> Recipe:
    """Recipe of two plain sources."""
    sources = {"pickup": {"channel": 1}, "mic": {"channel": 2}}
    return Recipe.model_validate({"sources": sources, **tables})


def test_a_recipe_of_nothing_does_not_ring() -> None:
    """Zero seconds."""
    assert estimate_response_s(recipe()) == 0.0


def test_a_room_counts_with_its_longest_decay() -> None:
    """130 dB of it, plus what comes before."""
    room = Room(decay_1khz_s=2.0, decay_125hz_ratio=1.5, decay_8khz_ratio=0.5, pre_delay_ms=100)
    assert room_s(room) > 3.0 * 130.0 / 60.0 + 0.1
    assert room_s(room) < 3.0 * 130.0 / 60.0 + 0.1 + 0.5
    assert estimate_response_s(recipe(room=room)) == room_s(room)


def test_the_longer_source_counts_and_delays_do() -> None:
    """Earlier is as long as later: the other source waits."""
    sources = {
        "pickup": {"channel": 1, "delay_ms": -300, "chain": [{"stage": "delay", "delay_ms": 500}]},
        "mic": {"channel": 2, "delay_ms": 700},
    }
    stereo = {"chain": [{"stage": "delay", "delay_ms": 1000}]}
    assert estimate_response_s(recipe(sources=sources, stereo=stereo)) == pytest.approx(1.8)


def test_the_side_high_pass_counts() -> None:
    """Where there is one."""
    assert 0.2 < estimate_response_s(recipe(stereo={"side_high_pass_hz": 10})) < 0.5


@pytest.mark.parametrize("frequency_hz", [10.0, 50.0, 1000.0])
def test_the_ends_of_the_range_of_q_take_the_longest_time(frequency_hz: float) -> None:
    """Six seconds, narrow or broad."""
    lowest, highest = pole_q_range(frequency_hz=frequency_hz)
    assert lowest < 0.5 < highest
    assert resonance_s(frequency_hz=frequency_hz, pole_q=lowest) == pytest.approx(6.0)
    assert resonance_s(frequency_hz=frequency_hz, pole_q=highest) == pytest.approx(6.0)


CHAINS: list[list[dict[str, Any]]] = [
    [{"stage": "notch", "centre_hz": 50, "q": 30}],
    [{"stage": "peaking", "centre_hz": 10, "gain_db": 24, "q": 2.9}],
    [{"stage": "peaking", "centre_hz": 20, "gain_db": -24, "q": 0.1}],
    [{"stage": "high-pass", "cutoff_hz": 10, "slope_db_per_octave": 24}] * 4,
    [{"stage": "low-shelf", "corner_hz": 20, "gain_db": 24, "q": 2}],
    [{"stage": "high-shelf", "corner_hz": 20, "gain_db": 24, "q": 0.3}],
    [{"stage": "high-shelf", "corner_hz": 20, "gain_db": -24, "q": 0.3}],
    [{"stage": "low-shelf", "corner_hz": 20, "gain_db": -24, "q": 0.3}],
    [{"stage": "all-pass", "centre_hz": 30, "q": 5}, {"stage": "delay", "delay_ms": 400}],
]


@pytest.mark.parametrize(
    "chain", CHAINS, ids=lambda chain: f"{chain[0]['stage']} {chain[0].get('gain_db', '')}"
)
def test_no_chain_compiles_to_more_than_was_estimated(chain: list[dict[str, Any]]) -> None:
    """Measured on what the engine makes of it; 20 ms are for short corrections, 2 % for a few dB more."""
    made = recipe(sources={"pickup": {"channel": 1, "chain": chain}, "mic": {"channel": 2}})
    compiled = compile_recipe(made, sample_rate_hz=8000)
    assert len(compiled.response) / 8000 <= 1.02 * estimate_response_s(made) + 0.02


@pytest.mark.parametrize(
    "room", [{}, {"decay_1khz_s": 0.2, "pre_delay_ms": 300, "delay_scale": 4, "high_pass_hz": 0}]
)
def test_no_room_compiles_to_more_than_was_estimated(room: dict[str, Any]) -> None:
    """Neither a usual one nor a short one in a large place."""
    made = recipe(room={"low_pass_hz": 3000, "level_db": 12, **room})
    compiled = compile_recipe(made, sample_rate_hz=8000)
    assert len(compiled.response) / 8000 <= estimate_response_s(made)


def test_the_builtin_recipe_is_no_burden() -> None:
    """A few seconds."""
    assert 1.1 * 130 / 60 < estimate_response_s(builtin_recipe()) < 4.0
