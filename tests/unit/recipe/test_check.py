"""What a recipe needs of a sample rate."""

from __future__ import annotations

from pathlib import Path

import pytest

from render.recipe import Recipe, check_at_rate, leaves, output_rate_hz, parse_recipe, problem_at
from render.recipe.models import Finish

PLAIN = "[sources.pickup]\nchannel = 1\n[sources.mic]\nchannel = 2\n"


def test_the_words_are_those_of_the_house_style() -> None:
    """Its example, with the line."""
    text = PLAIN + 'chain = [{ stage = "high-pass", cutoff_hz = 26000 }]\n'
    (problem,) = check_at_rate(parse_recipe(text, "recipes/warm.toml"), 48_000, take="verse-03")
    assert str(problem).replace(str(problem.path), "recipes/warm.toml") == (
        "recipes/warm.toml, line 5: sources.mic.chain[0].cutoff_hz = 26000.0   (high-pass; stages count from 0)\n"
        '  must be 10 to 21600 Hz for take "verse-03" (48000 Hz; the limit is 0.45 of the rate)\n'
        "  lower it, or render a capture of 88200 Hz or more"
    )
    assert check_at_rate(parse_recipe(text, "recipes/warm.toml"), 88_200, take="verse-03") == []


@pytest.mark.parametrize(
    "stage",
    [
        "'low-pass', cutoff_hz = 4000",
        "'peaking', centre_hz = 4000, gain_db = 1",
        "'low-shelf', corner_hz = 4000, gain_db = 1",
        "'high-shelf', corner_hz = 4000, gain_db = 1",
        "'notch', centre_hz = 4000, q = 1",
        "'all-pass', centre_hz = 4000",
    ],
)
def test_every_stage_with_a_frequency_is_checked(stage: str) -> None:
    """0.45 of 8 kHz is 3.6 kHz; at the limit all is well."""
    text = PLAIN + f"[stereo]\nchain = [{{ stage = {stage} }}]\n"
    (problem,) = check_at_rate(parse_recipe(text, "warm.toml"), 8000, take="verse")
    assert problem.key.startswith("stereo.chain[0].")
    assert problem.fix == "lower it, or render a capture of 44100 Hz or more"
    assert check_at_rate(parse_recipe(text.replace("4000", "3600"), "warm.toml"), 8000, take="verse") == []


def test_the_room_is_checked_too() -> None:
    """Its default as well, which is then to be written."""
    (problem,) = check_at_rate(parse_recipe(PLAIN + "[room]\n", "warm.toml"), 16_000, take="verse")
    assert (problem.key, problem.value, problem.line) == ("room.low_pass_hz", 9000.0, 5)
    assert (
        problem.reason == 'must be 500 to 7200 Hz for take "verse" (16000 Hz; the limit is 0.45 of the rate)'
    )
    assert problem.fix == (
        "it has its default: write low_pass_hz = 7200 or less, or render a capture of 44100 Hz or more"
    )


def test_no_side_high_pass_fits_every_rate() -> None:
    """Zero is no frequency."""
    assert check_at_rate(parse_recipe(PLAIN, "warm.toml"), 8000, take="verse") == []


@pytest.mark.parametrize(
    ("file_format", "good_hz", "bad_hz", "words"),
    [
        ("mp3", 44_100, 96_000, "mp3 has 8000 to 48000 Hz, and of these only 8000, 11025, 12000, 16000"),
        ("mp3", 32_000, 47_999, "mp3 has 8000 to 48000 Hz"),
        ("ogg", 192_000, 384_000, "ogg has 192000 Hz at most"),
    ],
)
def test_a_format_that_cannot_hold_the_rate_is_told(
    file_format: str, good_hz: int, bad_hz: int, words: str
) -> None:
    """With the take whose rate it is."""
    made = parse_recipe(PLAIN + f"[finish]\nformat = '{file_format}'\n", "warm.toml")
    assert check_at_rate(made, good_hz, take="verse") == []
    (problem,) = check_at_rate(made, bad_hz, take="verse")
    assert (problem.key, problem.value, problem.line) == ("finish.format", f'"{file_format}"', 6)
    assert problem.reason.startswith(words)
    assert problem.reason.endswith(f'; take "verse" has {bad_hz} Hz')
    assert "sample_rate_hz = 48000" in problem.fix


@pytest.mark.parametrize("finish", ["sample_rate_hz = 96000", "format = 'opus'"])
def test_a_recipe_with_a_rate_of_its_own_takes_any(finish: str) -> None:
    """It was checked when it was loaded."""
    made = parse_recipe(PLAIN + f"[stereo]\nside_high_pass_hz = 2000\n[finish]\n{finish}\n", "warm.toml")
    assert check_at_rate(made, 4000, take="verse") == []


@pytest.mark.parametrize(
    ("finish", "rate_hz"),
    [
        (Finish(), 44_100),
        (Finish(sample_rate_hz=96_000), 96_000),
        (Finish(format="opus"), 48_000),
        (Finish(format="opus", sample_rate_hz=96_000), 48_000),
    ],
)
def test_the_rate_of_the_file_follows_from_the_finish(finish: Finish, rate_hz: int) -> None:
    """Opus knows one only."""
    assert output_rate_hz(finish, 44_100) == rate_hz


def test_a_recipe_made_in_python_is_checked_at_its_own_rate() -> None:
    """It was never loaded."""
    made = Recipe.model_validate(
        {
            "sources": {"a": {"channel": 1}, "b": {"channel": 2}},
            "room": {},
            "finish": {"sample_rate_hz": 16_000},
        }
    )
    (problem,) = check_at_rate(made, 48_000, take="verse")
    assert problem.reason.startswith("must be 500 to 7200 Hz with finish.sample_rate_hz = 16000")


def test_a_recipe_made_in_python_is_told_by_its_name() -> None:
    """It has no file and no lines."""
    made = Recipe.model_validate(
        {"sources": {"a": {"channel": 1}, "b": {"channel": 2}}, "room": {}, "finish": {"format": "mp3"}}
    )
    problems = check_at_rate(made, 17_000, take="verse")
    assert [(problem.path, problem.line, problem.key) for problem in problems] == [
        (Path("recipe"), None, "room.low_pass_hz"),
        (Path("recipe"), None, "finish.format"),
    ]


def test_whoever_uses_a_recipe_can_tell_a_fault_as_its_reader_does(tmp_path: Path) -> None:
    """With the file that names the value, an extended one here, with key, line and stage."""
    (tmp_path / "saddle.wav").touch()
    chain = 'chain = [\n  { stage = "impulse-response", file = "saddle.wav" },\n]\n'
    (tmp_path / "house.toml").write_text(PLAIN + chain, encoding="utf-8")
    made = parse_recipe('extends = "house.toml"\n', tmp_path / "warm.toml")
    (leaf,) = [leaf for leaf in leaves(made) if leaf.name == "file"]
    problem = problem_at(made, leaf.keys, leaf.value.name, "has three channels", "use two", stage=leaf.stage)
    assert str(problem).replace(str(tmp_path / "house.toml"), "house.toml") == (
        'house.toml, line 6: sources.mic.chain[0].file = "saddle.wav"   (impulse-response; stages count from 0)\n'
        "  has three channels\n"
        "  use two"
    )
    problem = problem_at(made, ("finish", "format"), "wav", reason="too plain", fix="none")
    assert (problem.path, problem.line, problem.context) == (tmp_path / "warm.toml", None, "")
