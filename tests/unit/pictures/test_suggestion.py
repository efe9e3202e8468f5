"""Tests of the picture beside a suggested recipe."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from render.pictures.suggestion import SourceSpectrum, Suggestion, draw_suggestion, suggestion_png
from render.recipe import builtin_recipe

THIRDS_HZ = 1000.0 * 2.0 ** (np.arange(-14, 14) / 3.0)
LEVELS = 6.0 * np.sin(np.arange(28.0))
SUGGESTION = Suggestion(
    title="A guitar",
    facts=(
        "3 takes of a session, 73 s",
        "Lows of mic against pickup: +4.5 dB as captured, +0.1 dB with this recipe",
    ),
    thirds_hz=THIRDS_HZ,
    before_db=LEVELS,
    after_db=0.3 * LEVELS,
    low_hz=(71.0, 354.0),
    marks_hz=(104.0, 107.0, 201.0),
    sources=(
        SourceSpectrum("pickup", "pickup", LEVELS - 10.0, LEVELS - 11.0),
        SourceSpectrum("mic", "microphone", LEVELS - 5.0, LEVELS - 9.0),
    ),
)


def test_a_suggestion_is_drawn(tmp_path: Path) -> None:
    """A PNG of 900 pixels, taller than wide, nothing beside it."""
    target = tmp_path / "x.png"
    draw_suggestion(SUGGESTION, builtin_recipe(), target)
    width, height = struct.unpack(">II", target.read_bytes()[16:24])

    assert width == 900
    assert 900 < height < 1400
    assert list(tmp_path.iterdir()) == [target]


def test_same_suggestion_same_bytes() -> None:
    """Nothing depends on the clock or on chance; another curve is another picture."""
    recipe = builtin_recipe()
    once = suggestion_png(SUGGESTION, recipe)

    assert suggestion_png(SUGGESTION, recipe) == once
    assert suggestion_png(replace(SUGGESTION, after_db=LEVELS), recipe) != once
    assert suggestion_png(replace(SUGGESTION, marks_hz=()), recipe) != once


@pytest.mark.parametrize("kept", [slice(0, 0), slice(5, 6), slice(3, 20)])
def test_gaps_are_left_open(kept: slice) -> None:
    """Where a source does not carry the guitar there is no line, and no warning."""
    gaps = np.full(28, np.nan)
    gaps[kept] = LEVELS[kept]
    sources = tuple(replace(one, before_db=gaps, after_db=gaps) for one in SUGGESTION.sources)
    holed = replace(SUGGESTION, before_db=gaps, after_db=gaps, sources=(sources[0], sources[1]))

    assert suggestion_png(holed, builtin_recipe())


def test_long_and_strange_titles_fit() -> None:
    """Names of folders are free."""
    strange = replace(SUGGESTION, title="\N{GUITAR} $x^2$ " * 30, facts=("word " * 200,))

    assert suggestion_png(strange, builtin_recipe())
