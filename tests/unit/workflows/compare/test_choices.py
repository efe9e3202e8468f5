"""The capture, recipes and steps as versions, each compiled as any recipe."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from render.engine.compile import compile_recipe
from render.errors import UsageError
from render.recipe.load import load_recipe
from render.recipe.models import Finish, Recipe
from render.workflows.compare.choices import (
    CAPTURE,
    Choice,
    capture_choice,
    common_target_lufs,
    recipe_choice,
    with_capture,
)
from render.workflows.compare.steps import step_choices
from tests.helpers.sessions import PLAIN_RECIPE, ROOM, write_recipe

RATE_HZ = 48_000


@pytest.fixture
def recipe(tmp_path: Path) -> Recipe:
    """A recipe with a room."""
    return load_recipe(write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE, ROOM))


def response(choice: Choice) -> NDArray[np.float64]:
    """What its recipe is compiled to, from time zero on."""
    compiled = compile_recipe(choice.linear, sample_rate_hz=RATE_HZ)
    return compiled.response[compiled.lead_frames :]


def test_the_capture_is_a_wire(recipe: Recipe) -> None:
    """Both tracks in the middle at equal gain, and nothing else."""
    found = response(capture_choice(recipe))

    assert found[0] == pytest.approx(np.ones((2, 2)), abs=1e-9)
    assert np.abs(found[1:]).max(initial=0.0) < 1e-9


def test_the_capture_has_the_recipes_channels(recipe: Recipe) -> None:
    """Whatever they are."""
    first = recipe.sources["pickup"].model_copy(update={"channel": 4})
    other = recipe.model_copy(update={"sources": {**recipe.sources, "pickup": first}})
    assert [source.channel for source in capture_choice(other).recipe.sources.values()] == [4, 2]


def test_steps_are_parts_of_the_whole(recipe: Recipe) -> None:
    """Each step is compiled to what stands in its name."""
    steps = {choice.name: choice for choice in step_choices(recipe)}
    assert list(steps) == [
        "pickup alone, as it came",
        "mic alone, as it came",
        "pickup alone, with its chain",
        "mic alone, with its chain",
        "both in the middle",
        "placed in stereo",
        "with the room",
        "finished, with its limiter",
    ]
    bare = response(steps["mic alone, as it came"])
    assert bare[0].sum(axis=1) == pytest.approx([1.0, 1.0])  # both columns are this source
    assert {source.channel for source in steps["mic alone, as it came"].recipe.sources.values()} == {2}

    middle = response(steps["both in the middle"])
    assert np.abs(middle[:, 0] - middle[:, 1]).max() < 1e-12
    chain = response(steps["mic alone, with its chain"]).sum(axis=2)
    frames = min(len(chain), len(middle))
    gain = 10.0 ** (recipe.sources["mic"].gain_db / 20.0)
    assert np.abs(gain * chain[:frames, 0] - middle[:frames, 0, 1]).max() < 1e-5

    stereo = response(steps["placed in stereo"])
    assert np.abs(stereo[:, 0, 1] + stereo[:, 1, 1]).max() < 1e-12
    assert len(response(steps["with the room"])) > len(stereo)
    assert [choice.name for choice in steps.values() if choice.limited] == ["finished, with its limiter"]
    assert [choice.name for choice in steps.values() if choice.finished] == ["finished, with its limiter"]


def test_no_room_no_step(tmp_path: Path) -> None:
    """What a recipe has not is left out."""
    dry = load_recipe(write_recipe(tmp_path / "dry.toml", PLAIN_RECIPE))
    assert "with the room" not in [choice.name for choice in step_choices(dry)]


def test_excerpts_are_rendered_without_the_recipes_finish(recipe: Recipe) -> None:
    """No trims, no tails, no other rate."""
    finish = Finish(sample_rate_hz=96_000, tail_s=3.0, head_s=0.0, loudness_lufs=-14.0)
    linear = recipe_choice(recipe.model_copy(update={"finish": finish})).linear.finish
    assert (linear.sample_rate_hz, linear.tail_s, linear.head_s, linear.loudness_lufs) == (
        "keep",
        0.0,
        "keep",
        "keep",
    )


def test_names_differ(recipe: Recipe, tmp_path: Path) -> None:
    """A recipe called capture is refused, and so are too many."""
    dry = load_recipe(write_recipe(tmp_path / "capture.toml"))
    with pytest.raises(UsageError, match='two versions would be called "capture"'):
        with_capture([recipe_choice(dry)], like=dry)
    many = [Choice(f"v{number}", "", recipe) for number in range(26)]
    with pytest.raises(UsageError, match="27 versions with the capture; 26 at most"):
        with_capture(many, like=recipe)
    assert [choice.name for choice in with_capture(many[:2], like=recipe)] == [CAPTURE, "v0", "v1"]


def test_common_target(recipe: Recipe) -> None:
    """That of all recipes if it is one."""
    louder = recipe.model_copy(update={"finish": Finish(loudness_lufs=-14.0)})
    kept = recipe.model_copy(update={"finish": Finish(loudness_lufs="keep")})
    one, other, third = (recipe_choice(it) for it in (recipe, louder, kept))
    capture = capture_choice(recipe)
    assert common_target_lufs([capture, other, other]) == -14.0
    assert common_target_lufs([capture, one, other]) is None
    assert common_target_lufs([capture, third]) is None
