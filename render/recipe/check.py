"""What a recipe needs of a sample rate: known once the headers of the takes are read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from render.errors import Problem
from render.recipe.models import OPUS_RATE_HZ, Finish, Recipe, format_fault
from render.recipe.toml_text import Keys, key_text, shown_value
from render.recipe.values import allowed_values, plain
from render.recipe.walk import Leaf, leaves

CAPTURE_RATES_HZ = (44_100, 48_000, 88_200, 96_000)


def output_rate_hz(finish: Finish, capture_rate_hz: int) -> int:
    """Sample rate of the finished file, at which the recipe is compiled too."""
    return fixed_rate_hz(finish) or capture_rate_hz


def fixed_rate_hz(finish: Finish) -> int | None:
    """Sample rate that the recipe alone decides, whatever the takes have."""
    if finish.format == "opus":
        return OPUS_RATE_HZ
    return None if finish.sample_rate_hz == "keep" else finish.sample_rate_hz


def check_at_rate(recipe: Recipe, sample_rate_hz: int, *, take: str) -> list[Problem]:
    """Faults that a recipe has for a take of this sample rate.

    Parameters
    ----------
    recipe : Recipe
    sample_rate_hz : int
        Of the capture, as its header says; or of the output.
    take : str
        Name of the take, for the messages.

    Returns
    -------
    list of Problem
        Frequencies above 0.45 of the rate, and a format that cannot hold it; empty if all is well.
        Where the recipe decides the rate that of the take does not matter, and loading has checked it already.
    """
    if fixed_rate_hz(recipe.finish):
        return check_at_fixed_rate(recipe)
    problems = []
    for leaf, limit_hz in _too_high(recipe, sample_rate_hz):
        enough_hz = next(rate_hz for rate_hz in CAPTURE_RATES_HZ if highest_hz(rate_hz) >= leaf.value)
        reason = (
            f'{_range(leaf, limit_hz)} for take "{take}" ({sample_rate_hz} Hz; the limit is 0.45 of the rate)'
        )
        fix = f"{_lower(recipe, leaf, limit_hz)}, or render a capture of {enough_hz} Hz or more"
        problems.append(problem_at(recipe, leaf.keys, leaf.value, reason=reason, fix=fix, stage=leaf.stage))
    if fault := format_fault(recipe.finish.format, sample_rate_hz):
        reason = f'{fault}; take "{take}" has {sample_rate_hz} Hz'
        fix = "write sample_rate_hz = 48000 in [finish], or another format"
        problems.append(
            problem_at(recipe, ("finish", "format"), recipe.finish.format, reason=reason, fix=fix)
        )
    return problems


def check_at_fixed_rate(recipe: Recipe) -> list[Problem]:
    """Faults of a recipe at the sample rate that it decides itself; empty if it leaves that to the takes."""
    rate_hz = fixed_rate_hz(recipe.finish)
    if rate_hz is None:
        return []
    opus = recipe.finish.format == "opus"
    where = "for opus, which is always 48000 Hz" if opus else f"with finish.sample_rate_hz = {rate_hz}"
    problems = []
    for leaf, limit_hz in _too_high(recipe, rate_hz):
        reason = f"{_range(leaf, limit_hz)} {where} (the limit is 0.45 of the rate)"
        fix = _lower(recipe, leaf, limit_hz) + (
            ", or choose another format" if opus else ", or raise finish.sample_rate_hz"
        )
        problems.append(problem_at(recipe, leaf.keys, leaf.value, reason=reason, fix=fix, stage=leaf.stage))
    return problems


def highest_hz(sample_rate_hz: int) -> float:
    """Highest frequency a key may name: 0.45 of the rate, so that the curve has room below half the rate."""
    return sample_rate_hz * 9 / 20


def problem_at(
    recipe: Recipe, keys: Keys, value: object, reason: str, fix: str, *, stage: str = ""
) -> Problem:
    """Fault of one value of a recipe that has been loaded, such as a file that turns out to be of no use.

    Parameters
    ----------
    recipe : Recipe
    keys : tuple of str and int
        Key path of the value, as `leaves` gives it.
    value : object
        What stands there.
    reason, fix : str
        Why it is refused, and what to do.
    stage : str, optional
        Name of the stage, for keys within a chain.

    Returns
    -------
    Problem
        With the file and line where the value is written; of a recipe made in Python, its name and no line.
    """
    origin = recipe.origin
    context = f"{stage}; stages count from 0" if stage else ""
    if origin is None:
        return Problem(Path(recipe.name), key_text(keys), shown_value(value), reason, fix, None, context)
    layer = origin.layer_of(keys)
    return Problem(layer.path, key_text(keys), shown_value(value), reason, fix, layer.line(keys), context)


def _too_high(recipe: Recipe, sample_rate_hz: int) -> list[tuple[Leaf, float]]:
    limit_hz = highest_hz(sample_rate_hz)
    return [
        (leaf, limit_hz)
        for leaf in leaves(recipe)
        if leaf.name.endswith("_hz") and leaf.name != "sample_rate_hz" and leaf.value > limit_hz
    ]


def _range(leaf: Leaf, limit_hz: float) -> str:
    return f"must be {replace(allowed_values(type(leaf.owner), leaf.name), high=limit_hz).text}"


def _lower(recipe: Recipe, leaf: Leaf, limit_hz: float) -> str:
    origin = recipe.origin
    written = origin is None or origin.is_written(leaf.keys)
    return "lower it" if written else f"it has its default: write {leaf.name} = {plain(limit_hz)} or less"
