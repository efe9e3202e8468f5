"""Recipes: written and read back they are the same; any text gives a recipe or its faults, nothing else."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import tomli
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from render.errors import Problem, RecipeError
from render.recipe import (
    Recipe,
    builtin_recipe,
    check_at_rate,
    describe_recipe,
    dump_recipe,
    estimate_response_s,
    parse_recipe,
    recipe_json_schema,
)
from render.recipe.chain import STAGES
from render.recipe.check import check_at_fixed_rate
from render.recipe.cost import LONGEST_RESPONSE_S
from render.recipe.hints import refused_value
from render.recipe.lines import key_lines
from render.recipe.load import BUILTIN
from render.recipe.models import Finish, Room, Source, Stereo
from render.recipe.toml_text import Keys, toml_key, toml_value
from render.recipe.values import Model, allowed_values

SCHEMA = jsonschema.Draft202012Validator(recipe_json_schema())
HERE = Path(__file__)  # a file that is there; recipes do not look into it
NAMES = st.from_regex(r"[A-Za-z0-9_-]{1,12}", fullmatch=True)


def values_of(model: type[Model], name: str) -> st.SearchStrategy[Any]:
    """Any value that a key may hold, ends of ranges and whole numbers among them."""
    allowed = allowed_values(model, name)
    kinds: list[st.SearchStrategy[Any]] = [st.sampled_from(allowed.words)] if allowed.words else []
    if allowed.choices:
        kinds.append(st.sampled_from(allowed.choices))
    if allowed.number and allowed.low is not None and allowed.high is not None:
        low, high = allowed.zero_or or allowed.low, allowed.high
        kinds.append(st.integers(int(low) if low == int(low) else int(low) + 1, int(high)))
        if not allowed.whole:
            kinds += [st.floats(low, high), st.sampled_from([low, high])]
        if allowed.takes(0):
            kinds.append(st.just(0))
    if allowed.characters is not None:
        lines = "\n\t" if name == "notes" else ""
        letters = st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from(lines or "a")
        kinds.append(st.text(letters, max_size=30))
    if allowed.file:
        kinds.append(st.just(HERE.as_posix()))
    return st.one_of(kinds)


def tables_of(
    model: type[Model], *, leave_out: tuple[str, ...] = ("chain",)
) -> st.SearchStrategy[dict[str, Any]]:
    """Table of any of its keys, with all that it needs."""
    needed = {name: info.is_required() for name, info in model.model_fields.items() if name not in leave_out}
    return st.fixed_dictionaries(
        {name: values_of(model, name) for name, is_needed in needed.items() if is_needed},
        optional={name: values_of(model, name) for name, is_needed in needed.items() if not is_needed},
    )


def chains(most: int = 4) -> st.SearchStrategy[list[dict[str, Any]]]:
    """Any stages in any order."""
    stages = [
        tables_of(model, leave_out=("stage",)).map(lambda table, stage=stage: {"stage": stage, **table})  # type: ignore[misc]
        for stage, model in STAGES.items()
    ]
    return st.lists(st.one_of(stages), max_size=most)


@st.composite
def recipe_tables(draw: st.DrawFn) -> dict[str, Any]:
    """What a recipe's file could hold, each value within its range; values may still not fit each other."""
    names = draw(st.lists(NAMES, min_size=2, max_size=2, unique=True))
    tree: dict[str, Any] = draw(tables_of(Recipe, leave_out=("sources", "stereo", "room", "finish")))
    tree["sources"] = {}
    for name in names:
        tree["sources"][name] = draw(tables_of(Source))
        if draw(st.booleans()):
            tree["sources"][name]["chain"] = draw(chains())
    for name, model in (("stereo", Stereo), ("room", Room), ("finish", Finish)):
        if draw(st.booleans()):
            tree[name] = draw(tables_of(model))
    if "stereo" in tree:
        tree["stereo"]["chain"] = draw(chains(2))
    if "room" not in tree and draw(st.booleans()):
        tree["room"] = "off"
    return tree


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    """Any recipe."""
    try:
        recipe = Recipe.model_validate(draw(recipe_tables()))
    except ValidationError:
        assume(False)  # values that do not fit each other
        raise
    assume(not check_at_fixed_rate(recipe))
    return recipe


def toml_of(tree: dict[str, Any]) -> str:
    """A tree as TOML, tables as tables: not the way `dump_recipe` writes it."""
    text = "".join(
        f"{toml_key(key)} = {toml_value(value)}\n"
        for key, value in tree.items()
        if not isinstance(value, dict)
    )
    for key, value in tree.items():
        if isinstance(value, dict):
            text += f"[{toml_key(key)}]\n"
            text += "".join(f"{toml_key(inner)} = {toml_value(item)}\n" for inner, item in value.items())
    return text


@given(recipes())
def test_a_recipe_written_and_read_back_is_the_same(recipe: Recipe) -> None:
    """To the last digit, in TOML 1.0, with the same hash."""
    text = dump_recipe(recipe)
    again = parse_recipe(text, "again.toml")
    assert again == recipe
    assert again.sha256_of_values == recipe.sha256_of_values
    assert dump_recipe(again) == text
    assert tomllib.loads(text) == tomli.loads(text)


@given(recipe_tables())
def test_the_schema_takes_what_the_loader_takes(tree: dict[str, Any]) -> None:
    """As it stands in a file, whole numbers for floats included; so do all that only describe."""
    SCHEMA.validate(tomllib.loads(toml_of(tree)))
    try:
        recipe = parse_recipe(toml_of(tree), "warm.toml")
    except RecipeError as error:
        told = {problem.key.rpartition(".")[2] for problem in error.problems}
        misfits = {"q", "decay_1khz_s", "high_pass_hz", "bit_depth", "sample_rate_hz", "chain"}
        misfits |= {"delay_ms", "polarity"}  # two sources that would both be moved
        at_fixed_rate = {"cutoff_hz", "centre_hz", "corner_hz", "low_pass_hz", "side_high_pass_hz"}
        assert told <= misfits | at_fixed_rate
        return
    assert 0.0 <= estimate_response_s(recipe) <= LONGEST_RESPONSE_S
    rows = describe_recipe(recipe)
    assert all(row.value and row.allowed for row in rows)
    written = {row.key for row in rows if not row.is_default}
    assert {f"finish.{name}" for name in tree.get("finish", {})} <= written
    assert all(problem.fix for problem in check_at_rate(recipe, 8000, take="verse"))


SCALARS = (
    st.none().map(lambda _: "auto")
    | st.booleans()
    | st.integers()
    | st.integers(2**70, 2**80)
    | st.floats()
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
    | st.datetimes()
    | st.dates()
    | st.times()
)
MODELS: tuple[type[Model], ...] = (Recipe, Source, Stereo, Room, Finish, *STAGES.values())
KEYS = (
    st.sampled_from(
        [*(name for model in MODELS for name in model.model_fields), "extends", "a", "b", "[key]"]
    )
    | NAMES
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=10)
)
WORDS = st.sampled_from([*STAGES, "keep", "flip", "off", "mid", "side", "flac", "opus", "float", "session"])
VALUES = st.recursive(
    SCALARS | WORDS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


def recipe_or_problems(text: str) -> Recipe | list[Problem]:
    """What a text gives; any other exception goes through."""
    try:
        return parse_recipe(text, HERE.with_name("any.toml"))
    except RecipeError as error:
        return error.problems


def read_and_check(text: str) -> None:
    """Read a text: if refused, every problem must say why, what to do, and where, if it says where."""
    result = recipe_or_problems(text)
    if isinstance(result, Recipe):
        assert parse_recipe(dump_recipe(result), "again.toml") == result
        return
    assert result
    for problem in result:
        assert problem.reason
        assert problem.fix
        assert str(problem).replace("\n", "").isprintable()
        assert problem.line is None or 1 <= problem.line <= text.count("\n") + 1
    assert len({(problem.path, problem.key, problem.line) for problem in result}) == len(result)


@given(st.text())
@example("")
@example("[")
@example("a=1\n" * 2)
@example("\ufeffa = 1")
@example("x = " + "[" * 1000)
@example("[sources]\n[sources.a]\n[sources.b]\n")
def test_any_text_gives_a_recipe_or_its_faults(text: str) -> None:
    """Nothing else is raised."""
    read_and_check(text)


@given(st.lists(st.tuples(KEYS, VALUES), max_size=6))
def test_any_values_give_a_recipe_or_its_faults(pairs: list[tuple[str, Any]]) -> None:
    """Of any shape, under known keys and others."""
    read_and_check(toml_of(dict(pairs)))


def places_in(tree: Any, keys: Keys = ()) -> list[Keys]:
    """Path of every key and list entry."""
    items: list[tuple[Any, Any]] = []
    if isinstance(tree, dict):
        items = list(tree.items())
    elif isinstance(tree, list):
        items = list(enumerate(tree))
    return [path for key, item in items for path in ((*keys, key), *places_in(item, (*keys, key)))]


@given(recipe_tables(), st.data())
def test_a_recipe_with_one_value_changed_gives_a_recipe_or_its_faults(
    tree: dict[str, Any], data: st.DataObject
) -> None:
    """Whichever it is, whatever it becomes; or it is taken out."""
    *outer, last = data.draw(st.sampled_from(places_in(tree)))
    table: Any = tree
    for key in outer:
        table = table[key]
    if data.draw(st.booleans()):
        del table[last]
    else:
        table[last] = data.draw(VALUES)
    read_and_check(toml_of(tree))


@given(st.data())
@settings(max_examples=200)
def test_a_damaged_text_gives_a_recipe_or_its_faults(data: st.DataObject) -> None:
    """Characters taken out, put in and doubled."""
    text = BUILTIN.read_text(encoding="utf-8")
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        stop = start + data.draw(st.integers(0, 30))
        middle = data.draw(
            st.text(max_size=3) | st.just(text[start:stop] * 2) | st.sampled_from("\"'[]{}=.,#\n")
        )
        text = text[:start] + middle + text[stop:]
    read_and_check(text)


@given(st.lists(st.tuples(KEYS, VALUES), max_size=5))
def test_told_lines_are_right(pairs: list[tuple[str, Any]]) -> None:
    """The line of a key, read by itself, is what the file says of it."""
    text = toml_of(dict(pairs))
    tree = tomli.loads(text)
    lines = key_lines(text, tree)
    assert set(lines) == set(places_in(tree))
    for keys, line in lines.items():
        if len(keys) == 1:
            written = text.split("\n")[line - 1]
            assert written.startswith((f"{toml_key(str(keys[0]))} = ", f"[{toml_key(str(keys[0]))}]"))


NUMBERS = [
    (model, name)
    for model in MODELS
    for name in model.model_fields
    if allowed_values(model, name).number or allowed_values(model, name).choices
]


@given(
    st.sampled_from(NUMBERS),
    st.floats(-200.0, 200.0) | st.integers(-200, 200) | st.floats() | st.integers(),
    st.sampled_from([None, "", "%", " kHz", "k", " Hz", " dB"]),
)
@example((Finish, "sample_rate_hz"), 44.1, None)
@example((Finish, "sample_rate_hz"), 48, " kHz")
@example((Finish, "loudness_lufs"), 16, None)
@example((Room, "shared_fraction"), 50, None)
def test_a_number_that_a_hint_advises_is_allowed(
    key: tuple[type[Model], str], value: float, unit: str | None
) -> None:
    """Whoever does as told is not refused again."""
    model, name = key
    allowed = allowed_values(model, name)
    assume(unit is not None or not allowed.takes(value))
    fix = refused_value(model, name, value if unit is None else f"{value}{unit}")[1]
    assert fix
    advised = re.findall(rf"(?:{name} = |did you mean | % is )([-+.0-9e]+)", fix)
    assert advised or f"{name} = " not in fix or '"' in fix
    for written in advised:
        assert allowed.takes(tomllib.loads(f"number = {written}")["number"])


def test_the_builtin_recipe_reads_back_as_the_same() -> None:
    """The one that everybody hears first."""
    assert parse_recipe(dump_recipe(builtin_recipe()), "again.toml") == builtin_recipe()


@pytest.mark.parametrize(
    "text",
    ["sources.a.channel = 1\nsources.b.channel = 2", "sources = { a.channel = 1, b = { channel = 2 } }"],
)
def test_a_recipe_may_be_written_in_any_way_that_toml_allows(text: str) -> None:
    """Dotted keys, tables in braces."""
    assert list(parse_recipe(text, "any.toml").sources) == ["a", "b"]
