"""All values of a recipe in their order, each with the table it belongs to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from render.recipe.models import Recipe
from render.recipe.toml_text import Keys
from render.recipe.values import Model


@dataclass(frozen=True)
class Leaf:
    """One value: its key path, the table or stage it belongs to, its key there."""

    keys: Keys
    owner: Model
    name: str
    value: Any

    @property
    def stage(self) -> str:
        """Name of the stage that it belongs to; empty outside chains."""
        return str(getattr(self.owner, "stage", ""))


def leaves(recipe: Recipe) -> Iterator[Leaf]:
    """Every value; a chain without stages and a room that is not there count as values."""
    yield from _leaves((), recipe)


def _leaves(keys: Keys, owner: Model) -> Iterator[Leaf]:
    for name in type(owner).model_fields:
        value = getattr(owner, name)
        if isinstance(value, Model):
            yield from _leaves((*keys, name), value)
        elif isinstance(value, dict):
            for inner_name, inner in value.items():
                yield from _leaves((*keys, name, inner_name), inner)
        elif isinstance(value, tuple) and value:
            for index, inner in enumerate(value):
                yield from _leaves((*keys, name, index), inner)
        else:
            yield Leaf((*keys, name), owner, name, value)
