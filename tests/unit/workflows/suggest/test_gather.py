"""Tests of which takes are fit, and of channels that may be exchanged."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import soundfile

from render.analysis.advice import find_hum
from render.analysis.hum import Hum, HumLine
from render.engine.inspect import inspect_take
from render.session.takes import Take
from render.workflows.check.findings import Finding
from render.workflows.check.session import CheckedTake, CheckRequest, check_session
from render.workflows.check.sources import HUM_HEARD_DB, findings_of_source
from render.workflows.suggest.gather import Exchange, Fit, choose_takes, measure_takes
from tests.helpers.known_guitar import RATE_HZ, Known, play_known

ONE = Known(booms=((106.0, 10.0, 7.0),), delay_s=6e-4)
OTHER = Known(booms=((300.0, 18.0, 0.6), (3000.0, -18.0, 0.6)))
FAULT = Finding("dropout", "fault", "the sound stops dead once", "use another take", channel=2)
HUM = Finding("hum", "fault", "mains hum of 50 Hz", "use a balanced line", channel=2)
WARNING = Finding("noise", "warning", "noisy", "look at the cable")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes of one guitar, two of another."""
    folder = tmp_path_factory.mktemp("takes")
    for known, seeds in ((ONE, (1, 2)), (OTHER, (3, 4))):
        for seed in seeds:
            audio = play_known(known, seed=seed, duration_s=8.0)
            soundfile.write(folder / f"{seed}.wav", audio, RATE_HZ, subtype="PCM_24")
    return folder


@cache
def _checked(path: Path, *findings: str) -> CheckedTake:
    take = Take((path,), path.stem)
    found = [{"fault": FAULT, "hum": HUM}.get(kind, WARNING) for kind in findings]
    names = ("channel 1", "channel 2")
    return CheckedTake(take, (1, 2), names, inspect_take(take, channels=(1, 2)), found)


def test_takes_with_a_fault_are_left_out(folder: Path) -> None:
    """A fault keeps a take out, named with its source; a warning does not."""
    fit, left_out = choose_takes([_checked(folder / "1.wav", "fault"), _checked(folder / "2.wav", "warning")])

    assert [one.checked.name for one in fit] == ["2"]
    assert left_out == [("1", "channel 2: the sound stops dead once")]


def test_of_two_takes_exchanged_one_is_measured(tmp_path: Path) -> None:
    """The check cannot say which of them is wrong: the first is measured, and the other left out with its words."""
    for name, seed in (("one", 1), ("two", 2)):
        audio = play_known(ONE, seed=seed, duration_s=8.0)
        order = (1, 0) if name == "two" else (0, 1)
        soundfile.write(tmp_path / f"{name}.wav", audio[:, order], RATE_HZ, subtype="PCM_24")
    takes = check_session(CheckRequest(tmp_path), watch=lambda _: None).takes

    fit, left_out = choose_takes(takes)

    assert [one.checked.name for one in fit] == ["one"]
    ((name, why),) = left_out
    assert name == "two"
    assert why.startswith("the two channels are the other way round than in one: ")


def test_hum_keeps_no_take_out(folder: Path) -> None:
    """However loud: notches are what is advised for it."""
    fit, left_out = choose_takes(
        [_checked(folder / "1.wav", "hum"), _checked(folder / "2.wav", "hum", "fault")]
    )

    assert [one.checked.name for one in fit] == ["1"]
    assert left_out == [("2", "channel 2: the sound stops dead once")]


@pytest.mark.parametrize("below_db", [10.0, 30.0, 49.9, 50.0, 50.1, 70.0])
def test_hum_counts_where_the_line_check_warns_of_it(folder: Path, below_db: float) -> None:
    """One threshold for both, so that one does not warn of what the other leaves."""
    take = _checked(folder / "1.wav")
    assert take.inspection is not None
    first, second = take.inspection.sources
    level_dbfs = second.noise.playing_dbfs - below_db
    hum = Hum(True, 50.0, 50.0, level_dbfs, (HumLine(1, 50.0, level_dbfs),))
    inspection = replace(take.inspection, sources=(first, replace(second, hum=hum)))
    warned = [
        found.severity != "note"
        for found in findings_of_source(inspection, 1, channel=2)
        if found.kind == "hum"
    ]
    (evidence,) = measure_takes([Fit(take, inspection)], channels=(1, 2))

    assert warned == [find_hum([evidence.hum[1]], heard_db=HUM_HEARD_DB).heard]
    assert find_hum([evidence.hum[0]], heard_db=HUM_HEARD_DB).takes == ()


def test_the_guitar_with_most_takes_stays(folder: Path) -> None:
    """Of two guitars that with more takes; of equals the first."""
    takes = [_checked(folder / f"{number}.wav") for number in (1, 2, 3, 4)]
    fit, left_out = choose_takes(takes)
    more, _ = choose_takes([takes[0], takes[2], takes[3]])

    assert [one.checked.name for one in fit] == ["1", "2"]
    assert [name for name, _ in left_out] == ["3", "4"]
    assert "another guitar than 1" in left_out[0][1]
    assert [one.checked.name for one in more] == ["3", "4"]
    assert choose_takes([]) == ([], [])


def test_the_pickup_comes_first(folder: Path) -> None:
    """With channels the other way round all that was measured is turned."""
    fit, _ = choose_takes([_checked(folder / "1.wav")])
    (plain,) = measure_takes(fit, channels=(1, 2))
    (turned,) = measure_takes(fit, channels=(2, 1))

    assert plain.meeting is not None
    assert turned.meeting is not None
    assert turned.meeting.delay_ms == -plain.meeting.delay_ms
    assert turned.resonances == plain.pickup_resonances
    assert (turned.balance.power[::-1] == plain.balance.power).all()


@pytest.mark.parametrize(
    ("exchange", "strong"),
    [
        (Exchange(0.76, ("delay", "resonance"), 0.6), True),
        (Exchange(0.76, ("delay", "resonance"), 0.2), False),
        (Exchange(0.9, ("noise", "resonance"), 0.0), True),
        (Exchange(0.6, ("delay", "resonance"), 0.6), False),
    ],
)
def test_channels_are_exchanged_only_on_strong_evidence(exchange: Exchange, *, strong: bool) -> None:
    """Seven to one, and a delay counts only if it is that of air."""
    assert exchange.is_strong is strong
