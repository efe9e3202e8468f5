"""What "auto" comes to in the takes of a session."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from render.analysis.delay import PHASE_HZ, Alignment, Curves
from render.analysis.drift import Steadiness
from render.engine.meet import Moved, as_the_others, meet
from render.recipe.models import Recipe

NOTHING = np.zeros(0)
PHASES = np.exp(1j * np.linspace(0.0, 3.0, len(PHASE_HZ)))


def alignment(
    delay_s: float | None,
    *,
    uncertainty_s: float | None = 1e-5,
    polarity: int | None = 1,
    sureness: float = 0.8,
    steadiness: Steadiness | None = None,
    duration_s: float = 60.0,
) -> Alignment:
    """What a take may say."""
    known = delay_s is not None
    return Alignment(
        delay_s=delay_s,
        uncertainty_s=uncertainty_s if known else None,
        polarity=polarity,
        polarity_sureness=sureness,
        reason=None if known else "no-coherence",
        height=0.8,
        steadiness=steadiness or Steadiness(),
        likeness=None,
        curves=Curves(NOTHING, NOTHING, NOTHING, np.arange(0.5, 20.0) * duration_s / 20.0, NOTHING),
        phasors=np.asarray(PHASES * (polarity or 0) if known else 0.0 * PHASES, np.complex128),
    )


def recipe(
    *, first: Mapping[str, object] | None = None, second: Mapping[str, object] | None = None
) -> Recipe:
    """A pickup and a microphone at the side."""
    return Recipe.model_validate(
        {
            "sources": {
                "pickup": {"channel": 1, **(first or {})},
                "mic": {"channel": 2, "place": "side", **(second or {})},
            }
        }
    )


BOTH = {"delay_ms": "auto", "polarity": "auto"}


def test_the_later_source_goes_back() -> None:
    """By what was measured, with its uncertainty."""
    (moved,) = meet(recipe(second=BOTH), [alignment(0.4e-3, polarity=-1)])
    assert moved == Moved("mic", -0.4, 0.01, "flip", "take", "take")
    assert moved.remarks() == []


def test_the_earlier_source_waits() -> None:
    """If it is the one with "auto"."""
    (moved,) = meet(recipe(first=BOTH), [alignment(0.4e-3)])
    assert (moved.source, moved.delay_ms, moved.polarity) == ("pickup", 0.4, "keep")


def test_the_other_source_is_met_where_it_is_put() -> None:
    """Its own delay and polarity count."""
    (moved,) = meet(
        recipe(first={"delay_ms": 2.0, "polarity": "flip"}, second=BOTH), [alignment(0.4e-3, polarity=1)]
    )
    assert (moved.delay_ms, moved.polarity) == (1.6, "flip")


def test_a_value_that_the_recipe_says_stays() -> None:
    """Only what says "auto" is measured."""
    (moved,) = meet(recipe(second={"delay_ms": 0.7, "polarity": "auto"}), [alignment(0.4e-3, polarity=-1)])
    assert moved == Moved("mic", 0.7, None, "flip", "recipe", "take")
    (moved,) = meet(recipe(second={"delay_ms": "auto", "polarity": "flip"}), [alignment(0.4e-3)])
    assert moved == Moved("mic", -0.4, 0.01, "flip", "take", "recipe")


@pytest.mark.parametrize(
    "unsure", [alignment(None, polarity=None), alignment(5e-3, uncertainty_s=1e-3), None]
)
def test_a_take_without_an_answer_gets_that_of_its_session(unsure: Alignment | None) -> None:
    """The median of the others, with a remark; also where its own answer is too rough to be used."""
    takes = [alignment(0.4e-3), unsure, alignment(0.5e-3), alignment(0.42e-3)]
    moved = meet(recipe(second=BOTH), takes)
    assert [it.delay_ms for it in moved] == [-0.4, -0.42, -0.5, -0.42]
    assert moved[1].delay_from == "session"
    assert moved[1].uncertainty_ms == pytest.approx(0.08)
    assert "the value of the session's other takes was used (-0.420 ms)" in moved[1].remarks()[0]


def test_where_nothing_can_be_measured_nothing_is_moved() -> None:
    """And it is said."""
    moved = meet(recipe(second=BOTH), [alignment(None, polarity=None)] * 2)
    assert moved[0] == Moved("mic", 0.0, None, "keep", "nothing", "nothing")
    assert len(moved[0].remarks()) == 2


def test_the_picture_does_not_change_sides() -> None:
    """A take that took its own polarity for the other one goes with the session."""
    takes = [alignment(0.4e-3), alignment(0.4e-3), alignment(0.4e-3)]
    doubtful = alignment(0.4e-3, polarity=-1, sureness=0.3)
    same_phases = replace(doubtful, phasors=PHASES)
    moved = meet(recipe(second=BOTH), [*takes, same_phases])
    assert [it.polarity for it in moved] == ["keep"] * 4
    assert moved[3].polarity_from == "session"


@pytest.mark.parametrize(("first", "drift_ms"), [(None, 1.8), (BOTH, -1.8)])
def test_a_drift_is_told_and_covered(first: Mapping[str, object] | None, drift_ms: float) -> None:
    """30 millionths over a minute: the delay of the middle is used, what is stated reaches to both ends."""
    drifting = alignment(0.4e-3, steadiness=Steadiness(drift_ppm=30.0, drifting=True))
    (moved,) = meet(recipe(first=first, second=None if first else BOTH), [drifting])
    assert abs(moved.delay_ms) == 0.4
    assert moved.uncertainty_ms == pytest.approx(0.9 + 0.01)
    assert moved.drift_ms == pytest.approx(drift_ms)
    (said,) = moved.remarks()
    assert "drift apart, 1.80 ms over the take" in said


def test_a_drift_too_small_to_be_sure_of_is_not_told() -> None:
    """Its slope stands in `steadiness` all the same."""
    (moved,) = meet(recipe(second=BOTH), [alignment(0.4e-3, steadiness=Steadiness(drift_ppm=0.4))])
    assert moved == Moved("mic", -0.4, 0.01, "keep", "take", "take")


def test_a_jump_is_told_and_covered() -> None:
    """One delay fits the longer part; the other is off by the jump."""
    (moved,) = meet(
        recipe(second=BOTH), [alignment(0.4e-3, steadiness=Steadiness(jump_s=-2e-3, jump_at_s=30.0))]
    )
    assert (moved.jump_ms, moved.uncertainty_ms) == (-2.0, 2.01)
    assert "mic jumps against the other source, by 2.00 ms" in moved.remarks()[0]


@pytest.mark.parametrize("met_ms", [0.0, 2.0])
def test_a_take_the_other_way_round_is_asked_about(met_ms: float) -> None:
    """It keeps its own value; another delay is no exchange, nor is one of two takes, nor a drifting take."""
    odd = [alignment(delay_s) for delay_s in (0.4e-3, -0.42e-3, 0.45e-3, 0.1e-3)]
    with_auto = recipe(first={"delay_ms": met_ms}, second=BOTH)
    moved = meet(with_auto, odd)
    assert [it.opposite_of_ms for it in moved] == [None, 0.4, None, None]
    assert moved[1].delay_ms == pytest.approx(met_ms + 0.42)
    assert (
        "the earlier source here, and in the other takes of its session the later one"
        in moved[1].remarks()[0]
    )
    assert all(it.opposite_of_ms is None for it in meet(with_auto, odd[:2]))
    drifting = alignment(-0.42e-3, steadiness=Steadiness(drift_ppm=30.0, drifting=True))
    assert all(it.opposite_of_ms is None for it in meet(with_auto, [odd[0], drifting, odd[2]]))
    by_itself = as_the_others(
        meet(with_auto, odd[1:2])[0], [moved[0].as_dict(), moved[2].as_dict()], recipe=with_auto
    )
    assert by_itself.opposite_of_ms == pytest.approx(0.425)


def test_a_recipe_without_auto_is_refused() -> None:
    """There is nothing to meet."""
    with pytest.raises(ValueError, match='recipe must have "auto" on one source'):
        meet(recipe(), [alignment(0.0)])
