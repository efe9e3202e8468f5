"""Tables of a recipe."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from render.recipe import Recipe
from render.recipe.cost import estimate_response_s
from render.recipe.models import Finish, HighPass, ImpulseResponse, Room, Source, Stereo
from render.recipe.values import Model

SOURCES: dict[str, Any] = {"pickup": {"channel": 1}, "mic": {"channel": 2}}


def recipe(**tables: Any) -> Recipe:
    """Recipe of two plain sources."""
    return Recipe.model_validate({"sources": SOURCES, **tables})


def test_two_channels_are_enough_for_a_recipe() -> None:
    """All else has a default: no room, 24-bit WAV at -16 LUFS."""
    made = recipe()
    assert made.room is None
    assert (made.finish.format, made.finish.bit_depth, made.finish.loudness_lufs) == ("wav", 24, -16.0)
    assert made.sources["pickup"] == Source(channel=1)
    assert made.sources["pickup"].place == "mid"
    assert (made.name, made.path, made.origin, made.files) == ("recipe", None, None, ())


def test_the_room_of_the_design_is_the_default_one() -> None:
    """The numbers of the design's example."""
    assert recipe(room={}).room == Room(
        level_db=-16, decay_1khz_s=1.4, decay_125hz_ratio=1.1, decay_8khz_ratio=0.5, pre_delay_ms=18, delay_scale=1,
        shared_fraction=0, high_pass_hz=120, low_pass_hz=9000, seed=1,
    )  # fmt: skip
    assert recipe(room="off").room is None
    assert recipe(room=None).room is None


@pytest.mark.parametrize(
    ("table", "values"),
    [
        (Source, {"channel": 0}),
        (Source, {"channel": 1, "place": "left"}),
        (Source, {"channel": 1, "place": 101}),
        (Source, {"channel": 1, "polarity": "automatic"}),
        (Source, {"channel": 1, "delay_ms": "automatic"}),
        (Source, {"channel": 1, "delay_ms": 1001}),
        (Stereo, {"side_high_pass_hz": 5}),
        (Stereo, {"side_gain_db": "on"}),
        (Room, {"decay_1khz_s": 20.5}),
        (Room, {"seed": -1}),
        (Room, {"seed": 2**32}),
        (Room, {"delay_scale": 0.2}),
        (Finish, {"loudness_lufs": -4}),
        (Finish, {"max_true_peak_dbtp": 0.1}),
        (Finish, {"limit_at_most_db": 13}),
        (Finish, {"sample_rate_hz": 44_101}),
        (Finish, {"sample_rate_hz": 48_000.0}),
        (Finish, {"bit_depth": 32}),
        (Finish, {"bit_depth": True}),
        (Finish, {"format": "aiff"}),
        (Finish, {"head_s": 61}),
        (Finish, {"fade_out_ms": -1}),
    ],
)
def test_values_out_of_range_are_refused(table: type[Model], values: dict[str, Any]) -> None:
    """Never moved into it."""
    with pytest.raises(ValidationError, match=list(values)[-1]):
        table.model_validate(values)


@pytest.mark.parametrize("side_high_pass_hz", [0, 0.0, 10, 2000])
def test_zero_stands_for_no_side_high_pass(side_high_pass_hz: float) -> None:
    """What is not zero begins at 10 Hz."""
    assert Stereo(side_high_pass_hz=side_high_pass_hz).side_high_pass_hz == side_high_pass_hz


@pytest.mark.parametrize(
    ("table", "values", "reason"),
    [
        (
            Room,
            {"decay_1khz_s": 20, "decay_125hz_ratio": 2},
            r"makes 40.0 s at 125 Hz; 30 s at most; .*decay_125hz_ratio",
        ),
        (
            Room,
            {"decay_1khz_s": 20, "decay_8khz_ratio": 3},
            r"makes 60.0 s at 8 kHz; 30 s at most; .*decay_8khz_ratio",
        ),
        (Room, {"high_pass_hz": 1000, "low_pass_hz": 900}, "must lie below low_pass_hz, which is 900 Hz"),
        (Finish, {"format": "flac", "bit_depth": "float"}, "flac holds whole numbers only"),
        (Finish, {"format": "mp3", "sample_rate_hz": 96_000}, "mp3 has 8000 to 48000 Hz"),
        (Finish, {"format": "ogg", "sample_rate_hz": 384_000}, "ogg has 192000 Hz at most"),
    ],
)
def test_values_that_do_not_fit_each_other_are_refused(
    table: type[Model], values: dict[str, Any], reason: str
) -> None:
    """Each may be right by itself."""
    with pytest.raises(ValidationError, match=reason):
        table.model_validate(values)


@pytest.mark.parametrize(
    "values",
    [
        {"format": "mp3", "sample_rate_hz": 44_100, "bit_depth": "float"},
        {"format": "opus", "sample_rate_hz": 44_100},
        {"format": "ogg", "sample_rate_hz": 192_000},
        {"format": "flac", "sample_rate_hz": 384_000, "bit_depth": 16},
    ],
)
def test_formats_for_previews_have_no_bit_depth(values: dict[str, Any]) -> None:
    """So any is fine with them."""
    assert Finish.model_validate(values).format == values["format"]


def test_a_recipe_that_rings_for_ages_is_refused() -> None:
    """Though each of its stages may be fine."""
    chain = [{"stage": "delay", "delay_ms": 2000}] * 41
    with pytest.raises(ValidationError, match="the whole may ring for 82 s; 80 s at most"):
        recipe(stereo={"chain": chain})
    assert recipe(stereo={"chain": chain[:30]}).stereo.chain


@pytest.mark.parametrize("sources", [{}, {"pickup": {"channel": 1}}, {**SOURCES, "third": {"channel": 3}}])
def test_there_are_exactly_two_sources(sources: dict[str, Any]) -> None:
    """Nothing depends on which."""
    with pytest.raises(ValidationError, match=r"should have at (least|most) 2 items"):
        Recipe.model_validate({"sources": sources})


def test_two_sources_may_share_a_channel() -> None:
    """One capture in two places is a way to make width."""
    assert Recipe.model_validate({"sources": {"a": {"channel": 1}, "b": {"channel": 1, "place": "side"}}})


@pytest.mark.parametrize("name", ["", "a b", "a.b", "é", "x" * 41])
def test_names_of_sources_are_plain(name: str) -> None:
    """They stand in headers and in the log."""
    with pytest.raises(ValidationError, match="should match pattern"):
        Recipe.model_validate({"sources": {name: {"channel": 1}, "mic": {"channel": 2}}})


@pytest.mark.parametrize(
    ("key", "text"), [("title", "a\nb"), ("title", "x" * 201), ("notes", "\x1b[2J"), ("notes", "\x85")]
)
def test_texts_have_no_control_characters(key: str, text: str) -> None:
    """They go to terminals and into tags."""
    with pytest.raises(ValidationError, match=key):
        recipe(**{key: text})


def test_notes_may_have_lines() -> None:
    """And tabs."""
    assert recipe(notes="one\n\ttwo").notes == "one\n\ttwo"


def test_a_recipe_is_never_changed() -> None:
    """Neither its tables."""
    made = recipe()
    with pytest.raises(ValidationError, match="frozen"):
        setattr(made, "title", "x")  # noqa: B010 - mypy refuses it written plainly
    with pytest.raises(ValidationError, match="frozen"):
        setattr(made.finish, "format", "mp3")  # noqa: B010 - likewise


def test_the_same_values_are_the_same_recipe() -> None:
    """Whatever the order, whole numbers or defaults written out."""
    one = recipe(stereo={"side_gain_db": 0}, room={})
    other = Recipe.model_validate(
        {
            "room": {"seed": 1, "level_db": -16},
            "sources": {"mic": {"channel": 2, "delay_ms": -0.0}, "pickup": {"channel": 1, "gain_db": 0}},
        }
    )
    assert one == other
    assert hash(one) == hash(other)
    assert one.sha256_of_values == other.sha256_of_values
    assert one != "recipe"


@pytest.mark.parametrize(
    "tables",
    [{"title": "x"}, {"room": {}}, {"stereo": {"side_gain_db": 0.1}}, {"finish": {"format": "flac"}}],
)
def test_any_other_value_is_another_recipe(tables: dict[str, Any]) -> None:
    """In equality and in the hash."""
    assert recipe(**tables) != recipe()
    assert recipe(**tables).sha256_of_values != recipe().sha256_of_values


def with_files(folder: str, *names: str) -> Recipe:
    """Recipe with impulse responses: the first in the microphone's chain, the others in the pickup's."""
    stages = [ImpulseResponse(stage="impulse-response", file=Path(folder) / name) for name in names]
    return recipe(
        sources={
            "pickup": Source(channel=1, chain=tuple(stages[1:])),
            "mic": Source(channel=2, chain=tuple(stages[:1])),
        },
        stereo={"chain": stages[-1:]},
    )


def test_files_come_once_each_in_the_order_of_source_names() -> None:
    """The microphone before pickup before stereo."""
    made = with_files("/ir", "a.wav", "c.wav", "a.wav", "b.wav")
    assert [path.name for path in made.files] == ["a.wav", "c.wav", "b.wav"]


def test_the_hash_knows_files_by_name_and_place() -> None:
    """Not by their folder: what is in them is hashed elsewhere."""
    first = with_files("/here", "a.wav", "b.wav", "a.wav")
    assert first.sha256_of_values == with_files("/there", "a.wav", "b.wav", "a.wav").sha256_of_values
    assert first.sha256_of_values != with_files("/here", "a.wav", "b.wav", "b.wav").sha256_of_values
    assert first.sha256_of_values != with_files("/here", "a.wav", "c.wav", "a.wav").sha256_of_values


def test_the_hash_is_that_of_all_values_as_json() -> None:
    """Keys in order, nothing but what is said: written out here so that no change slips in."""
    source = '"chain":[],"channel":%d,"delay_ms":0.0,"gain_db":0.0,"place":"mid","polarity":"keep"'
    text = (
        '{"finish":{"bit_depth":24,"fade_in_ms":5.0,"fade_out_ms":200.0,"format":"wav","head_s":"keep",'
        '"level_by":"take","limit_at_most_db":3.0,"loudness_lufs":-16.0,"max_true_peak_dbtp":-1.0,'
        '"sample_rate_hz":"keep","tail_s":"auto"},"notes":"","room":null,'
        '"sources":{"mic":{' + source % 2 + '},"pickup":{' + source % 1 + "}},"
        '"stereo":{"chain":[{"file":[0,"a.wav"],"stage":"impulse-response","wet_fraction":1.0}],'
        '"side_gain_db":0.0,"side_high_pass_hz":0.0},"title":""}'
    )
    chain = [{"stage": "impulse-response", "file": "/anywhere/a.wav"}]
    made = recipe(stereo={"chain": chain})
    assert made.sha256_of_values == hashlib.sha256(text.encode()).hexdigest()


def test_a_chain_can_be_made_in_python() -> None:
    """As a list or a tuple of stages."""
    stage = HighPass(stage="high-pass", cutoff_hz=80)
    assert Source.model_validate({"channel": 1, "chain": [stage]}) == Source(channel=1, chain=(stage,))


def test_loading_recipes_needs_neither_numpy_nor_scipy() -> None:
    """So that reading a recipe back is quick."""
    code = (
        "import sys; from render.recipe import builtin_recipe; builtin_recipe();"
        "heavy = {'numpy', 'scipy', 'soundfile', 'jsonschema', 'rich'} & set(sys.modules); print(*heavy)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_one_source_may_be_moved_to_meet_the_other() -> None:
    """By its delay, its polarity or both; the recipe knows which source it is, and counts it as 0 ms long."""
    sources = {"a": {"channel": 1}, "b": {"channel": 2, "delay_ms": "auto", "polarity": "auto"}}
    made = Recipe.model_validate({"sources": sources})
    assert made.auto_source == "b"
    assert made.sources["b"].own_delay_ms == 0.0
    assert recipe().auto_source is None
    assert estimate_response_s(made) == 0.0


@pytest.mark.parametrize("key", ["delay_ms", "polarity"])
def test_both_sources_cannot_be_moved_to_meet_each_other(key: str) -> None:
    """There would be nothing that stays."""
    sources = {"a": {"channel": 1, "delay_ms": "auto"}, "b": {"channel": 2, key: "auto"}}
    with pytest.raises(ValidationError, match='"auto" moves one source to meet the other, and a has'):
        Recipe.model_validate({"sources": sources})
