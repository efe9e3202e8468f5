"""What a recipe may say: models, loading, inheritance, messages. No numpy here.

load.py       recipes from files and texts: all faults of all of them at once
models.py     tables, keys, ranges, defaults; chain.py has the stages
inherit.py    `extends`; reading.py reads one file, origin.py knows who said what, lines.py in which line
faults.py     faults in words; hints.py advises
check.py      what a recipe needs of a sample rate
remarks.py    what is no fault, yet seldom meant
cost.py       how long it rings, before anything is computed
walk.py       every value with its key path
describe.py   every value with range and meaning; dump.py writes TOML, schema.py a JSON Schema
"""

from __future__ import annotations

from render.recipe.check import check_at_rate, output_rate_hz, problem_at
from render.recipe.cost import estimate_response_s
from render.recipe.describe import Row, describe_recipe
from render.recipe.dump import dump_recipe
from render.recipe.load import builtin_recipe, load_recipe, load_recipes, parse_recipe
from render.recipe.models import Recipe
from render.recipe.remarks import recipe_remarks
from render.recipe.schema import recipe_json_schema
from render.recipe.walk import Leaf, leaves

__all__ = [
    "Leaf",
    "Recipe",
    "Row",
    "builtin_recipe",
    "check_at_rate",
    "describe_recipe",
    "dump_recipe",
    "estimate_response_s",
    "leaves",
    "load_recipe",
    "load_recipes",
    "output_rate_hz",
    "parse_recipe",
    "problem_at",
    "recipe_json_schema",
    "recipe_remarks",
]
