"""Tests of the picture beside a suggested recipe."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from render.pictures import style
from render.pictures.axes import Panel
from render.pictures.curves import picture_frequencies_hz, source_curves
from render.pictures.layout import COLUMN_PX
from render.pictures.page import Page
from render.pictures.suggestion import SourceSpectrum, Suggestion, draw_suggestion, suggestion_png
from render.pictures.suggestion_marks import stage_marks
from render.recipe import builtin_recipe
from render.recipe.models import Peaking, Recipe

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


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """What is written, and in which colour."""
    words: dict[str, str] = {}
    write, inside = Page.write, Panel.write_inside

    def write_too(page: Page, left_px: float, baseline_px: float, text: str, **options: Any) -> None:
        words[text] = options.get("colour", style.INK)
        write(page, left_px, baseline_px, text, **options)

    def inside_too(panel: Panel, right_px: float, up_px: float, text: str, **options: Any) -> None:
        words[text] = options.get("colour", style.INK)
        inside(panel, right_px, up_px, text, **options)

    monkeypatch.setattr(Page, "write", write_too)
    monkeypatch.setattr(Panel, "write_inside", inside_too)
    return words


def cutting(*centres_hz: float, gain_db: float = -6.0) -> Recipe:
    """The built-in recipe with nothing but these in its microphone's chain."""
    recipe = builtin_recipe()
    chain = tuple(
        Peaking(stage="peaking", centre_hz=centre_hz, gain_db=gain_db, q=6.0) for centre_hz in centres_hz
    )
    mic = recipe.sources["mic"].model_copy(update={"chain": chain})
    return recipe.model_copy(update={"sources": {**recipe.sources, "mic": mic}})


def test_every_resonance_has_its_number(said: dict[str, str]) -> None:
    """However near the next one is."""
    suggestion_png(SUGGESTION, builtin_recipe())

    assert {"104 Hz", "107 Hz", "201 Hz"} <= set(said)


def test_resonances_that_are_not_cut_look_unlike(said: dict[str, str]) -> None:
    """And the caption says so; a lift is no cut."""
    suggestion_png(SUGGESTION, cutting(105.0))
    assert (said["104 Hz"], said["107 Hz"], said["201 Hz"]) == (style.ACCENT, style.ACCENT, style.QUIET_INK)
    assert any(words.endswith("strokes: resonances, dashed if not cut") for words in said)

    said.clear()
    suggestion_png(SUGGESTION, cutting(105.0, 201.0))
    assert said["201 Hz"] == style.ACCENT
    assert any(words.endswith("strokes: resonances") for words in said)

    said.clear()
    suggestion_png(SUGGESTION, cutting(105.0, 201.0, gain_db=6.0))
    assert {said[words] for words in ("104 Hz", "107 Hz", "201 Hz")} == {style.QUIET_INK}


def test_stages_are_marked_over_their_frequency() -> None:
    """Above the panel, stacked where they would touch, none on another."""
    recipe = cutting(100.0, 104.0, 3000.0)
    chain = recipe.sources["mic"].chain
    frequency_hz = picture_frequencies_hz(recipe, sample_rate_hz=48_000)
    curves = source_curves("mic", recipe.sources["mic"], sample_rate_hz=48_000, frequency_hz=frequency_hz)

    marks = stage_marks(chain, curves.stages, frequency_hz)

    assert [(mark.words, mark.row) for mark in marks] == [("[0]", 0), ("[1]", 1), ("[2]", 0)]
    octaves = np.log2(np.array([100.0, 104.0, 3000.0]) / 20.0) / np.log2(frequency_hz[-1] / 20.0)
    assert [mark.at_px for mark in marks] == pytest.approx(list(COLUMN_PX * octaves))


def test_what_is_said_breaks_between_facts(said: dict[str, str]) -> None:
    """A long title ends at a word, a number keeps its unit, minus signs are real ones."""
    recipe = builtin_recipe()
    values = {"polarity": "auto", "delay_ms": "auto", "gain_db": -2.5}
    mic = recipe.sources["mic"].model_copy(update=values)
    title = "one guitar: " + "body given back to the saddle pickup " * 6
    told = replace(SUGGESTION, title=title, facts=("from +4.5 dB to -0.3 dB",))

    suggestion_png(told, recipe.model_copy(update={"sources": {**recipe.sources, "mic": mic}}))

    cut = [words for words in said if "\N{HORIZONTAL ELLIPSIS}" in words]
    assert [words.removesuffix("\N{HORIZONTAL ELLIPSIS}").split()[-1] in title.split() for words in cut] == [
        True
    ]
    assert "from +4.5 dB to \N{MINUS SIGN}0.3 dB" in said
    assert any(words.replace("\xa0", " ") == "delay and polarity measured in every take" for words in said)
