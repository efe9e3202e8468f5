"""Findings on one source: how grave a single click is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.engine.inspect import inspect_take
from render.session.takes import Take
from render.workflows.check.sources import findings_of_source
from tests.helpers.rehearsal import hiss, strings, two_sources

RATE_HZ = 16_000


@pytest.mark.parametrize(
    ("at_s", "height", "decay_s", "severity"),
    [(3.1, 0.8, 0.0, "warning"), (8.3, 0.2, 0.0, "warning"), (8.3, 0.3, 0.01, "note")],
)
def test_one_click(at_s: float, height: float, decay_s: float, severity: str, tmp_path: Path) -> None:
    """A spike is a warning though it be the only one and low; a step may be the beginning of something."""
    audio = two_sources(strings(20.0, sample_rate_hz=RATE_HZ, seed=5), sample_rate_hz=RATE_HZ)
    audio *= 0.3 / np.abs(audio).max()
    place = round(at_s * RATE_HZ)
    jolt = np.exp(-np.arange(1600) / (decay_s * RATE_HZ)) if decay_s else np.ones(1)
    audio[place : place + len(jolt), 0] += height * np.abs(audio[place - 160 : place + 160, 0]).max() * jolt
    audio += hiss(len(audio), sample_rate_hz=RATE_HZ, seed=1)
    path = tmp_path / "take.wav"
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")

    inspection = inspect_take(Take((path,), "take"), channels=(1, 2))
    told = [finding for finding in findings_of_source(inspection, 0, channel=1) if finding.kind == "click"]

    assert [finding.severity for finding in told] == [severity]
    assert told[0].places_s[0] == pytest.approx(at_s, abs=0.001)
