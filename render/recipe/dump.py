"""A recipe as TOML: everything filled in, nothing inherited, read back as the same recipe."""

from __future__ import annotations

from render.recipe.models import Recipe
from render.recipe.toml_text import toml_key, toml_value
from render.recipe.values import Model


def dump_recipe(recipe: Recipe) -> str:
    """Write a recipe as one TOML 1.0 text.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    str
        `parse_recipe` makes an equal recipe of it, wherever the file stands: impulse-response files are named
        by their whole paths.
    """
    blocks = [_lines(recipe, ("title", "notes"))]
    for name, source in recipe.sources.items():
        blocks.append([f"[sources.{toml_key(name)}]", *_lines(source)])
    for name in ("stereo", "room", "finish"):
        table = getattr(recipe, name)
        if table is not None:
            blocks.append([f"[{name}]", *_lines(table)])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def value_text(value: object) -> str:
    """Value of a key as TOML; a chain with one stage a line."""
    if isinstance(value, tuple):
        stages = "".join(f"  {_stage_text(stage)},\n" for stage in value)
        return f"[\n{stages}]" if stages else "[]"
    return toml_value(value)


def _lines(table: Model, names: tuple[str, ...] | None = None) -> list[str]:
    return [f"{name} = {value_text(getattr(table, name))}" for name in names or type(table).model_fields]


def _stage_text(stage: Model) -> str:
    return "{ " + ", ".join(_lines(stage)) + " }"
