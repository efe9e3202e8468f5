"""Takes of one guitar of which some have their two tracks the other way round, and no majority says which.

Beside `sessions`, which goes by what most takes of a session say: of two takes, or of half against half, none is the
odd one. What is told is that they differ, held against the same limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from render.analysis.likeness import FAR_DB, distance_db
from render.analysis.profile import Profile
from render.engine.opposite import is_opposite

HALVED = 0.5
"""Exchanged takes come nearer to their session by this factor or a smaller one when they are turned round."""


@dataclass(frozen=True, eq=False)
class Sided:
    """A take as it is compared: ratio of its sources, and by how much the second is later, None if not reliable."""

    profile: Profile
    later_ms: float | None = None
    uncertainty_ms: float = 0.0


def other_way_round(takes: Sequence[Sided]) -> list[tuple[int, ...]]:
    """For each take those that have their tracks the other way round.

    Parameters
    ----------
    takes : sequence of Sided
        Of one session, each with two live sources.

    Returns
    -------
    list of tuple of int
        Empty where there are none, where the takes contradict each other, and for takes in the majority.
    """
    found: list[tuple[int, ...]] = [()] * len(takes)
    exchanged = [[one is not two and _exchanged(one, two) for two in takes] for one in takes]
    first = next((at for at, others in enumerate(exchanged) if any(others)), None)
    if first is None:
        return found
    there = _true_at(exchanged[first])
    here = _true_at(exchanged[there[0]])
    for one, is_exchanged in enumerate(exchanged):
        expected = there if one in here else here if one in there else []
        if _true_at(is_exchanged) != expected:
            return found
    for mine, others in ((here, there), (there, here)):
        if len(mine) <= len(others):
            for one in mine:
                found[one] = tuple(others)
    return found


def _true_at(values: Sequence[bool]) -> list[int]:
    return [at for at, value in enumerate(values) if value]


def _exchanged(one: Sided, other: Sided) -> bool:
    """Whether two takes are far apart as they are, and alike if one is turned round."""
    apart_db = distance_db(one.profile, other.profile)
    crossed_db = distance_db(one.profile, other.profile.mirrored)
    turned = None
    if one.later_ms is not None and other.later_ms is not None:
        uncertainty_ms = one.uncertainty_ms + other.uncertainty_ms
        turned = is_opposite(one.later_ms, uncertainty_ms, other.later_ms)
    by_spectra = turned is not False and apart_db >= FAR_DB > crossed_db and crossed_db <= HALVED * apart_db
    by_delay = turned is True and crossed_db < min(FAR_DB, apart_db)
    return by_spectra or by_delay
