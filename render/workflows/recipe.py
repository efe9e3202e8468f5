"""Reading recipes back: faults, values, curves. ``None`` as path means the built-in recipe."""

from __future__ import annotations

import textwrap
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
    load_recipe,
    load_recipes,
    output_rate_hz,
    recipe_remarks,
)

RATES_HZ = range(8_000, 384_001)
LONGEST_SHOWN = 44
NARROWEST = 30  # a narrower window is filled as this one
MEANING_INDENT = 6


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
    recipes = load_recipes(paths)
    refuse_faults(recipes)
    return [
        text
        for path, recipe in zip(paths, recipes, strict=True)
        for text in (f"{path}: no faults", *(f"{path}: {remark}" for remark in recipe_remarks(recipe)))
    ]


def refuse_faults(recipes: Sequence[Recipe]) -> None:
    """Faults that show only when the files a recipe names are opened."""
    from render.engine.compile import check_impulse_responses

    problems = [problem for recipe in recipes if recipe.files for problem in check_impulse_responses(recipe)]
    if problems:
        raise RecipeError(problems)


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


def shown(path: Path | None, *, width: int | None = None) -> str:
    """Every key with value, origin, range and meaning, table by table, for people.

    One line a key; in a window of so many columns that is too narrow for it, two or three lines a key.
    """
    recipe = open_recipe(path)
    folder = recipe.path.parent.resolve() if recipe.path else None
    rows = [row for row in describe_recipe(recipe) if _last_key(row) != "stage"]
    stages = {_table_of(row): row.value for row in describe_recipe(recipe) if _last_key(row) == "stage"}
    cells = [(_last_key(row), _short_value(row, folder), _where(row, folder), row.allowed) for row in rows]
    widths = [min(max(map(len, column)), LONGEST_SHOWN) for column in zip(*cells, strict=True)]
    text: list[str] = []
    table = ""
    for row, parts in zip(rows, cells, strict=True):
        if _table_of(row) != table:
            table = _table_of(row)
            text.append(f"\n{_heading(table, stages)}")
        columns = [part.ljust(size) for part, size in zip(parts, widths, strict=True)]
        text.append("  " + "  ".join([*columns, row.description, row.note]).rstrip())
    if width is not None and max(map(len, text)) > width:
        text = _folded(rows, cells, stages, width=width)
    return "\n".join(text).lstrip("\n") + "\n"


def _folded(
    rows: Sequence[Row], cells: Sequence[tuple[str, str, str, str]], stages: dict[str, str], *, width: int
) -> list[str]:
    """Lines for a narrow window: key, value and where it comes from; below it what is allowed, and what it means."""
    text: list[str] = []
    table = ""
    keys = max(len(key) for key, *_ in cells)
    for row, (key, value, where, allowed) in zip(rows, cells, strict=True):
        if _table_of(row) != table:
            table = _table_of(row)
            text += ["", *_folded_line(_heading(table, stages), width, indent=0)]
        text += _folded_line(f"{key:{keys}}  {value:14}  ({where})", width, indent=2)
        words = [allowed, row.description, row.note]
        text += _folded_line("; ".join(word for word in words if word), width, indent=MEANING_INDENT)
    return text


def _folded_line(text: str, width: int, *, indent: int) -> list[str]:
    """A line, and if it is too long the rest of it below, further in."""
    return textwrap.wrap(
        text,
        max(width, NARROWEST),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent if indent == MEANING_INDENT else MEANING_INDENT + 2),
    )


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
    refuse_faults([recipe])
    sample_rate_hz = output_rate_hz(recipe.finish, sample_rate_hz)
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
    if target.suffix.lower() != ".png":
        raise UsageError(f"{target}: pictures are written as PNG; let the name end in .png")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        draw_recipe(recipe, target, sample_rate_hz=sample_rate_hz)
    except OSError as error:
        raise OutputError(f"{target}: cannot be written: {error.strerror or error}") from error
    return target


def _table_of(row: Row) -> str:
    """Where a key stands: `sources.mic`, `sources.mic.chain[0]`, or nothing for the head of the file."""
    return row.key.rpartition(".")[0]


def _heading(table: str, stages: dict[str, str]) -> str:
    return f"[{table}]" + (f"  {stages[table].strip(chr(34))}" if table in stages else "")


def _last_key(row: Row) -> str:
    return row.key.rpartition(".")[2]


def _where(row: Row, folder: Path | None) -> str:
    """`default`, `set`, or the file it is inherited from, by the shorter name."""
    if row.is_default or not row.inherited or row.set_in is None:
        return row.where
    return (
        str(row.set_in.relative_to(folder))
        if folder and row.set_in.is_relative_to(folder)
        else str(row.set_in)
    )


def _short_value(row: Row, folder: Path | None) -> str:
    """A value that fits a column: files from the recipe's folder, long words cut."""
    value = row.value
    if folder is not None:
        value = value.replace(f"{folder.as_posix()}/", "")
    return value if len(value) <= LONGEST_SHOWN else f"{value[: LONGEST_SHOWN - 4]} ..."
