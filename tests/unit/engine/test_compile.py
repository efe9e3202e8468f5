"""Compiling: what a recipe names and cannot be used is refused by its file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from render.engine.compile import compile_recipe
from render.errors import RecipeError
from render.recipe.load import load_recipe
from tests.helpers.sessions import PLAIN_RECIPE, write_recipe, write_take

RESPONSE = '{ stage = "impulse-response", file = "pair.wav" }'


@pytest.mark.parametrize("channels", [1, 2])
def test_a_source_takes_one_channel_only(tmp_path: Path, channels: int) -> None:
    """A second channel would go unheard, so it is refused; the stereo chain takes both."""
    taps = np.random.default_rng(1).uniform(-0.5, 0.5, (64, channels))
    write_take(tmp_path / "pair.wav", audio=taps, subtype="FLOAT")
    in_source = write_recipe(
        tmp_path / "a.toml", PLAIN_RECIPE.replace("chain = [", f"chain = [{RESPONSE}, ", 1)
    )
    in_stereo = write_recipe(tmp_path / "b.toml", PLAIN_RECIPE, f"[stereo]\nchain = [{RESPONSE}]")

    compile_recipe(load_recipe(in_stereo), sample_rate_hz=48_000)
    if channels == 1:
        compile_recipe(load_recipe(in_source), sample_rate_hz=48_000)
    else:
        with pytest.raises(RecipeError, match=r"pair.wav(.|\n)*2 channels(.|\n)*stereo.chain"):
            compile_recipe(load_recipe(in_source), sample_rate_hz=48_000)


@pytest.mark.parametrize(("audio", "words"), [(np.zeros((9, 1)), "zeros"), (np.ones((9, 3)), "3 channels")])
def test_what_is_no_response_is_refused(
    tmp_path: Path, audio: np.ndarray[tuple[int, int], np.dtype[np.float64]], words: str
) -> None:
    """Silence, and more channels than two."""
    write_take(tmp_path / "pair.wav", audio=audio, subtype="FLOAT")
    recipe = write_recipe(tmp_path / "b.toml", PLAIN_RECIPE, f"[stereo]\nchain = [{RESPONSE}]")

    with pytest.raises(RecipeError, match=rf"pair.wav(.|\n)*{words}"):
        compile_recipe(load_recipe(recipe), sample_rate_hz=48_000)


def test_a_file_that_is_no_sound_is_refused(tmp_path: Path) -> None:
    """With its name."""
    (tmp_path / "pair.wav").write_text("nothing", encoding="utf-8")
    recipe = write_recipe(tmp_path / "b.toml", PLAIN_RECIPE, f"[stereo]\nchain = [{RESPONSE}]")

    with pytest.raises(RecipeError, match=r"pair.wav(.|\n)*cannot be read as sound"):
        compile_recipe(load_recipe(recipe), sample_rate_hz=48_000)
