"""`extends`: one recipe over another.

Tables are put together key by key, the nearer word wins, lists are replaced as a whole.
"""

from __future__ import annotations

import copy
import os
from dataclasses import dataclass
from pathlib import Path

from render.errors import Problem
from render.recipe.origin import MISSING, Layer, Origin, value_at
from render.recipe.reading import (
    SLASHES,
    NotTomlError,
    UnreadableError,
    has_backslash,
    nearest_file,
    parse_layer,
    read_text,
)
from render.recipe.toml_text import Keys, key_text, printable, shown_value

MOST_FILES = 16
EXTENDS = ("extends",)


@dataclass(frozen=True)
class Gathered:
    """All files of one recipe, as far as they could be read, and what was wrong with the others."""

    origin: Origin | None
    tree: dict[str, object]
    problems: list[Problem]


def gather(path: Path, text: str | None = None) -> Gathered:
    """Read a recipe's file and all that it extends, and put them over one another.

    Parameters
    ----------
    path : Path
        The recipe's own file; `extends` is found from its folder.
    text : str, optional
        What stands in it, where it has been read already.

    Returns
    -------
    Gathered
        Its `origin` is None if not even the first file could be read.
    """
    layers, problems = _read_layers(path, text)
    if not layers:
        return Gathered(None, {}, problems)
    tree: dict[str, object] = {}
    left_out: list[str] = []
    for layer in reversed(layers):
        tree, dropped = _put_over(tree, layer.tree)
        left_out += dropped
    tree.pop("extends", None)
    return Gathered(Origin(tuple(layers), tuple(left_out)), tree, problems)


def with_paths(tree: dict[str, object], origin: Origin) -> dict[str, object]:
    """Copy of a tree in which impulse-response files are paths, found from the file that names them."""
    resolved = copy.deepcopy(tree)
    for keys in _file_keys(tree):
        name = value_at(tree, keys)
        entry = value_at(resolved, keys[:-1])
        if isinstance(entry, dict) and isinstance(name, str) and name and "\0" not in name:
            entry["file"] = _absolute(origin.layer_of(keys).path.parent / name)
    return resolved


def missing_files(resolved: dict[str, object]) -> dict[Keys, tuple[str, str]]:
    """Reason and fix for every impulse-response file that is not there."""
    missing = {}
    for keys in _file_keys(resolved):
        path = value_at(resolved, keys)
        if isinstance(path, Path) and not _is_file(path):
            near = nearest_file(path)
            fix = (
                f'did you mean "{near}", in the same folder?'
                if near
                else "paths start from the folder of the recipe"
            )
            if has_backslash(path):
                fix = SLASHES
            missing[keys] = (_not_there(path), fix)
    return missing


def _not_there(path: Path) -> str:
    """A file that is not there, and the folder it was looked for in."""
    name, folder = printable(path.name), printable(str(path.parent))
    if _is_folder(path.parent):
        return f"there is no file {name} in the folder {folder}"
    return f"there is no file {name}: the folder {folder} is not there either"


def _read_layers(path: Path, text: str | None) -> tuple[list[Layer], list[Problem]]:
    """Files from the recipe's own to the last that is extended, or up to the first that cannot be used."""
    layers: list[Layer] = []
    while True:
        try:
            layer = parse_layer(read_text(path) if text is None else text, path)
        except NotTomlError as error:
            return layers, [error.problem]
        except UnreadableError as error:
            return layers, [_unreadable_problem(layers, path, error)]
        layers.append(layer)
        if "extends" not in layer.tree:
            return layers, []
        if problem := _refused_base(layers):
            return layers, [problem]
        path, text = _base_path(layer), None


def _base_path(layer: Layer) -> Path:
    """File that a layer extends, without needless detours."""
    path = layer.path.parent / str(layer.tree["extends"])
    short = Path(os.path.normpath(path))
    return short if _absolute(short) == _absolute(path) else path  # a detour over a link is none


def _refused_base(layers: list[Layer]) -> Problem | None:
    """Why the last file read cannot extend what it names; None if it may."""
    layer = layers[-1]
    base = layer.tree["extends"]
    if not isinstance(base, str) or not base or "\0" in base:
        fix = 'write extends = "house.toml", at the top of the file'
        return _extends_problem(layer, "must be the name of another recipe in quotes", fix)
    path = _base_path(layer)
    if _absolute(path) in [_absolute(other.path) for other in layers]:
        names = " -> ".join(str(other.path) for other in layers)
        reason = f"recipes extend each other in a circle: {names} -> {path}"
        return _extends_problem(layer, reason, "take the line out of one of them")
    if len(layers) == MOST_FILES:
        reason = f"recipes extend each other over more than {MOST_FILES} files"
        return _extends_problem(layer, reason, "put some of them together")
    return None


def _unreadable_problem(layers: list[Layer], path: Path, error: UnreadableError) -> Problem:
    if not layers:
        return Problem(path, "", None, error.reason, error.fix, error.line)
    name = printable(str(path))
    where = name if error.line is None else f"{name}, line {error.line},"
    return _extends_problem(layers[-1], f"{where} {error.reason}", error.fix)


def _extends_problem(layer: Layer, reason: str, fix: str) -> Problem:
    value = shown_value(layer.tree["extends"])
    return Problem(layer.path, key_text(EXTENDS), value, reason, fix, layer.line(EXTENDS))


def _put_over(base: dict[str, object], over: dict[str, object]) -> tuple[dict[str, object], list[str]]:
    """One file over what it extends; two sources named in it stand instead of all that the others name."""
    tree = _merged(base, over)
    sources, named = tree.get("sources"), over.get("sources")
    if isinstance(sources, dict) and isinstance(named, dict) and len(named) == 2 < len(sources):
        tree["sources"] = {name: sources[name] for name in named}
        return tree, [name for name in sources if name not in named]
    return tree, []


def _merged(base: dict[str, object], over: dict[str, object]) -> dict[str, object]:
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        merged[key] = _merged(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def _file_keys(tree: dict[str, object]) -> list[Keys]:
    """Path of every `file` in a chain."""
    sources = tree.get("sources")
    chains: list[Keys] = [("sources", name, "chain") for name in sources] if isinstance(sources, dict) else []
    found: list[Keys] = []
    for keys in [*chains, ("stereo", "chain")]:
        chain = value_at(tree, keys)
        if isinstance(chain, list):
            found += [(*keys, index, "file") for index in range(len(chain))]
    return [keys for keys in found if value_at(tree, keys) is not MISSING]


def _absolute(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):  # a circle of links, a name that no file can have
        return path.absolute()


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False
