"""What a recipe may do, yet seldom means."""

from __future__ import annotations

from render.recipe import builtin_recipe, parse_recipe, recipe_remarks


def test_two_sources_of_one_channel_are_remarked_on() -> None:
    """It is allowed: one capture may be treated in two ways."""
    text = "[sources.pickup]\nchannel = 1\n[sources.mic]\nchannel = 1\n"
    assert recipe_remarks(parse_recipe(text, "warm.toml")) == ["sources pickup and mic both read channel 1"]


def test_a_usual_recipe_needs_no_remark() -> None:
    """Such as the one that everybody hears first."""
    assert recipe_remarks(builtin_recipe()) == []
