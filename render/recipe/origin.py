"""Where the values of a recipe were written: its own file, and the files that it extends."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from render.recipe.lines import key_lines
from render.recipe.toml_text import Keys


@dataclass(frozen=True)
class Layer:
    """One file as it was read."""

    path: Path
    text: str
    tree: dict[str, object]

    def has(self, keys: Keys) -> bool:
        """Whether this file itself says something under this path."""
        return value_at(self.tree, keys) is not MISSING

    def line(self, keys: Keys) -> int | None:
        """Line of a key, or of the nearest table or list around it if the key itself is not there."""
        for length in range(len(keys), 0, -1):
            if keys[:length] in self._lines:
                return self._lines[keys[:length]]
        return None

    @cached_property
    def _lines(self) -> dict[Keys, int]:
        return key_lines(self.text, self.tree)


@dataclass(frozen=True)
class Origin:
    """The files of one recipe: first its own, then what it extends, and so on."""

    layers: tuple[Layer, ...]
    sources_left_out: tuple[str, ...] = ()  # of extended files, because a file over them names two others

    @property
    def path(self) -> Path:
        """The recipe's own file."""
        return self.layers[0].path

    def layer_of(self, keys: Keys) -> Layer:
        """File whose word counts for a key: the first that has it, else that has what stands around it.

        Lists are never mixed: what a file says of one entry it says of the list.
        """
        first_index = next((place for place, key in enumerate(keys) if isinstance(key, int)), len(keys))
        for length in range(first_index, 0, -1):
            for layer in self.layers:
                if layer.has(keys[:length]):
                    return layer
        return self.layers[0]

    def is_written(self, keys: Keys) -> bool:
        """Whether any file gives this value, so that it is no default."""
        return self.layer_of(keys).has(keys)


class _Missing:
    """Stands for a value that is not there: None cannot, in Python-made trees it is a value."""


MISSING = _Missing()


def value_at(tree: object, keys: Keys) -> object:
    """Value under a path, or MISSING."""
    for key in keys:
        in_table = isinstance(tree, dict) and key in tree
        in_list = isinstance(tree, list) and isinstance(key, int) and key < len(tree)
        if not (in_table or in_list):
            return MISSING
        tree = tree[key]  # type: ignore[index]  # both were just looked at
    return tree
