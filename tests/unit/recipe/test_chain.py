"""The stages of a chain."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from render.recipe.chain import STAGES
from render.recipe.models import Delay, Gain, HighPass, ImpulseResponse, LowPass, Notch, Peaking

LEAST: dict[str, dict[str, Any]] = {
    "gain": {"gain_db": -3},
    "high-pass": {"cutoff_hz": 80},
    "low-pass": {"cutoff_hz": 12_000},
    "peaking": {"centre_hz": 2400, "gain_db": 2},
    "low-shelf": {"corner_hz": 200, "gain_db": 2},
    "high-shelf": {"corner_hz": 200, "gain_db": 2},
    "notch": {"centre_hz": 100, "q": 10},
    "all-pass": {"centre_hz": 200},
    "delay": {"delay_ms": 1},
    "impulse-response": {"file": "saddle.wav"},
}


def test_the_stages_are_those_of_the_design() -> None:
    """In its order."""
    assert list(STAGES) == list(LEAST)


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_needs_its_numbers_only(stage: str) -> None:
    """What a player would not think about has a default."""
    made = STAGES[stage].model_validate({"stage": stage, **LEAST[stage]})
    assert made.model_dump().items() >= {"stage": stage}.items()


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_refuses_what_it_does_not_know(stage: str) -> None:
    """Rather than leaving it out in silence."""
    with pytest.raises(ValidationError, match="colour"):
        STAGES[stage].model_validate({"stage": stage, **LEAST[stage], "colour": 1})


@pytest.mark.parametrize(
    ("stage", "changed"),
    [
        ("gain", {"gain_db": 24.1}),
        ("gain", {"gain_db": math.nan}),
        ("gain", {"gain_db": True}),
        ("gain", {"gain_db": "3"}),
        ("high-pass", {"cutoff_hz": 9.9}),
        ("high-pass", {"slope_db_per_octave": 12.0}),
        ("high-pass", {"slope_db_per_octave": 7}),
        ("low-pass", {"cutoff_hz": math.inf}),
        ("peaking", {"q": 0}),
        ("low-shelf", {"q": 2.1}),
        ("high-shelf", {"gain_db": -25}),
        ("notch", {"q": 61}),
        ("all-pass", {"q": 11}),
        ("delay", {"delay_ms": -1}),
        ("impulse-response", {"wet_fraction": 1.1}),
        ("impulse-response", {"file": ""}),
        ("impulse-response", {"file": "a\0b"}),
        ("impulse-response", {"file": 3}),
    ],
)
def test_a_stage_refuses_values_out_of_range(stage: str, changed: dict[str, Any]) -> None:
    """Ends of ranges, other types, what is no number."""
    with pytest.raises(ValidationError, match=next(iter(changed))):
        STAGES[stage].model_validate({"stage": stage, **LEAST[stage], **changed})


def test_a_whole_number_is_fine_for_a_float() -> None:
    """It becomes one."""
    assert isinstance(HighPass(stage="high-pass", cutoff_hz=80).cutoff_hz, float)


def test_a_file_is_a_whole_path() -> None:
    """So that it does not depend on the folder of the moment."""
    assert (
        ImpulseResponse.model_validate({"stage": "impulse-response", "file": "x.wav"}).file
        == Path("x.wav").absolute()
    )
    assert ImpulseResponse(stage="impulse-response", file=Path("x.wav")).file.is_absolute()


def ring_s(poles_hz: float, damping: float) -> float:
    """Time in which exp(-damping * w * t) falls by 140 dB."""
    return 7.0 * math.log(10.0) / (2.0 * math.pi * poles_hz * damping)


def test_how_long_stages_ring_follows_from_their_poles() -> None:
    """Butterworth: the sharpest pair; peaking: a lift sharpens by the root of its gain, a cut blunts as much."""
    assert Gain(stage="gain", gain_db=3).longest_s == 0.0
    assert Delay(stage="delay", delay_ms=250).longest_s == 0.25
    for slope, damping in ((6, 1.0), (12, math.sin(math.pi / 4)), (24, math.sin(math.pi / 8))):
        made = LowPass.model_validate({"stage": "low-pass", "cutoff_hz": 50, "slope_db_per_octave": slope})
        assert made.longest_s == pytest.approx(ring_s(50.0, damping))
    lift = Peaking(stage="peaking", centre_hz=100, gain_db=12.041, q=4)
    assert lift.longest_s == pytest.approx(ring_s(100.0, 1.0 / (2 * 4 * 2)), rel=1e-4)
    cut = Peaking(stage="peaking", centre_hz=100, gain_db=-12.041, q=4)
    assert cut.longest_s == pytest.approx(ring_s(100.0, 2 / (2 * 4)), rel=1e-4)
    # (s + 0.1 w) (s + 10 w): q = 1 / 10.1
    broad = Peaking(stage="peaking", centre_hz=100, gain_db=0, q=1 / 9.9)
    assert broad.longest_s == pytest.approx(ring_s(100.0, 9.9 / 2 - math.sqrt(9.9**2 / 4 - 1)))


@pytest.mark.parametrize("stage", ["low-shelf", "high-shelf", "all-pass", "impulse-response", "notch"])
def test_every_other_stage_knows_how_long_it_rings(stage: str) -> None:
    """A file is not known before it is read."""
    made = STAGES[stage].model_validate({"stage": stage, **LEAST[stage]})
    assert getattr(made, "longest_s") >= 0.0  # noqa: B009 - the base class has no such attribute


@pytest.mark.parametrize(
    ("stage", "values", "highest"),
    [
        ("peaking", {"centre_hz": 10, "gain_db": 24, "q": 40}, 2.9),
        ("peaking", {"centre_hz": 20, "gain_db": 0, "q": 40}, 23.3),
        ("notch", {"centre_hz": 10, "q": 30}, 11.6),
    ],
)
def test_a_resonance_that_would_ring_for_ages_is_refused(
    stage: str, values: dict[str, Any], highest: float
) -> None:
    """With the highest q that is allowed there, and that is allowed."""
    with pytest.raises(
        ValidationError, match=r"it rings for [\d.]+ s; 6 s at most; lower q to [\d.]+ or less"
    ) as caught:
        STAGES[stage].model_validate({"stage": stage, **values})
    told = float(str(caught.value).split("lower q to ")[1].split()[0])
    assert told == pytest.approx(highest, abs=0.1)
    STAGES[stage].model_validate({"stage": stage, **values, "q": told})


def test_a_cut_so_broad_that_it_rings_for_ages_is_refused() -> None:
    """Its slower pole lies far below the centre; with the lowest q that is allowed there, and that is allowed."""
    values = {"stage": "peaking", "centre_hz": 10, "gain_db": -24, "q": 0.1}
    with pytest.raises(
        ValidationError, match=r"so broad at 10 Hz it rings for 10.2 s; 6 s at most; raise q to 0.17 or more"
    ):
        Peaking.model_validate(values)
    assert Peaking.model_validate({**values, "q": 0.17}).longest_s < 6.0
    assert Peaking.model_validate({**values, "gain_db": 24}).longest_s < 6.0
    with pytest.raises(ValidationError, match="so broad at 10 Hz"):
        Peaking.model_validate({**values, "q": 0.16})


def test_hum_may_be_taken_out_narrowly() -> None:
    """30 at 50 Hz is a usual notch."""
    assert Notch(stage="notch", centre_hz=50, q=30).longest_s < 6.0
