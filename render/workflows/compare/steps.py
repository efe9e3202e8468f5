"""One recipe cut after each of its parts, so that one hears what every part contributes.

Each step is a recipe of its own, made from the models, and compiled as any other.
"""

from __future__ import annotations

from render.recipe.models import Recipe, Source, Stereo
from render.workflows.compare.choices import Choice

_HALF_DB = -6.020599913279624
"""A source alone stands in both places of a recipe, each at half its level."""


def step_choices(recipe: Recipe) -> list[Choice]:
    """Each source as it came, each with its chain, both in the middle, in stereo, with the room, finished.

    Steps that a recipe has not (no room) are left out. The last has the recipe's own limiter; no other has any.
    """
    steps: list[tuple[str, Recipe, bool]] = []
    for name, source in recipe.sources.items():
        bare = source.model_copy(update={"chain": ()})
        steps.append((f"{name} alone, as it came", _alone(recipe, bare), False))
    steps += [
        (f"{name} alone, with its chain", _alone(recipe, source), False)
        for name, source in recipe.sources.items()
    ]
    middle = {name: source.model_copy(update={"place": "mid"}) for name, source in recipe.sources.items()}
    steps.append(
        (
            "both in the middle",
            recipe.model_copy(update={"sources": middle, "stereo": Stereo(), "room": None}),
            False,
        )
    )
    steps.append(("placed in stereo", recipe.model_copy(update={"room": None}), False))
    if recipe.room is not None:
        steps.append(("with the room", recipe, False))
    steps.append(("finished, with its limiter", recipe, True))
    return [Choice(text, text, made, limited=limited, finished=limited) for text, made, limited in steps]


def _alone(recipe: Recipe, source: Source) -> Recipe:
    """One source in the middle and nothing else: what it is set against, and by how much, plays no part."""
    half = source.model_copy(
        update={"place": "mid", "gain_db": _HALF_DB, "polarity": "keep", "delay_ms": 0.0}
    )
    sources = dict.fromkeys(recipe.sources, half)
    return recipe.model_copy(update={"sources": sources, "stereo": Stereo(), "room": None})
