"""Chains that are changed: stages of a recipe that stay, stages of ours that come in their place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import assert_never

from render.analysis.moves import HighPassMove, Move, NotchMove, PeakMove, ShelfMove
from render.recipe.models import HighPass, LowShelf, Notch, Peaking, Stage


@dataclass(frozen=True)
class Placed:
    """A stage of a chain: what it is, why, and whether it was there before."""

    stage: Stage
    words: str = ""
    is_kept: bool = False


def kept(chain: Sequence[Stage]) -> list[Placed]:
    """A chain as it is."""
    return [Placed(stage, is_kept=True) for stage in chain]


def stage_of(move: Move) -> Stage:
    """The stage that a move is."""
    match move:
        case HighPassMove():
            values = {"cutoff_hz": move.cutoff_hz, "slope_db_per_octave": move.slope_db_per_octave}
            return HighPass.model_validate({"stage": "high-pass", **values})
        case ShelfMove():
            return LowShelf(stage="low-shelf", corner_hz=move.corner_hz, gain_db=move.gain_db, q=move.q)
        case PeakMove():
            return Peaking(stage="peaking", centre_hz=move.centre_hz, gain_db=move.gain_db, q=move.q)
        case NotchMove():
            return Notch(stage="notch", centre_hz=move.centre_hz, q=move.q)
        case _:
            assert_never(move)


def put_in(
    chain: Sequence[Placed],
    ours: Sequence[Placed],
    *,
    only: Callable[[Stage], bool],
    otherwise_last: bool = False,
) -> list[Placed]:
    """Replace some stages of a chain by ours, where the first of them stood.

    Parameters
    ----------
    chain : sequence of Placed
    ours : sequence of Placed
    only : callable
        Whether a stage is one of those that are replaced.
    otherwise_last : bool
        Where ours go if the chain has none of those: behind everything, else before.
    """
    places = [index for index, placed in enumerate(chain) if only(placed.stage)]
    rest = [placed for placed in chain if not only(placed.stage)]
    at = places[0] if places else (len(chain) if otherwise_last else 0)
    return [*rest[:at], *ours, *rest[at:]]
