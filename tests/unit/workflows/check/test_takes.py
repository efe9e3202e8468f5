"""Findings of whole takes: where a piece is missing, which passage leaves talk out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.analysis.clicks import Clicks
from render.analysis.ends import Part
from render.cli.render import instant
from render.engine.inspect import inspect_take
from render.session.takes import Take
from render.workflows.check.findings import Finding
from render.workflows.check.slipping import find_drift
from render.workflows.check.takes import findings_of_take
from tests.helpers.rehearsal import hiss, strings, talk, two_sources

RATE_HZ = 16_000


def _played(duration_s: float) -> NDArray[np.float64]:
    wave = two_sources(strings(duration_s, sample_rate_hz=RATE_HZ, seed=5), sample_rate_hz=RATE_HZ)
    return np.asarray(0.3 * wave / np.abs(wave).max(), np.float64)


def _findings(folder: Path, audio: NDArray[np.float64]) -> list[Finding]:
    path = folder / "take.wav"
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    inspection = inspect_take(Take((path,), "take"), channels=(1, 2))
    return findings_of_take(
        inspection, names=("pickup", "mic"), channels=(1, 2), path=Path("my songs/take.wav")
    )


def test_a_lost_piece_is_told_where_it_clicks(tmp_path: Path) -> None:
    """The delay is followed in stretches of seconds; the click tells the moment."""
    audio, at, lost = _played(40.0), round(17.3 * RATE_HZ), 160
    audio[at:-lost, 1] = audio[at + lost :, 1]
    audio += hiss(len(audio), sample_rate_hz=RATE_HZ, seed=1)

    (jump,) = [finding for finding in _findings(tmp_path, audio) if finding.kind == "drift"]

    assert jump.severity == "fault"
    assert jump.figures["jump_ms"] == pytest.approx(-10.0, abs=0.1)
    assert jump.places_s[0] == pytest.approx(17.3, abs=0.002)
    assert "at 0:17.3" in jump.text


@pytest.mark.parametrize(
    ("near", "heard", "told"), [(9.0, False, False), (9.0, True, True), (20.0, False, True)]
)
def test_a_voice_is_no_lost_piece(near: float, heard: bool, told: bool, tmp_path: Path) -> None:
    """A jump near talk that nobody hears is the voice, which comes from elsewhere; one that clicks is a lost piece."""
    path = tmp_path / "take.wav"
    soundfile.write(path, _played(30.0), RATE_HZ, subtype="PCM_24")
    take = inspect_take(Take((path,), "take"), channels=(1, 2))
    steadiness = replace(take.alignment.steadiness, jump_s=2e-4, jump_at_s=near)
    click = Clicks(1, 0.1, (round(near * RATE_HZ),), (0.1,), (True,)) if heard else take.sources[0].clicks
    take = replace(
        take,
        alignment=replace(take.alignment, steadiness=steadiness),
        sources=(replace(take.sources[0], clicks=click), take.sources[1]),
        ends=replace(take.ends, parts=(Part("talk", 0.1, 5.0, 1.0, 1),)),
    )
    assert bool(find_drift(take, ("pickup", "mic"))) is told


def test_the_passage_without_talk_keeps_the_first_attack(tmp_path: Path) -> None:
    """Words before and after the playing: one passage to type, which begins before the first note."""
    first_s, last_s, pause_s = 6.0, 5.0, 3.0
    played = _played(40.0)
    still = np.zeros((round(pause_s * RATE_HZ), 2))
    words = [
        np.outer(talk(length_s, sample_rate_hz=RATE_HZ, seed=seed), (0.01, 0.2))
        for length_s, seed in ((first_s, 2), (last_s, 3))
    ]
    audio = np.concatenate([words[0], still, played, still, words[1]])
    audio += hiss(len(audio), sample_rate_hz=RATE_HZ, seed=1)

    told = [finding for finding in _findings(tmp_path, audio) if finding.kind == "talk"]

    assert len(told) == 2
    assert told[0].remedy == told[1].remedy
    assert told[0].remedy.startswith("render without it: drytake render 'my songs/take.wav' --from ")
    passage = re.search(r"--from (\S+) --to (\S+)", told[0].remedy)
    assert passage is not None
    begins_s, ends_s = (instant(moment) for moment in passage.groups())
    onset_s = first_s + pause_s + float(np.argmax(np.abs(played).max(-1) > 1e-3)) / RATE_HZ
    assert onset_s - 0.5 <= begins_s <= onset_s - 0.05
    assert first_s + pause_s + 30.0 <= ends_s <= len(audio) / RATE_HZ - last_s
