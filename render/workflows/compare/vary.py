"""Variants of a recipe: values of a key, all combinations of several keys, refused as a recipe's own would be."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from render.errors import Problem, RecipeError, UsageError
from render.recipe.check import check_at_fixed_rate
from render.recipe.faults import Written, problems_of
from render.recipe.hints import nearest
from render.recipe.models import Recipe
from render.recipe.origin import Layer, Origin
from render.recipe.toml_text import Keys, key_text, shown_value
from render.recipe.values import plain
from render.workflows.compare.choices import MOST_CHOICES, Choice
from render.workflows.compare.difference import difference_labels, value_words

_EXAMPLE = "--vary sources.mic.gain_db=-12,-6,0"
_PART = re.compile(r"\.?([A-Za-z0-9_-]+)|\[([0-9]{1,4})\]")
_WHOLE = re.compile(r"[-+]?[0-9]{1,18}")


@dataclass(frozen=True)
class Variation:
    """One key of a recipe and the values that it takes."""

    keys: Keys
    values: tuple[float, ...]


def parse_variation(text: str) -> Variation:
    """Read `sources.mic.gain_db=-12,-6,0`.

    Raises
    ------
    UsageError
        If it is not of this form.
    """
    key, equals, values = text.partition("=")
    keys = _keys(key.strip())
    if not equals or not keys:
        raise UsageError(f"--vary {text}: is no key of a recipe with values; write for example {_EXAMPLE}")
    numbers = tuple(_number(text, part.strip()) for part in values.split(","))
    for number in numbers:
        if numbers.count(number) > 1:
            raise UsageError(f"--vary {text}: {plain(number)} stands there twice")
    return Variation(keys, numbers)


def vary_choices(choices: Sequence[Choice], variations: Sequence[Variation]) -> list[Choice]:
    """Every combination of values, of every choice.

    Raises
    ------
    UsageError
        If a key is named twice, or there would be too many.
    RecipeError
        With every value that a recipe refuses.
    """
    named = [key_text(variation.keys) for variation in variations]
    for key in named:
        if named.count(key) > 1:
            raise UsageError(f"--vary {key}: is there twice; put all values behind one, with commas")
    labels = difference_labels(choices[0].recipe, [variation.keys for variation in variations])
    count = len(choices) * math.prod(len(variation.values) for variation in variations)
    if count >= MOST_CHOICES:
        raise UsageError(f"--vary makes {count} versions; {MOST_CHOICES - 1} at most beside the capture")
    varied: list[Choice] = []
    problems: list[Problem] = []
    for choice in choices:
        for values in itertools.product(*(variation.values for variation in variations)):
            changes = [(variation.keys, value) for variation, value in zip(variations, values, strict=True)]
            try:
                recipe = set_values(choice.recipe, changes)
            except RecipeError as error:
                problems += [problem for problem in error.problems if problem not in problems]
                continue
            words = ", ".join(
                f"{label} {value_words(keys, value)}"
                for label, (keys, value) in zip(labels, changes, strict=True)
            )
            if len(choices) == 1:
                varied.append(replace(choice, name=words, title=words, recipe=recipe))
            else:
                name, title = f"{choice.name}, {words}", f"{choice.title}, {words}"
                varied.append(replace(choice, name=name, title=title, recipe=recipe))
    if problems:
        raise RecipeError(_together(problems))
    return varied


def _together(problems: Sequence[Problem]) -> list[Problem]:
    """What is refused for one reason, told once, with all values."""
    alike: dict[Problem, list[object]] = {}
    for problem in problems:
        alike.setdefault(replace(problem, value=None), []).append(problem.value)
    return [
        replace(problem, value=", ".join(map(str, values)) if len(values) > 1 else values[0])
        for problem, values in alike.items()
    ]


def set_values(recipe: Recipe, changes: Sequence[tuple[Keys, float]]) -> Recipe:
    """The same recipe with other values.

    Raises
    ------
    RecipeError
        With every fault: key, value, what is allowed.
    """
    tree = _lists(recipe.model_dump())
    problems = [problem for keys, value in changes if (problem := _put(recipe, tree, keys, value))]
    if problems:
        raise RecipeError(problems)
    path = recipe.path
    origin = recipe.origin
    try:
        varied = Recipe.model_validate(tree)
    except ValidationError as error:
        name = _problem(recipe, (), "", "").path
        written = Written(tree, Origin((Layer(name, "", tree),)))
        raise RecipeError([_marked(problem) for problem in problems_of(error, written).values()]) from error
    if origin is not None and path is not None:
        varied = varied.with_origin(origin)
    problems = [_marked(problem) for problem in check_at_fixed_rate(varied)]
    if problems:
        raise RecipeError(problems)
    return varied


def _keys(text: str) -> Keys:
    """Key path, empty if it is none."""
    keys: list[str | int] = []
    at = 0
    for part in _PART.finditer(text):
        if part.start() != at or (text[at] not in ".[") != (at == 0):
            return ()
        keys.append(part[1] if part[2] is None else int(part[2]))
        at = part.end()
    return tuple(keys) if at == len(text) and keys and isinstance(keys[0], str) else ()


def _number(text: str, part: str) -> float:
    if _WHOLE.fullmatch(part):
        return int(part)
    try:
        number = float(part)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"--vary {text}: {part!r} is no number; only numeric keys can be varied")
    return number


def _lists(value: Any) -> Any:
    """Plain values as a reader of TOML gives them."""
    if isinstance(value, dict):
        return {key: _lists(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_lists(item) for item in value]
    return value


def _put(recipe: Recipe, tree: Any, keys: Keys, value: float) -> Problem | None:
    """Put a value under its key; tell why that cannot be done."""
    place = tree
    for depth, key in enumerate(keys[:-1]):
        so_far = keys[: depth + 1]
        inner = _inside(place, key)
        if inner is not None:
            place = inner
        else:
            return _problem(recipe, keys, value, *_no_place(place, so_far, tree, keys))
    if not isinstance(place, dict) or not isinstance(keys[-1], str):
        return _problem(recipe, keys, value, "is no key that holds a number", f"write for example {_EXAMPLE}")
    place[keys[-1]] = value
    return None


def _inside(place: Any, key: str | int) -> Any:
    """Table or stage under a key; None if there is none."""
    if isinstance(place, list):
        return place[key] if isinstance(key, int) and key < len(place) else None
    inner = place.get(key)
    return inner if isinstance(inner, dict | list) else None


def _no_place(place: Any, so_far: Keys, tree: Any, keys: Keys) -> tuple[str, str]:
    """Reason and fix for a path that leads nowhere."""
    name = key_text(so_far)
    if isinstance(place, list):
        stages = f"it has {len(place)}, counted from 0" if place else "it has none"
        return f"there is no {name} in this recipe: {stages}", "name a stage that is there"
    known = [key for key, value in _tables(place)]
    if isinstance(place, dict) and so_far[-1] in place:
        return f"this recipe has no table [{name}]", "write that table into the recipe first"
    near = nearest(str(so_far[-1]), known)
    written = key_text(keys)
    there = [key_text(path) for path in _paths(tree)]
    fitting = [path for path in there if path.endswith(f".{written}")]
    if near is not None:
        mended = key_text((*so_far[:-1], near, *keys[len(so_far) :]))
        fitting += [mended] if mended in there else [near]
    meant = f'; did you mean "{fitting[0]}"?' if fitting else ""
    return f"there is no {name} in this recipe{meant}", f"known here: {', '.join(known) or 'nothing'}"


def _paths(place: Any, before: Keys = ()) -> Iterator[Keys]:
    """Path of every value in a tree."""
    if isinstance(place, dict | list):
        for key, value in place.items() if isinstance(place, dict) else enumerate(place):
            yield from _paths(value, (*before, key))
    else:
        yield before


def _tables(place: Any) -> Iterator[tuple[str, object]]:
    if isinstance(place, dict):
        yield from ((key, value) for key, value in place.items() if isinstance(value, dict | list))


def _problem(recipe: Recipe, keys: Keys, value: object, reason: str, fix: str = "") -> Problem:
    return Problem(
        recipe.path or Path(recipe.name), key_text(keys), shown_value(value), reason, fix, None, "--vary"
    )


def _marked(problem: Problem) -> Problem:
    """Told as a recipe's fault, but as one of the call: no line of the file holds this value."""
    context = f"--vary; {problem.context}" if problem.context else "--vary"
    return replace(problem, line=None, context=context)
