"""The recipes of a batch, each compiled once per sample rate."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from render.engine.job import Work
from render.engine.mix import ReadyRecipe, make_ready


class ReadyRecipes:
    """What is compiled already, and how the rest is; several may be made at the same time.

    Parameters
    ----------
    double_precision : bool
        Blocks in float64.
    tell : callable
        Told what is compiled, before it is.
    """

    def __init__(self, *, double_precision: bool, tell: Callable[[str], None]) -> None:
        self._double_precision, self._tell = double_precision, tell
        self._made: dict[tuple[int, int], ReadyRecipe] = {}

    def missing(self, works: Iterable[Work]) -> list[Work]:
        """One work for every recipe and sample rate among some that is not compiled yet."""
        kinds = {_kind(work): work for work in works}
        return [work for kind, work in kinds.items() if kind not in self._made]

    def make(self, work: Work) -> None:
        """Compile what a work needs."""
        recipe, sample_rate_hz = work.job.recipe, work.sample_rate_hz
        self._tell(f"{recipe.name} at {sample_rate_hz} Hz")
        self._made[_kind(work)] = make_ready(
            recipe, sample_rate_hz=sample_rate_hz, double_precision=self._double_precision
        )

    def of(self, work: Work) -> ReadyRecipe:
        """What a work needs; it must have been made."""
        return self._made[_kind(work)]


def _kind(work: Work) -> tuple[int, int]:
    return id(work.job.recipe), work.sample_rate_hz
