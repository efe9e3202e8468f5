"""Reading recipes back: faults, values, curves. ``None`` as path means the built-in recipe."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from render.errors import OutputError, RecipeError, UsageError
from render.recipe import (
    Recipe,
    Row,
    builtin_recipe,
    check_at_rate,
    describe_recipe,
    dump_recipe,
    estimate_response_s,
    load_recipe,
    load_recipes,
)

RATES_HZ = range(8_000, 384_001)


def open_recipe(path: Path | None) -> Recipe:
    """One recipe, or the built-in one."""
    return builtin_recipe() if path is None else load_recipe(path)


def check_recipes(paths: Sequence[Path]) -> list[str]:
    """A line for every recipe if all are sound.

    Raises
    ------
    RecipeError
        With every fault of all of them.
    """
    return [
        f"{path}: no faults; rings for up to {estimate_response_s(recipe):.1f} s, its impulse responses not counted"
        if recipe.files
        else f"{path}: no faults; rings for up to {estimate_response_s(recipe):.1f} s"
        for path, recipe in zip(paths, load_recipes(paths), strict=True)
    ]


def complete_toml(path: Path | None) -> str:
    """The recipe as one file with everything filled in."""
    return dump_recipe(open_recipe(path))


def values(path: Path | None) -> dict[str, Any]:
    """The recipe's values, and where each comes from, as plain data."""
    recipe = open_recipe(path)
    return {
        "recipe": recipe.model_dump(mode="json"),
        "keys": [
            {
                "key": row.key,
                "value": row.value,
                "allowed": row.allowed,
                "where": row.where,
                "description": row.description,
                "note": row.note,
            }
            for row in describe_recipe(recipe)
        ],
    }


def shown(path: Path | None) -> str:
    """Every key with value, range, origin and meaning, for people."""
    rows = describe_recipe(open_recipe(path))
    widths = [
        max(len(text) for text in column)
        for column in zip(*((row.key, row.value, row.where) for row in rows), strict=True)
    ]
    return "".join(_shown_row(row, widths) for row in rows)


def plot_recipe(path: Path | None, *, output: Path | None, sample_rate_hz: int) -> Path:
    """Draw a recipe's curves; return where the picture is.

    Raises
    ------
    RecipeError
        If the recipe has faults, or does not fit the sample rate.
    UsageError
        If the sample rate is out of range, or matplotlib is not installed.
    OutputError
        If the picture cannot be written.
    """
    if sample_rate_hz not in RATES_HZ:
        raise UsageError(f"--rate {sample_rate_hz}: must be {RATES_HZ.start} to {RATES_HZ.stop - 1} Hz")
    recipe = open_recipe(path)
    problems = check_at_rate(recipe, sample_rate_hz, take=f"a take of {sample_rate_hz} Hz")
    if problems:
        raise RecipeError(problems)
    try:
        from render.pictures.recipe import draw_recipe
    except ModuleNotFoundError as error:
        if error.name != "matplotlib":
            raise
        raise UsageError('pictures need matplotlib: python -m pip install "drytake[plot]"') from error
    target = output or Path(f"{recipe.name}.png" if path is None else path.with_suffix(".png"))
    try:
        draw_recipe(recipe, target, sample_rate_hz=sample_rate_hz)
    except OSError as error:
        raise OutputError(f"{target}: cannot be written: {error.strerror or error}") from error
    return target


def _shown_row(row: Row, widths: list[int]) -> str:
    cells = [text.ljust(width) for text, width in zip((row.key, row.value, row.where), widths, strict=True)]
    allowed = f"[{row.allowed}]" if row.allowed else ""
    return "  ".join(filter(None, [*cells, allowed, row.description, row.note])).rstrip() + "\n"
