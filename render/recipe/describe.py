"""A recipe read back: every value with its range, its meaning, and where it was written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from render.recipe.chain import STAGES
from render.recipe.models import OPUS_RATE_HZ, Finish, Recipe
from render.recipe.toml_text import key_text, toml_value
from render.recipe.values import Model, allowed_values
from render.recipe.walk import Leaf, leaves


@dataclass(frozen=True)
class Row:
    """One key of a recipe, as `recipe show` prints it.

    ``set_in`` is the file that gives the value, None for a default (or a recipe made in Python).
    ``inherited`` tells that it is another file than the recipe's own.
    ``note`` says what this recipe makes of the value.
    """

    key: str
    value: str
    allowed: str
    description: str
    is_default: bool
    set_in: Path | None = None
    line: int | None = None
    inherited: bool = False
    note: str = ""

    @property
    def where(self) -> str:
        """`default`, `set`, or the file that it is inherited from."""
        if self.is_default:
            return "default"
        return str(self.set_in) if self.inherited else "set"


def describe_recipe(recipe: Recipe) -> list[Row]:
    """Every value of a recipe in its order, defaults and inherited ones filled in."""
    return [_row(recipe, leaf) for leaf in leaves(recipe)]


def _row(recipe: Recipe, leaf: Leaf) -> Row:
    model, origin = type(leaf.owner), recipe.origin
    is_stage = leaf.name == "stage"
    written = leaf.name in leaf.owner.model_fields_set if origin is None else origin.is_written(leaf.keys)
    layer = origin.layer_of(leaf.keys) if origin is not None and written else None
    return Row(
        key=key_text(leaf.keys),
        value=toml_value("off" if leaf.value is None else leaf.value),
        allowed=", ".join(STAGES) if is_stage else _allowed_text(leaf),
        description=(model.__doc__ or "") if is_stage else (model.model_fields[leaf.name].description or ""),
        is_default=not written,
        set_in=layer.path if layer else None,
        line=layer.line(leaf.keys) if layer else None,
        inherited=layer is not None and origin is not None and layer is not origin.layers[0],
        note=_note(leaf.owner, leaf.name),
    )


def _allowed_text(leaf: Leaf) -> str:
    if leaf.value is None:
        return 'a table [room], or "off"'
    return allowed_values(type(leaf.owner), leaf.name).text


def _note(owner: Model, name: str) -> str:
    if not isinstance(owner, Finish) or owner.format in ("wav", "flac"):
        return ""
    if name == "bit_depth":
        return f"not used: {owner.format} has none"
    if name == "sample_rate_hz" and owner.format == "opus":
        return f"not used: opus is always {OPUS_RATE_HZ} Hz, takes of other rates are converted"
    return ""
