"""`drytake recipe check | show | plot`: read a recipe back."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from pathlib import Path

from render.cli.arguments import HelpText

DESCRIPTION = """\
Read a recipe back: its faults, all its values, its curves.
Without RECIPE, show and plot take the built-in one."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the calls."""
    parser = commands.add_parser(
        "recipe",
        help="check, show or plot a recipe",
        description=DESCRIPTION,
        formatter_class=HelpText,
    )
    kinds = parser.add_subparsers(dest="kind", metavar="check | show | plot", required=True)

    check = kinds.add_parser(
        "check", help="list every fault of one or more recipes", formatter_class=HelpText
    )
    check.add_argument("recipes", metavar="RECIPE", type=Path, nargs="+")
    check.add_argument("--json", action="store_true", help="print the faults as JSON")
    check.set_defaults(run=run_check)

    show = kinds.add_parser(
        "show", help="print every value with its range and where it comes from", formatter_class=HelpText
    )
    show.add_argument("recipe", metavar="RECIPE", type=Path, nargs="?")
    form = show.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print the values as JSON")
    form.add_argument("--toml", action="store_true", help="print one complete recipe, everything filled in")
    form.add_argument(
        "--schema", action="store_true", help="print the JSON Schema that editors complete recipes by"
    )
    show.set_defaults(run=run_show)

    plot = kinds.add_parser("plot", help="draw a recipe's curves into a PNG file", formatter_class=HelpText)
    plot.add_argument("recipe", metavar="RECIPE", type=Path, nargs="?")
    plot.add_argument("-o", "--output", metavar="PNG", type=Path, help="file to write (beside the recipe)")
    plot.add_argument("--rate", metavar="HZ", type=int, default=48_000, help="sample rate in Hz (48000)")
    plot.set_defaults(run=run_plot)


def run_check(chosen: argparse.Namespace) -> int:
    """Faults to standard error, a word for every sound recipe to standard output; 2 if there is a fault."""
    from render.errors import RecipeError
    from render.workflows.recipe import check_recipes

    try:
        sound = check_recipes(chosen.recipes)
    except RecipeError as error:
        if not chosen.json:
            raise
        print(json.dumps({"problems": [problem.as_dict() for problem in error.problems]}, indent=2))
        return 2
    if chosen.json:
        print(json.dumps({"problems": []}))
    else:
        for text in sound:
            print(text)
    return 0


def run_show(chosen: argparse.Namespace) -> int:
    """Values as a table, JSON or TOML; or the schema."""
    from render.recipe import recipe_json_schema
    from render.workflows import recipe

    if chosen.schema:
        print(json.dumps(recipe_json_schema(), indent=2))
    elif chosen.json:
        print(json.dumps(recipe.values(chosen.recipe), indent=2))
    elif chosen.toml:
        print(recipe.complete_toml(chosen.recipe), end="")
    else:
        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        sys.stdout.write(recipe.shown(chosen.recipe, width=width))
    return 0


def run_plot(chosen: argparse.Namespace) -> int:
    """Write the picture and say where it is."""
    from render.workflows.recipe import plot_recipe

    path = plot_recipe(chosen.recipe, output=chosen.output, sample_rate_hz=chosen.rate)
    print(f"{path}")
    return 0
