"""What a varied key is called by people: `mic gain`, `room level`, `pickup high-pass cutoff`; and its values."""

from __future__ import annotations

import re
from collections.abc import Sequence

from render.recipe.models import Recipe
from render.recipe.toml_text import Keys, key_text
from render.recipe.values import plain, split_unit

MINUS = "\N{MINUS SIGN}"
_FREQUENCY = re.compile(r" ([0-9]+)(k?)hz\b")


def difference_labels(recipe: Recipe, all_keys: Sequence[Keys]) -> list[str]:
    """A short name for each key; those that would have one name in common keep their path.

    Parameters
    ----------
    recipe : Recipe
        Tells which stage stands where in a chain.
    all_keys : sequence of key paths
    """
    labels = [_label(recipe, keys) for keys in all_keys]
    return [
        label if labels.count(label) == 1 else key_text(keys)
        for label, keys in zip(labels, all_keys, strict=True)
    ]


def value_words(keys: Keys, value: float) -> str:
    """A value with the unit that its key has: `-18 dB`, with a true minus sign."""
    unit = split_unit(str(keys[-1]))[1]
    return plain(value).replace("-", MINUS) + (f" {unit}" if unit else "")


def _label(recipe: Recipe, keys: Keys) -> str:
    table, *inner = keys
    owner, path = (str(table), inner)
    if table == "sources" and inner:
        owner, path = str(inner[0]), inner[1:]
    if len(path) == 3 and path[0] == "chain" and isinstance(path[1], int):
        owner = f"{owner} {_stage(recipe, keys[:-2], path[1])}"
    elif len(path) != 1:
        return key_text(keys)
    quantity = split_unit(str(path[-1]))[0].replace("_", " ")
    return f"{owner} {_FREQUENCY.sub(_bracketed, quantity)}"


def _stage(recipe: Recipe, chain_of: Keys, place: int) -> str:
    """A stage by its name, and by its place where the chain has several of it."""
    chain = recipe.stereo.chain
    if chain_of[0] == "sources":
        source = recipe.sources.get(str(chain_of[1]))
        chain = () if source is None else source.chain
    if place >= len(chain):
        return f"chain[{place}]"
    stage = chain[place].stage
    return stage if [other.stage for other in chain].count(stage) == 1 else f"{stage} [{place}]"


def _bracketed(found: re.Match[str]) -> str:
    return f" ({found[1]} {'kHz' if found[2] else 'Hz'})"
