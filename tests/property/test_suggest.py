"""Suggested recipes of any guitar, sensible or not: never past their bounds, always a recipe, the same every time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from render.analysis.advice import TakeHum
from render.analysis.balance import LINES_HZ, TakeBalance
from render.analysis.boom import Resonance
from render.analysis.hum import Hum, HumLine
from render.analysis.meeting import TakeMeeting
from render.analysis.moves import (
    EDGE_CUT_DB,
    EDGE_HZ,
    EDGE_Q,
    GAIN_DB,
    HUM_Q,
    MICROPHONE_HIGH_PASS_HZ,
    MOST_HUM_LINES,
    MOST_RESONANCES,
    PICKUP_HIGH_PASS_HZ,
    RESONANCE_CUT_DB,
    RESONANCE_HZ,
    RESONANCE_Q,
    SHELF_CUT_DB,
    SHELF_HZ,
)
from render.recipe.load import builtin_recipe
from render.recipe.models import HighPass, LowShelf, Notch, Peaking, Recipe, Source
from render.workflows.suggest.plan import TakeEvidence
from tests.helpers.evidence import plan_for, written

KNOTS_HZ = np.geomspace(20.0, 20_000.0, 12)
CURVES = st.lists(st.floats(-30.0, 30.0), min_size=12, max_size=12)
FRACTIONS = st.floats(0.05, 1.0)


def _power(curve_db: list[float], *, level_db: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A smooth spectrum through knots, falling by 6 dB per octave besides."""
    octaves = np.log2(LINES_HZ / 20.0)
    level = np.interp(np.log2(LINES_HZ), np.log2(KNOTS_HZ), curve_db) - 3.0 * octaves + level_db - 60.0
    return np.asarray(10.0 ** (level / 10.0))


@st.composite
def evidences(draw: st.DrawFn) -> TakeEvidence:
    """A take of a guitar of any balance, with any resonances, hum and delay."""
    power = np.stack([_power(draw(CURVES), level_db=draw(st.floats(-40.0, 20.0))) for _ in range(2)])
    onset = np.stack([_power(draw(CURVES), level_db=0.0) for _ in range(2)])
    shared = power * draw(st.floats(0.3, 1.0))
    resonances = tuple(
        Resonance(draw(st.floats(60.0, 500.0)), draw(st.floats(4.0, 30.0)), draw(st.floats(4.0, 55.0)))
        for _ in range(draw(st.integers(0, 4)))
    )
    mains_hz = draw(st.sampled_from([50.0, 60.0]))
    lines = tuple(
        HumLine(number, number * mains_hz, draw(st.floats(-100.0, -10.0)))
        for number in draw(st.sets(st.integers(1, 10), max_size=8).map(sorted))
    )
    hum = Hum(True, mains_hz, mains_hz, -40.0, lines) if lines else Hum(present=False)
    meeting = draw(
        st.none()
        | st.builds(TakeMeeting, st.floats(-5.0, 5.0), st.floats(0.001, 1.0), st.sampled_from([1, -1, None]))
    )
    return TakeEvidence(
        name="take",
        balance=TakeBalance(power, shared, 0.01 * power, onset, 10, 30.0),
        hum=(
            TakeHum("take", hum, draw(st.floats(-60.0, -10.0))),
            TakeHum("take", draw(st.sampled_from([hum, Hum(present=None)])), -25.0),
        ),
        resonances=resonances,
        pickup_resonances=(),
        meeting=meeting,
        sample_rate_hz=48_000,
    )


def _within(value: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= value <= bounds[1]


def _check_microphone(source: Source) -> None:
    cuts = [stage for stage in source.chain if isinstance(stage, Peaking)]
    assert len(cuts) <= MOST_RESONANCES
    for stage in source.chain:
        match stage:
            case HighPass():
                assert stage.slope_db_per_octave in (12, 18)
                assert _within(stage.cutoff_hz, MICROPHONE_HIGH_PASS_HZ)
            case Peaking():
                assert -RESONANCE_CUT_DB <= stage.gain_db < 0.0
                assert _within(stage.q, RESONANCE_Q)
                assert _within(stage.centre_hz, RESONANCE_HZ)
            case LowShelf():
                assert -SHELF_CUT_DB <= stage.gain_db < 0.0
                assert _within(stage.corner_hz, SHELF_HZ)
            case Notch():
                assert _within(stage.q, HUM_Q)
            case _:
                raise AssertionError(stage)


def _check_pickup(source: Source) -> None:
    for stage in source.chain:
        match stage:
            case HighPass():
                assert _within(stage.cutoff_hz, PICKUP_HIGH_PASS_HZ)
            case Peaking():
                assert -EDGE_CUT_DB <= stage.gain_db < 0.0
                assert _within(stage.q, EDGE_Q)
                assert _within(stage.centre_hz, EDGE_HZ)
            case Notch():
                assert _within(stage.q, HUM_Q)
            case _:
                raise AssertionError(stage)


def _check(recipe: Recipe) -> None:
    _check_pickup(recipe.sources["pickup"])
    _check_microphone(recipe.sources["mic"])
    for source in recipe.sources.values():
        assert sum(isinstance(stage, HighPass) for stage in source.chain) == 1
        assert sum(isinstance(stage, Notch) for stage in source.chain) <= MOST_HUM_LINES
        assert source.gain_db == 0.0 or _within(source.gain_db, GAIN_DB)


@settings(max_examples=20)
@given(takes=st.lists(evidences(), min_size=1, max_size=3), width_db=st.floats(-20.0, 0.0))
def test_bounds_are_never_exceeded(takes: list[TakeEvidence], width_db: float) -> None:
    """Whatever was measured: a recipe that loads, moves within their bounds, nothing lifted, lows never raised."""
    plan = plan_for(takes, width_db=width_db)
    text, recipe = written(plan, takes, folder=Path("guitars"))

    _check(recipe)
    assert max(map(len, text.splitlines())) <= 120
    low = plan.low
    if low.low_before_db is not None and low.low_after_db is not None:
        assert low.low_after_db <= low.low_before_db + 0.5
    assert written(plan_for(takes, width_db=width_db), takes, folder=Path("guitars"))[0] == text


@settings(max_examples=10)
@given(takes=st.lists(evidences(), min_size=1, max_size=2))
def test_like_is_always_a_recipe(takes: list[TakeEvidence]) -> None:
    """Over another recipe too; what is not ours stays."""
    like = builtin_recipe()
    assert like.path is not None
    plan = plan_for(takes, like=like)
    _, recipe = written(plan, takes, folder=like.path.parent, like=like)

    assert recipe.sources["mic"].chain[-1] == like.sources["mic"].chain[-1]
    assert (recipe.room, recipe.finish, recipe.stereo) == (like.room, like.finish, like.stereo)
    assert [source.place for source in recipe.sources.values()] == ["mid", "side"]
