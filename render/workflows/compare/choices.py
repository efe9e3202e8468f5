"""What is compared: the dry capture, and every recipe, varied or step by step where the call asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from render.errors import UsageError
from render.recipe.models import Finish, Recipe, Source

CAPTURE = "capture"
CAPTURE_TITLE = "The capture as it came, both tracks in the middle"
MOST_CHOICES = 26
FADE_MS = 20.0
"""At both ends of every excerpt, the same for all versions."""

_AS_IT_IS = Finish(
    loudness_lufs="keep", tail_s=0.0, fade_in_ms=FADE_MS, fade_out_ms=FADE_MS, bit_depth="float"
)


@dataclass(frozen=True, eq=False)
class Choice:
    """One version of every take.

    Attributes
    ----------
    name : str
        By which votes, tables and `compare.json` know it.
    title : str
        For people.
    recipe : Recipe
        That makes it; the capture is a recipe too.
    limited : bool
        Whether the recipe's own limiter is part of what is heard: only of the last of several steps.
    finished : bool
        Whether the recipe is whole, so that its limiter says something of this version: not of parts of one.
    """

    name: str
    title: str
    recipe: Recipe
    limited: bool = False
    finished: bool = True

    @property
    def is_capture(self) -> bool:
        """Whether it is the dry capture."""
        return self.name == CAPTURE

    @property
    def linear(self) -> Recipe:
        """Its recipe without level, limiter, trims and tails, at the capture's own rate."""
        return self.recipe.model_copy(update={"finish": _AS_IT_IS})


def capture_choice(like: Recipe) -> Choice:
    """The dry capture: the channels that a recipe names, both in the middle, at equal gain."""
    first, second = like.sources.values()
    sources = {"first": Source(channel=first.channel), "second": Source(channel=second.channel)}
    return Choice(CAPTURE, CAPTURE_TITLE, Recipe(sources=sources), finished=False)


def recipe_choice(recipe: Recipe) -> Choice:
    """A recipe as it stands."""
    return Choice(recipe.name, recipe.title or recipe.name, recipe)


def with_capture(choices: Sequence[Choice], *, like: Recipe) -> list[Choice]:
    """The capture first, of the channels that a recipe names, then all others.

    Raises
    ------
    UsageError
        If names are the same, or there are too many for a listener.
    """
    every = [capture_choice(like), *choices]
    names = [choice.name for choice in every]
    for name in names:
        if names.count(name) > 1:
            fix = "rename that recipe: the dry take has this name" if name == CAPTURE else "name it once only"
            raise UsageError(f'two versions would be called "{name}"; {fix}')
    if len(every) > MOST_CHOICES:
        raise UsageError(
            f"{len(every)} versions with the capture; {MOST_CHOICES} at most: "
            "name fewer recipes, or fewer values with --vary"
        )
    return every


def common_target_lufs(choices: Sequence[Choice]) -> float | None:
    """Loudness that all recipes ask for, if it is one and the same."""
    wanted = {choice.recipe.finish.loudness_lufs for choice in choices if not choice.is_capture}
    if len(wanted) == 1:
        (loudness,) = wanted
        if loudness != "keep":
            return float(loudness)
    return None
