"""Pictures of recipes: written whole, of a readable size, the same bytes for the same recipe."""

from __future__ import annotations

import struct
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from render.errors import RecipeError
from render.pictures.recipe import draw_recipe, recipe_png
from render.recipe import builtin_recipe
from render.recipe.models import Recipe
from tests.helpers.sound_files import write_sound

TALLEST_PX = 1600
PLAIN = {"sources": {"saddle": {"channel": 1, "place": -40.0}, "coil": {"channel": 2, "place": 40.0}}}


def recipe_of(**tables: Any) -> Recipe:
    """A plain blend, and what is given."""
    return Recipe.model_validate(PLAIN | tables)


def size_of(png: bytes) -> tuple[int, int]:
    """Width and height from the header, PNG specification 3rd edition, 11.2.1."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    return width, height


def test_builtin_recipe_is_drawn(tmp_path: Path) -> None:
    """A PNG of 900 pixels, no taller than 1600, and nothing beside it."""
    target = tmp_path / "x.png"
    draw_recipe(builtin_recipe(), target, sample_rate_hz=48_000)
    width, height = size_of(target.read_bytes())
    assert width == 900
    assert 1000 < height <= TALLEST_PX
    assert list(tmp_path.iterdir()) == [target]


def test_same_recipe_same_bytes_in_threads_too() -> None:
    """Two on two threads at once: each as if alone."""
    recipe = recipe_of(title="Costs $5, not $6")
    alone = recipe_png(recipe, sample_rate_hz=44_100)
    with ThreadPoolExecutor(2) as pool:
        pictures = list(pool.map(lambda _: recipe_png(recipe, sample_rate_hz=44_100), range(2)))
    assert pictures == [alone] * 2


def _crowded(path: Path) -> Recipe:
    """As much as a recipe can hold."""
    chain = [
        {"stage": "impulse-response", "file": path, "wet_fraction": 0.3},
        {"stage": "notch", "centre_hz": 196.0, "q": 12.0},
        {"stage": "all-pass", "centre_hz": 400.0, "q": 0.7},
        {"stage": "delay", "delay_ms": 0.5},
        {"stage": "low-pass", "cutoff_hz": 15_000.0},
    ] + [
        {"stage": "peaking", "centre_hz": 100.0 * 1.08**index, "gain_db": 3.0 * (-1) ** index, "q": 4.0}
        for index in range(59)
    ]
    source = {"gain_db": -60.0, "delay_ms": -999.75, "polarity": "flip", "chain": tuple(chain)}
    return Recipe.model_validate(
        {
            "title": " ".join(["boathouse \N{GUITAR}"] * 16),
            "sources": {
                "s" * 40: {"channel": 1, "place": -33.333, **source},
                "mic": {"channel": 64, "place": 100.0},
            },
            "stereo": {"side_gain_db": 3.0, "side_high_pass_hz": 120.0, "chain": tuple(chain)},
            "room": {"decay_1khz_s": 0.2, "level_db": 12.0, "delay_scale": 0.5},
        }
    )


def test_crowded_recipe_stays_on_its_page(tmp_path: Path) -> None:
    """64 stages three times over, two channels, long names, strange characters: no taller than 1600 pixels."""
    ir = np.random.default_rng(2).standard_normal((600, 2)) * np.exp(-np.arange(600) / 90.0)[:, np.newaxis]
    path = write_sound(tmp_path / f"{'long_' * 20}.wav", 0.2 * ir, subtype="FLOAT")
    mono = write_sound(tmp_path / "mono.wav", 0.2 * ir[:, :1], subtype="FLOAT")
    recipe = _crowded(mono)
    two = recipe.stereo.model_copy(
        update={"chain": (recipe.stereo.chain[0].model_copy(update={"file": path}), *recipe.stereo.chain[1:])}
    )
    recipe = recipe.model_copy(update={"stereo": two})
    width, height = size_of(recipe_png(recipe, sample_rate_hz=44_100))
    assert width == 900
    assert height <= TALLEST_PX


@pytest.mark.parametrize(
    "tables",
    [
        {},
        {"stereo": {"side_gain_db": "off"}},
        {"sources": {"a": {"channel": 1, "place": "side"}, "b": {"channel": 1, "place": "side"}}},
        {
            "sources": {"a": {"channel": 1, "place": "side"}, "b": {"channel": 1, "place": "side"}},
            "stereo": {"side_gain_db": "off"},
        },
        {"finish": {"loudness_lufs": "keep", "format": "opus"}},
    ],
    ids=["plain", "side off", "two sides", "nothing arrives", "opus"],
)
def test_sparse_recipes_are_drawn(tables: dict[str, Any]) -> None:
    """Without chains, without a room, without anything that arrives."""
    width, height = size_of(recipe_png(recipe_of(**tables), sample_rate_hz=48_000))
    assert width == 900
    assert height < 1100


@pytest.mark.parametrize("sample_rate_hz", [8000, 192_000])
def test_any_rate_is_drawn(sample_rate_hz: int) -> None:
    """The lowest and a high sample rate, with a room."""
    recipe = recipe_of(room={"decay_1khz_s": 0.15, "low_pass_hz": 3000.0})
    assert size_of(recipe_png(recipe, sample_rate_hz=sample_rate_hz))[0] == 900


def test_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """A recipe fault; no picture."""
    broken = tmp_path / "ir.wav"
    broken.write_bytes(b"no sound")
    chain = ({"stage": "impulse-response", "file": broken},)
    recipe = recipe_of(sources={"a": {"channel": 1, "chain": chain}, "b": {"channel": 2}})
    with pytest.raises(RecipeError, match="cannot be used"):
        draw_recipe(recipe, tmp_path / "x.png", sample_rate_hz=48_000)
    assert list(tmp_path.iterdir()) == [broken]


def test_picture_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    """A folder stands in its place: the error passes, nothing is left beside it."""
    target = tmp_path / "x.png"
    target.mkdir()
    with pytest.raises(OSError, match=r"x\.png"):
        draw_recipe(recipe_of(), target, sample_rate_hz=48_000)
    assert list(tmp_path.iterdir()) == [target]
