"""What a recipe may do, yet seldom means: no faults, a word to the player."""

from __future__ import annotations

from render.recipe.models import Recipe


def recipe_remarks(recipe: Recipe) -> list[str]:
    """Remarks on a recipe that is sound.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    list of str
        One line each, without the name of the recipe; empty if there is nothing to remark on.
    """
    (one, first), (other, second) = recipe.sources.items()
    if first.channel == second.channel:
        return [f"sources {one} and {other} both read channel {first.channel}"]
    return []
