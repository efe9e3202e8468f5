"""JSON Schema of recipes, written from the models: editors complete and check recipes by it."""

from __future__ import annotations

from typing import Any

from render.recipe.models import Recipe, Room, Source, Stereo
from render.recipe.values import Model, allowed_values

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_NOISE = ("title", "discriminator")  # made up by pydantic; not of JSON Schema


def recipe_json_schema() -> dict[str, Any]:
    """Schema of a recipe's file.

    Returns
    -------
    dict
        JSON Schema 2020-12. Takes every recipe that loads; refuses unknown keys, wrong types and values out
        of range. What depends on several keys, on other files or on a sample rate only the loader can tell.
        A file with `extends` may leave out what the other file gives.
    """
    schema = _tidy(Recipe.model_json_schema())
    properties, tables = schema["properties"], schema["$defs"]
    properties["extends"] = {
        "type": "string",
        "minLength": 1,
        "description": "another recipe: its tables are taken over, what is here wins; a chain replaces one",
    }
    properties["room"] = {
        "description": properties["room"]["description"],
        "anyOf": [{"$ref": "#/$defs/Room"}, {"const": "off"}],
    }
    for model in (Stereo, Room):
        for name, entry in tables[model.__name__]["properties"].items():
            if (lowest := allowed_values(model, name).zero_or) is not None:
                entry["anyOf"] = [{"const": 0}, {"minimum": lowest}]
    file = tables["ImpulseResponse"]["properties"]["file"]
    file["minLength"] = 1
    del file["format"]  # no format of JSON Schema
    sources = properties["sources"]
    sources["additionalProperties"] = False
    complete = {
        "minProperties": sources.pop("minProperties"),
        "additionalProperties": {"required": _required(Source)},
    }
    tables["Source"].pop("required")
    schema.pop("required")
    return {
        "$schema": DIALECT,
        "title": "drytake recipe",
        **schema,
        "if": {"not": {"required": ["extends"]}},
        "then": {"required": ["sources"], "properties": {"sources": complete}},
    }


def _required(model: type[Model]) -> list[str]:
    return [name for name, info in model.model_fields.items() if info.is_required()]


def _tidy(schema: Any) -> Any:
    """Without what pydantic adds for itself; keys of recipes that are called the same stay."""
    if isinstance(schema, list):
        return [_tidy(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    tidy = {}
    for key, value in schema.items():
        if key in ("properties", "$defs"):
            tidy[key] = {name: _tidy(item) for name, item in value.items()}
        elif key not in _NOISE:
            tidy[key] = _tidy(value)
    return tidy
