"""Evidence of a take out of an array, as `suggest` gathers it from files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from render.analysis.advice import TakeHum
from render.analysis.balance import measure_balance
from render.analysis.boom import measure_boom
from render.analysis.delay import measure_alignment
from render.analysis.hum import measure_hum
from render.analysis.meeting import TakeMeeting
from render.analysis.noise import measure_noise
from render.audio.array import Reals
from render.recipe.load import parse_recipe
from render.recipe.models import Recipe
from render.workflows.suggest.placing import find_roles
from render.workflows.suggest.plan import Plan, TakeEvidence, make_plan
from render.workflows.suggest.recipe_text import Told, fresh_recipe, fresh_text, like_text

RATE_HZ = 48_000


def evidence_of(audio: Reals, *, name: str = "take", rate_hz: int = RATE_HZ) -> TakeEvidence:
    """All that is measured of pickup and microphone, shape (frames, 2)."""
    first, second = (
        TakeHum(name, hum, noise.playing_dbfs)
        for hum, noise in zip(
            measure_hum(audio, sample_rate_hz=rate_hz),
            measure_noise(audio, sample_rate_hz=rate_hz),
            strict=True,
        )
    )
    found = measure_alignment(audio, sample_rate_hz=rate_hz)
    meeting = None
    if found.delay_s is not None and found.uncertainty_s is not None:
        meeting = TakeMeeting(1e3 * found.delay_s, 1e3 * found.uncertainty_s, found.polarity)
    return TakeEvidence(
        name=name,
        balance=measure_balance(audio, sample_rate_hz=rate_hz),
        hum=(first, second),
        resonances=measure_boom(audio, sample_rate_hz=rate_hz),
        pickup_resonances=measure_boom(audio, sample_rate_hz=rate_hz, source=0),
        meeting=meeting,
        sample_rate_hz=rate_hz,
    )


def plan_for(
    takes: Sequence[TakeEvidence], *, like: Recipe | None = None, width_db: float | None = None
) -> Plan:
    """Plan of a fresh recipe, or of one that begins with another."""
    base = like or fresh_recipe()
    return make_plan(takes, base=base, roles=find_roles(base), width_db=width_db, fresh=like is None)


def told_of(takes: Sequence[TakeEvidence]) -> Told:
    """What a recipe says of its making."""
    return Told(
        "session", tuple(take.name for take in takes), (), sum(take.balance.sound_s for take in takes), ()
    )


def written(
    plan: Plan, takes: Sequence[TakeEvidence], *, folder: Path, like: Recipe | None = None
) -> tuple[str, Recipe]:
    """The text of a plan, and what is read from it."""
    write = fresh_text if like is None else like_text
    text = write(plan, like or fresh_recipe(), told_of(takes), name="my guitar", folder=folder)
    return text, parse_recipe(text, folder / "my_guitar.toml")
