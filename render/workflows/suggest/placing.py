"""Which source of a recipe is the pickup, which the microphone, and what each becomes on its way to mid and side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from render.analysis.balance import LINES_HZ
from render.audio.array import Reals
from render.engine.compile import SIDE_SLOPE_DB_PER_OCTAVE
from render.engine.respond import chain_power
from render.recipe.models import HighPass, Recipe, Source
from render.units import power_from_db

MICROPHONE_WORDS = ("mic", "air", "inside", "room")


@dataclass(frozen=True)
class Roles:
    """Names of the sources: pickup and microphone, in this order; and which of them is the side, if one is."""

    names: tuple[str, str]
    side: str | None

    def mover(self, recipe: Recipe) -> str:
        """The source that is moved to meet the other: the one that a recipe moves already, else the microphone."""
        if recipe.auto_source is not None:
            return recipe.auto_source
        moved = [name for name in self.names if recipe.sources[name].own_delay_ms != 0.0]
        return moved[0] if len(moved) == 1 else self.names[1]


def find_roles(recipe: Recipe) -> Roles:
    """Tell the microphone from the pickup by what the recipe says.

    The microphone is the source at the side; where none is, the one whose name says so; else the second.
    """
    first, second = recipe.sources
    sides = [name for name in recipe.sources if recipe.sources[name].place == "side"]
    named = [name for name in recipe.sources if any(word in name.lower() for word in MICROPHONE_WORDS)]
    microphone = second
    if len(sides) == 1:
        microphone = sides[0]
    elif len(named) == 1:
        microphone = named[0]
    pickup = first if microphone == second else second
    other_in_middle = len(sides) == 1 and all(
        _is_mid(source) for name, source in recipe.sources.items() if name != sides[0]
    )
    return Roles((pickup, microphone), sides[0] if other_in_middle else None)


def ways(recipe: Recipe, *, chain_powers: Mapping[str, Reals], roles: Roles) -> tuple[Reals, Reals]:
    """Power responses from the source in the middle to mid, and from the one at the side to side.

    Parameters
    ----------
    recipe : Recipe
    chain_powers : mapping of str to float64, shape (lines,)
        Of each source's chain.
    roles : Roles
        One source stands at the side, the other in the middle.

    Returns
    -------
    mid, side : float64, shape (lines,)
        Up to the room; the side source's own gain left out.
    """
    if roles.side is None:
        raise ValueError("roles must have a source at the side")
    middle = next(name for name in roles.names if name != roles.side)
    shared = chain_power(recipe.stereo.chain)
    mid = chain_powers[middle] * power_from_db(recipe.sources[middle].gain_db) * shared
    side = chain_powers[roles.side] * shared
    if recipe.stereo.side_gain_db != "off":
        side = side * power_from_db(recipe.stereo.side_gain_db)
    if recipe.stereo.side_high_pass_hz:
        values = {
            "cutoff_hz": recipe.stereo.side_high_pass_hz,
            "slope_db_per_octave": SIDE_SLOPE_DB_PER_OCTAVE,
        }
        side = side * chain_power(
            [HighPass.model_validate({"stage": "high-pass", **values})], np.asarray(LINES_HZ)
        )
    return mid, side


def _is_mid(source: Source) -> bool:
    return source.place in ("mid", 0.0)
