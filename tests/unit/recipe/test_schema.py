"""The JSON Schema of recipes."""

from __future__ import annotations

import tomllib
from typing import Any

import jsonschema
import pytest

from render.recipe import Recipe, builtin_recipe, dump_recipe, recipe_json_schema
from render.recipe.chain import STAGES
from render.recipe.load import BUILTIN

PLAIN = "[sources.pickup]\nchannel = 1\n[sources.mic]\nchannel = 2\n"
SCHEMA = jsonschema.Draft202012Validator(recipe_json_schema())


def test_the_schema_is_one() -> None:
    """By the meta-schema of its dialect."""
    jsonschema.Draft202012Validator.check_schema(recipe_json_schema())
    assert recipe_json_schema()["$schema"].endswith("2020-12/schema")


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        BUILTIN.read_text(encoding="utf-8"),
        dump_recipe(builtin_recipe()),
        'room = "off"\n' + PLAIN,
        PLAIN + 'chain = [{ stage = "impulse-response", file = "a.wav" }]\n',
        PLAIN + "[stereo]\nside_high_pass_hz = 0.0\nside_gain_db = 'off'\n",
        'extends = "house.toml"\n',
        'extends = "house.toml"\n[sources.mic]\ngain_db = 1\n',
    ],
)
def test_recipes_are_taken(text: str) -> None:
    """Also those that leave to another what they do not say."""
    SCHEMA.validate(tomllib.loads(text))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[sources.mic]\nchannel = 1\n",
        "[sources.a]\n[sources.b]\nchannel = 1\n",
        PLAIN + "[sources.third]\nchannel = 3\n",
        '[sources."a b"]\nchannel = 1\n[sources.b]\nchannel = 2\n',
        "loudness_lufs = -16\n" + PLAIN,
        PLAIN + "colour = 1\n",
        PLAIN + 'polarity = "automatic"\n',
        PLAIN + "place = 101\n",
        PLAIN + 'chain = [{ stage = "chorus" }]\n',
        PLAIN + 'chain = [{ stage = "high-pass" }]\n',
        PLAIN + 'chain = [{ stage = "high-pass", cutoff_hz = 9 }]\n',
        PLAIN + 'chain = [{ stage = "high-pass", cutoff_hz = 90, slope_db_per_octave = 7 }]\n',
        PLAIN + 'chain = [{ stage = "impulse-response", file = "" }]\n',
        PLAIN + "[stereo]\nside_high_pass_hz = 5\n",
        PLAIN + "[finish]\nbit_depth = true\n",
        PLAIN + "[finish]\nloudness_lufs = 3\n",
        'room = "none"\n' + PLAIN,
        'extends = ""\n',
        'extends = "house.toml"\ncolour = 1\n',
        'extends = "house.toml"\n[sources.a]\n[sources.b]\n[sources.c]\n',
    ],
)
def test_faults_are_refused(text: str) -> None:
    """Those that a schema can know of."""
    with pytest.raises(jsonschema.ValidationError, match=r"\w"):
        SCHEMA.validate(tomllib.loads(text))


def test_every_key_is_described() -> None:
    """So that an editor can show it."""
    schema = recipe_json_schema()
    for model in (*schema["$defs"].values(), schema):
        for name, entry in model["properties"].items():
            assert name == "stage" or entry.get("description"), name


def test_the_schema_has_the_keys_of_the_models_and_no_other_titles() -> None:
    """Those are made up by pydantic."""
    schema = recipe_json_schema()
    assert set(schema["properties"]) == {*Recipe.model_fields, "extends"}
    assert {"Source", "Stereo", "Room", "Finish", *(model.__name__ for model in STAGES.values())} == set(
        schema["$defs"]
    )
    assert not list(_titles(schema["$defs"]))


def _titles(node: Any) -> list[Any]:
    if isinstance(node, dict):
        own = [node["title"]] if isinstance(node.get("title"), str) else []
        return own + [title for item in node.values() for title in _titles(item)]
    return [title for item in node for title in _titles(item)] if isinstance(node, list) else []
