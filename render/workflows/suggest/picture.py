"""The picture beside a suggested recipe: what is drawn, taken out of the plan."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from render.analysis.guitar import LOW_BAND_HZ, MIDDLE_BAND_HZ, THIRDS_HZ, excess_db, in_band, in_thirds
from render.audio.array import Reals
from render.errors import OutputError
from render.recipe.models import Recipe
from render.units import length_words
from render.workflows.suggest import words
from render.workflows.suggest.plan import Plan
from render.workflows.suggest.recipe_text import Told

NEEDS = 'no picture: it needs matplotlib: python -m pip install "drytake[plot]"'
FAINTEST_DB = -60.0


def draw_plan(plan: Plan, recipe: Recipe, told: Told, target: Path) -> tuple[Path | None, str]:
    """Draw before and after beside the recipe; the path, or None and why not.

    Raises
    ------
    OutputError
        If the picture cannot be written.
    """
    try:
        from render.pictures.suggestion import SourceSpectrum, Suggestion, draw_suggestion
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "matplotlib":
            raise
        return None, NEEDS
    pickup, microphone = plan.roles.names
    powers = (plan.pickup_power, plan.microphone_power)
    spectra = [
        SourceSpectrum(
            name=name,
            role=role,
            before_db=_thirds_db(plan, source, np.ones_like(powers[source])),
            after_db=_thirds_db(plan, source, powers[source]),
        )
        for source, (name, role) in enumerate(((pickup, "pickup"), (microphone, "microphone")))
    ]
    suggestion = Suggestion(
        title=recipe.title or recipe.name,
        facts=_facts(plan, told),
        thirds_hz=THIRDS_HZ,
        before_db=excess_db(plan.guitar),
        after_db=excess_db(plan.guitar, microphone=plan.microphone_power),
        low_hz=LOW_BAND_HZ,
        marks_hz=tuple(one.frequency_hz for one in plan.resonances),
        sources=(spectra[0], spectra[1]),
    )
    try:
        draw_suggestion(suggestion, recipe, target)
    except OSError as error:
        raise OutputError(f"{target}: cannot be written: {error.strerror or error}") from error
    return target, ""


def _thirds_db(plan: Plan, source: int, power: Reals) -> Reals:
    """Level of a source in third octaves with a response, against its own middle band as captured."""
    shape = plan.guitar.shape[source]
    middle = float(in_band(shape, MIDDLE_BAND_HZ, where=plan.guitar.usable_lines))
    thirds = in_thirds(shape * power) / middle
    level_db = np.full(len(thirds), np.nan)
    heard = thirds > 10.0 ** (FAINTEST_DB / 10.0)
    level_db[heard] = 10.0 * np.log10(thirds[heard])
    return level_db


def _facts(plan: Plan, told: Told) -> tuple[str, ...]:
    takes = "1 take" if len(told.takes) == 1 else f"{len(told.takes)} takes"
    facts = [f"{takes} of {told.session}, {length_words(told.sound_s)} of sound"]
    low = plan.low
    if low.low_before_db is not None and low.low_after_db is not None:
        facts.append(
            f"Lows of {plan.roles.names[1]} against {plan.roles.names[0]}: {words.level(low.low_before_db)} dB as "
            f"captured, {words.level(low.low_after_db)} dB with this recipe"
        )
        if over := words.still_over(low):
            facts.append(f"Still over by more than 3 dB: {over}")
    return tuple(facts)
