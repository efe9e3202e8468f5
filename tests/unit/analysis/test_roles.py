"""Tests of telling the microphone from the pickup."""

from __future__ import annotations

import pytest

from render.analysis.boom import Resonance
from render.analysis.roles import find_exchange

BOOM = (Resonance(104.0, 11.0, 20.0),)


@pytest.mark.parametrize(
    ("delay_ms", "pickup", "microphone", "strong"),
    [
        (0.6, (), BOOM, False),
        (-0.6, BOOM, (), True),
        (-0.6, (), BOOM, False),
        (-0.6, (), (), False),
        (-0.2, BOOM, (), False),
        (None, BOOM, (), False),
    ],
)
def test_both_kinds_of_evidence_are_needed(
    delay_ms: float | None,
    pickup: tuple[Resonance, ...],
    microphone: tuple[Resonance, ...],
    strong: bool,  # noqa: FBT001
) -> None:
    """The supposed microphone hears first, and the supposed pickup booms."""
    found = find_exchange(delay_ms=delay_ms, uncertainty_ms=0.02, pickup=pickup, microphone=microphone)

    assert found.is_strong is strong


def test_an_uncertain_delay_is_no_evidence() -> None:
    """What may as well be nothing does not count."""
    found = find_exchange(delay_ms=-0.6, uncertainty_ms=0.5, pickup=BOOM, microphone=())

    assert not found.is_strong
