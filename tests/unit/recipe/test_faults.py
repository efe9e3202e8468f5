"""Faults in words: all of them, where they stand, and how to mend them."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from render.errors import Problem, RecipeError
from render.recipe import Recipe, parse_recipe
from render.recipe.faults import Written, problems_together
from render.recipe.origin import Layer, Origin

PLAIN = "[sources.pickup]\nchannel = 1\n[sources.mic]\nchannel = 2\n"
PATH = Path("recipes/warm.toml")


def problems(text: str) -> list[Problem]:
    """What is wrong with a text."""
    with pytest.raises(RecipeError, match="warm") as caught:
        parse_recipe(text, PATH)
    return caught.value.problems


def told(text: str) -> list[str]:
    """The same in words."""
    return [str(problem).replace(str(PATH), "recipes/warm.toml") for problem in problems(text)]


def test_the_words_are_those_of_the_house_style() -> None:
    """Its two examples, with the fix that every problem has."""
    text = PLAIN.replace(
        "channel = 1",
        'channel = 1\nchain = [\n  { stage = "high-pass", cutoff_hz = 260000 },\n'
        '  { stage = "all-pass", centre_hz = 200, w = 1 },\n]',
    )
    assert told(text) == [
        (
            "recipes/warm.toml, line 4: sources.pickup.chain[0].cutoff_hz = 260000   (high-pass; stages count from 0)\n"
            "  must be 10 to 40000 Hz\n"
            "  lower it to 40000 Hz or less"
        ),
        (
            "recipes/warm.toml, line 5: sources.pickup.chain[1].w = 1   (all-pass; stages count from 0)\n"
            "  unknown key\n"
            "  known here: stage, centre_hz, q"
        ),
    ]


MANY = """\
title = "x\\u0007"
loudness_lufs = 3
[sources.pickup]
channel = "1"
polarity = "automatic"
delay_ms = "automatic"
place = "left"
chain = [
  { stage = "hipass", cutoff_hz = 60 },
  { stage = "high-pass", cutoff_hz = 26000000, slope = 12 },
  { stage = "peaking", centre_hz = 10, gain_db = 24, q = 40 },
  3,
  "gain",
  {},
  { cutoff_hz = 80 },
  { stage = 3 },
  { stage = [] },
  { stage = "low-pass" },
]
[sources."my mic"]
channel = 2
[stereo]
gain_db = true
side_high_pass_hz = 5
chain = 3
[room]
decay_1khz_s = 20
decay_125hz_ratio = 3
pre_delay_ms = "x"
[finish]
loudness_lufs = "-16 LUFS"
sample_rate_hz = 48001
format = "flac"
bit_depth = "float"
head_s = nan
fade_in_ms = 1979-05-27
max_true_peak_dbtp = { a = 1 }
"""
FAULTS = [
    (1, "title", "must be text in quotes, at most 200 characters, no control characters"),
    (2, "loudness_lufs", 'unknown key; "loudness_lufs" belongs to [finish]'),
    (4, "sources.pickup.channel", "must be a whole number from 1 to 64"),
    (5, "sources.pickup.polarity", 'must be "keep", "flip" or "auto"'),
    (6, "sources.pickup.delay_ms", 'must be -1000 to 1000 ms, or "auto"'),
    (7, "sources.pickup.place", 'must be -100 to 100, or "mid" or "side"'),
    (9, "sources.pickup.chain[0].stage", 'unknown stage; did you mean "high-pass"?'),
    (10, "sources.pickup.chain[1].cutoff_hz", "must be 10 to 40000 Hz"),
    (10, "sources.pickup.chain[1].slope", 'unknown key; did you mean "slope_db_per_octave"?'),
    (11, "sources.pickup.chain[2].q", "so narrow at 10 Hz it rings for 81.7 s; 6 s at most"),
    (12, "sources.pickup.chain[3]", "must be a stage in braces"),
    (13, "sources.pickup.chain[4]", "must be a stage in braces"),
    (14, "sources.pickup.chain[5]", "says not which stage it is"),
    (15, "sources.pickup.chain[6]", "says not which stage it is"),
    (16, "sources.pickup.chain[7].stage", 'a stage is named by text in quotes, such as "high-pass"'),
    (17, "sources.pickup.chain[8].stage", 'a stage is named by text in quotes, such as "high-pass"'),
    (18, "sources.pickup.chain[9].cutoff_hz", "is missing; must be 10 to 40000 Hz"),
    (
        20,
        'sources."my mic"',
        'the name of a source is made of letters, digits, "-" and "_", at most 40 of them',
    ),
    (23, "stereo.gain_db", 'unknown key; did you mean "side_gain_db"?'),
    (24, "stereo.side_high_pass_hz", "must be 0 (none), or 10 to 2000 Hz"),
    (25, "stereo.chain", "must be a list of stages"),
    (27, "room.decay_1khz_s", "makes 60.0 s at 125 Hz; 30 s at most"),
    (29, "room.pre_delay_ms", "must be 0 to 500 ms"),
    (31, "finish.loudness_lufs", 'must be -40 to -5 LUFS, or "keep"'),
    (32, "finish.sample_rate_hz", "must be 8000, 11025"),
    (34, "finish.bit_depth", 'flac holds whole numbers only: must be 16 or 24 with format = "flac"'),
    (35, "finish.head_s", 'must be 0 to 60 s, or "keep"'),
    (36, "finish.fade_in_ms", "must be 0 to 60000 ms"),
    (37, "finish.max_true_peak_dbtp", "must be -20 to 0 dBTP"),
]


def test_all_faults_are_told_at_once_with_line_and_key() -> None:
    """Those between keys as well, where others in the same table are wrong by themselves."""
    found = [(problem.line, problem.key) for problem in problems(MANY)]
    assert found == [(line, key) for line, key, _ in FAULTS]
    for problem, (_, _, reason) in zip(problems(MANY), FAULTS, strict=True):
        assert problem.reason.startswith(reason)


def test_every_fault_has_a_way_to_mend_it() -> None:
    """And shows what stands there, as it stands there."""
    shown = {problem.key: problem.value for problem in problems(MANY)}
    assert all(problem.fix for problem in problems(MANY))
    assert shown["sources.pickup.channel"] == '"1"'
    assert shown["stereo.gain_db"] == "true"
    assert shown["finish.fade_in_ms"] == "1979-05-27"
    assert shown["finish.sample_rate_hz"] == 48001
    assert shown["sources.pickup.chain[9].cutoff_hz"] is None
    assert shown["finish.max_true_peak_dbtp"] is None


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("", "sources", "there is none\n  write [sources.pickup] and [sources.mic]"),
        ("[sources.mic]\nchannel = 1", "sources", 'only "mic" (recipes/warm.toml) is there'),
        (
            "[sources.a]\n[sources.b]\n[sources.c]\n",
            "sources",
            'there are 3: "a", "b" and "c" (recipes/warm.toml)',
        ),
        (
            PLAIN + "[sources.mc]\ngain_db = -3\n",
            "sources.mc",
            'there are 3: "pickup", "mic" and "mc" (recipes/warm.toml)\n  did you mean [sources.mic]?',
        ),
        ("sources = 3", "sources = 3", "must be two tables, one a source"),
        ("[[sources]]\nchannel = 1", "sources = [{ channel = 1 }]", "must be two tables"),
        (
            "sources = { a = 1, b = 2 }",
            "sources.a = 1",
            "must be a table\n  write [sources.a] on a line of its own",
        ),
        (PLAIN + 'chain = "none"', 'sources.mic.chain = "none"', "must be a list of stages"),
        (PLAIN + "[sources.mic.chain]", "sources.mic.chain", "must be a list of stages"),
        ("finish = 3\n" + PLAIN, "finish = 3", "must be a table\n  write [finish]"),
        ("room = 'none'\n" + PLAIN, 'room = "none"', 'must be a table, or "off"\n  write [room]'),
        ("room = true\n" + PLAIN, "room = true", 'must be a table, or "off"'),
        ("title = 3\n" + PLAIN, "title = 3", "must be text in quotes"),
        ('notes = "\\f"\n' + PLAIN, "notes", "shorten it, and take out characters"),
        (
            PLAIN.replace("channel = 1", 'channel = 1\npolarity = "auto"') + 'delay_ms = "auto"',
            'sources.mic.delay_ms = "auto"',
            '"auto" moves one source to meet the other, and pickup has "auto" already',
        ),
        (PLAIN + '"[key]" = 1', 'sources.mic."[key]" = 1', "unknown key"),
        ('"bad\\u001bkey" = 1\n' + PLAIN, '"bad\\u001bkey" = 1', "unknown key"),
        ("x" * 300 + " = 1\n" + PLAIN, "x" * 160 + "... = 1", "unknown key"),
        (
            '[sources.""]\nchannel = 1\n[sources.b]\nchannel = 2',
            'sources.""',
            "rename it, say [sources.pickup]",
        ),
    ],
)
def test_odd_recipes_are_told_plainly(text: str, key: str, words: str) -> None:
    """The first fault of each."""
    first = told(text)[0]
    assert f": {key}" in first.splitlines()[0]
    assert words in first


@pytest.mark.parametrize("name", ["3", '""', '"a\\u0000b.wav"'])
def test_a_file_is_named_by_text(name: str) -> None:
    """Nothing that no file can be called."""
    (problem,) = problems(PLAIN + f'chain = [{{ stage = "impulse-response", file = {name} }}]\n')
    assert (problem.key, problem.value) == ("sources.mic.chain[0].file", 3 if name == "3" else name)
    assert problem.reason == "must be the name of a sound file in quotes"
    assert problem.fix == 'write file = "saddle.wav"'


def test_a_file_in_a_stage_that_has_none_is_one_fault() -> None:
    """It is not searched for as well."""
    (problem,) = problems(PLAIN + 'chain = [{ stage = "gain", gain_db = 0, file = "none.wav" }]\n')
    assert problem.reason == 'unknown key; "file" belongs to the stage "impulse-response"'


def test_a_text_that_is_all_faults_is_told_in_part() -> None:
    """The first 200, and that there are more."""
    found = problems(PLAIN + "".join(f"colour_{number} = 1\n" for number in range(300)))
    assert len(found) == 201
    assert found[0].reason == "has more than 200 faults; these are the first"
    assert found[1].key == "sources.mic.colour_0"


def test_a_chain_has_an_end() -> None:
    """64 stages."""
    stages = '{ stage = "gain", gain_db = 0 }, '
    assert parse_recipe(PLAIN + f"chain = [{stages * 64}]", PATH)
    (problem,) = problems(PLAIN + f"chain = [{stages * 65}]")
    assert (problem.key, problem.reason) == ("sources.mic.chain", "has 65 stages; 64 at most")
    assert len(str(problem.value)) == 60


def test_stages_may_be_written_as_tables_of_their_own() -> None:
    """Longer, but TOML; lines are told there too."""
    text = (
        PLAIN
        + '[[sources.mic.chain]]\nstage = "gain"\ngain_db = 1\n[[sources.mic.chain]]\nstage = "gain"\ngain = 2\n'
    )
    assert [(problem.line, problem.key) for problem in problems(text)] == [(10, "sources.mic.chain[1].gain")]


@pytest.mark.parametrize(
    ("stage", "key"),
    [
        ('"high-pass", cutof_hz = 60', "cutof_hz"),
        ('"peaking", gain_db = 1, center_hz = 2400', "center_hz"),
        ('"high-pass", frequency_hz = 60', "frequency_hz"),
    ],
)
def test_a_mistyped_key_is_one_fault(stage: str, key: str) -> None:
    """That the right one is missing need not be told as well."""
    (problem,) = problems(PLAIN + f"chain = [{{ stage = {stage} }}]\n")
    assert problem.key == f"sources.mic.chain[0].{key}"
    assert problem.reason.startswith("unknown key; did you mean")


def test_a_missing_key_is_told_beside_a_mistyped_one() -> None:
    """If it is another, or in another table."""
    text = PLAIN + (
        'chain = [{ stage = "peaking", center_hz = 2400 }, { stage = "notch", q = 9 }, '
        '{ stage = "high-pass", colour = 3 }]\n'
    )
    assert [problem.key.removeprefix("sources.mic.") for problem in problems(text)] == [
        "chain[0].gain_db",
        "chain[0].center_hz",
        "chain[1].centre_hz",
        "chain[2].cutoff_hz",
        "chain[2].colour",
    ]


@pytest.mark.parametrize("name", ["reverb", "Room"])
def test_an_unknown_table_is_told_as_a_table(name: str) -> None:
    """With the tables that there are; a value at the same place is a key."""
    (problem,) = problems(PLAIN + f"[{name}]\nseed = 3\n")
    assert (problem.line, problem.key) == (5, name)
    assert problem.reason == "unknown table; the room's table is [room]"
    assert problem.fix == "the tables are [sources.NAME], [stereo], [room] and [finish]"
    (problem,) = problems(f"{name} = 3\n" + PLAIN)
    assert problem.reason.startswith("unknown key")


def test_faults_between_keys_wait_for_those_of_the_keys_themselves() -> None:
    """A default in place of a wrong value would make faults that are not there."""
    text = (
        PLAIN
        + '[room]\nhigh_pass_hz = "50"\nlow_pass_hz = 600\n[finish]\nformat = "flacc"\nbit_depth = "float"\n'
    )
    assert [problem.key for problem in problems(text)] == ["room.high_pass_hz", "finish.format"]
    text = PLAIN + '[room]\nhigh_pass_hz = 700\nlow_pass_hz = 600\nseed = "1"\n'
    assert [problem.key for problem in problems(text)] == ["room.high_pass_hz", "room.seed"]


def test_a_fault_between_keys_is_left_out_if_one_of_them_is_wrong_anyway() -> None:
    """Likewise one of the recipe as a whole."""
    layer = Layer(PATH, "", {})
    written = Written({}, Origin((layer,)))
    with pytest.raises(ValidationError, match="must lie below") as caught:
        Recipe.model_validate({"sources": {}, "room": {"high_pass_hz": 700, "low_pass_hz": 600}})
    assert list(problems_together(caught.value, set(), written)) == [("room", "high_pass_hz")]
    assert problems_together(caught.value, {("room", "low_pass_hz")}, written) == {}


def test_a_recipe_that_rings_too_long_is_told_at_its_longest_part() -> None:
    """Once all else is right."""
    text = PLAIN + "chain = [\n" + '{ stage = "delay", delay_ms = 2000 },\n' * 41 + "]\n"
    (problem,) = problems(text)
    assert (problem.key, problem.line) == ("sources.mic.chain", 5)
    assert problem.reason == "the whole may ring for 82 s; 80 s at most"
    assert [problem.key for problem in problems(text + "[finish]\nformat = 3\n")] == ["finish.format"]
