"""Recipes as versions, each with a name and a title of its own, wherever their files lie."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from render.errors import RecipeError, UsageError
from render.recipe.load import builtin_recipe, read_recipes
from render.workflows.compare.choices import Choice, recipe_choice
from render.workflows.recipe import refuse_faults


def load_choices(paths: Sequence[Path]) -> list[Choice]:
    """The recipes that a call names, or the built-in one.

    Two files of one name are told apart by their folders: two states of one recipe are a common thing to compare.

    Raises
    ------
    RecipeError
        With every fault of every recipe.
    UsageError
        If one file is named twice.
    """
    if not paths:
        return [recipe_choice(builtin_recipe())]
    whole = [path.resolve() for path in paths]
    for path, count in Counter(whole).items():
        if count > 1:
            raise UsageError(
                f"-r {paths[whole.index(path)]}: is there twice; both would sound alike: name it once"
            )
    recipes, problems = read_recipes(paths)
    if problems:
        raise RecipeError(problems)
    refuse_faults(recipes)
    choices = [
        replace(recipe_choice(recipe), name=name)
        for recipe, name in zip(recipes, names_of(whole), strict=True)
    ]
    titles = Counter(choice.title for choice in choices)
    return [
        choice if titles[choice.title] == 1 else replace(choice, title=_with_name(choice))
        for choice in choices
    ]


def names_of(paths: Sequence[Path]) -> list[str]:
    """Stems of files, with as many folders before them as make them differ: `monday/warm`, `tuesday/warm`."""
    names = []
    for path in paths:
        parts = path.with_suffix("").parts
        alike = [other.with_suffix("").parts for other in paths if other != path and other.stem == path.stem]
        depth = 1
        while depth < len(parts) and any(other[-depth:] == parts[-depth:] for other in alike):
            depth += 1
        names.append("/".join(parts[-depth:]))
    return names


def _with_name(choice: Choice) -> str:
    return f"{choice.title} ({choice.name})" if choice.recipe.title else choice.name
