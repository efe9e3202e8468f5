"""How long a recipe rings."""

from __future__ import annotations

from typing import Any

import pytest

from render.recipe import Recipe, builtin_recipe, estimate_response_s
from render.recipe.cost import highest_q, resonance_s, room_s
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


def test_the_highest_q_takes_the_longest_time() -> None:
    """Six seconds."""
    assert resonance_s(frequency_hz=50.0, pole_q=highest_q(frequency_hz=50.0)) == pytest.approx(6.0)


def test_the_builtin_recipe_is_no_burden() -> None:
    """A few seconds."""
    assert 1.1 * 130 / 60 < estimate_response_s(builtin_recipe()) < 4.0
