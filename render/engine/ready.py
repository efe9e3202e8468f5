"""The recipes of a batch, each compiled once per sample rate; a source that meets the other is moved take by take."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from render.engine.align import move_source
from render.engine.job import Work
from render.engine.meet import Moved
from render.engine.mix import ReadyRecipe, make_ready, plan_compiled


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
        """What a work needs; it must have been made.

        Where a source of this take is moved to meet the other, that is done now, and kept by nobody: ask once.
        """
        ready = self._made[_kind(work)]
        return (
            ready if work.moved is None else moved(ready, work.moved, double_precision=self._double_precision)
        )


def moved(ready: ReadyRecipe, move: Moved, *, double_precision: bool) -> ReadyRecipe:
    """The same recipe with the source that has "auto" where a take wants it.

    What the recipe itself says of that source is in the response already.
    """
    recipe = ready.recipe
    source = recipe.sources[move.source]
    delay_ms = move.delay_ms if source.delay_ms == "auto" else 0.0
    flip = source.polarity == "auto" and move.polarity == "flip"
    if delay_ms == 0.0 and not flip:
        return ready
    compiled = move_source(
        ready.compiled, source=list(recipe.sources).index(move.source), delay_ms=delay_ms, flip=flip
    )
    return plan_compiled(recipe, compiled, double_precision=double_precision)


def _kind(work: Work) -> tuple[int, int]:
    return id(work.job.recipe), work.sample_rate_hz
