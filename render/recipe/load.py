"""Recipes from files: all faults of all recipes at once, or none."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from os import PathLike
from pathlib import Path

from pydantic import ValidationError

from render.errors import Problem, RecipeError
from render.recipe.check import check_at_fixed_rate
from render.recipe.faults import Written, problems_of, problems_together, sources_problem
from render.recipe.inherit import Gathered, gather, missing_files, with_paths
from render.recipe.models import Recipe
from render.recipe.origin import MISSING, value_at
from render.recipe.toml_text import Keys

BUILTIN = Path(__file__).with_name("builtin.toml")


def load_recipe(path: str | PathLike[str]) -> Recipe:
    """Read one recipe.

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    Recipe

    Raises
    ------
    RecipeError
        With every fault of the recipe and of what it extends.
    """
    return _recipe_of(gather(Path(path)))


def load_recipes(paths: Iterable[str | PathLike[str]]) -> list[Recipe]:
    """Read several recipes, whose mixes go into folders of their names.

    Raises
    ------
    RecipeError
        With every fault of every recipe, each once, and with names that two of them share.
    """
    files = [Path(path) for path in paths]
    recipes, problems = read_recipes(files)
    problems += _name_problems(files)
    if problems:
        raise RecipeError(problems)
    return recipes


def read_recipes(paths: Iterable[Path]) -> tuple[list[Recipe], list[Problem]]:
    """Recipes that are right, and every fault of the others, each once; names may be the same."""
    recipes: list[Recipe] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            recipes.append(load_recipe(path))
        except RecipeError as error:
            problems += [problem for problem in error.problems if problem not in problems]
    return recipes, problems


def parse_recipe(text: str, path: str | PathLike[str]) -> Recipe:
    """Read a recipe from a text, as if it stood in the file `path`; other files are found from that folder.

    Raises
    ------
    RecipeError
        With every fault.
    """
    return _recipe_of(gather(Path(path), text))


def builtin_recipe() -> Recipe:
    """Recipe for those who give none: a pickup in the middle, a microphone for the width, a moderate room."""
    return load_recipe(BUILTIN)


def _recipe_of(gathered: Gathered) -> Recipe:
    if gathered.origin is None:
        raise RecipeError(gathered.problems)
    written = Written(gathered.tree, gathered.origin)
    values = with_paths(gathered.tree, gathered.origin)
    recipe, found = _validated(values, written)
    for keys, (reason, fix) in missing_files(values).items():
        found.setdefault(keys, written.problem(keys, reason=reason, fix=fix))
    problems = gathered.problems + [
        problem
        for keys, problem in found.items()
        # what is not there may be in the file that could not be read
        if not gathered.problems or (value_at(gathered.tree, keys) is not MISSING and keys != ("sources",))
    ]
    if recipe is not None and not problems:
        recipe = recipe.with_origin(gathered.origin)
        problems = check_at_fixed_rate(recipe)
    if recipe is None or problems:
        raise RecipeError(_in_order(problems))
    return recipe


def _validated(values: dict[str, object], written: Written) -> tuple[Recipe | None, dict[Keys, Problem]]:
    """Recipe, or every fault by its key path."""
    count = sources_problem(written)
    found: dict[Keys, Problem] = {} if count is None else {("sources",): count}
    try:
        return Recipe.model_validate(values), found
    except ValidationError as error:
        found |= {keys: problem for keys, problem in problems_of(error, written).items() if keys not in found}
    # Faults between keys show only where all are right by themselves: look once more without the wrong ones.
    try:
        Recipe.model_validate(_without(values, set(found)))
    except ValidationError as error:
        found |= problems_together(error, set(found), written)
    return None, found


def _without(values: dict[str, object], wrong: set[Keys]) -> dict[str, object]:
    rest = copy.deepcopy(values)
    for keys in wrong - {()}:
        table = value_at(rest, keys[:-1])
        if isinstance(table, dict) and keys[-1] in table:
            del table[keys[-1]]
    return rest


def _in_order(problems: list[Problem]) -> list[Problem]:
    """Problems as one reads: file by file, from top to bottom."""
    files = list(dict.fromkeys(problem.path for problem in problems))
    return sorted(problems, key=lambda problem: (files.index(problem.path), problem.line or 0))


def _name_problems(paths: list[Path]) -> list[Problem]:
    problems = []
    seen: dict[str, Path] = {}
    for path in paths:
        name = path.stem.lower()  # folders that differ in case only are one on many systems
        if not name.strip(". "):
            problems.append(
                Problem(path, "", None, "has no name that a folder could have", "rename the recipe")
            )
        elif name in seen:
            reason = f"has the same name as {seen[name]}, and the mixes go into a folder of that name"
            problems.append(Problem(path, "", None, reason, "rename one of them, or name it once only"))
        seen.setdefault(name, path)
    return problems
