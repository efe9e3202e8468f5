"""`drytake check` from the outside: what is found in takes with known faults, and what is not found in good ones."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from render.cli.main import main
from render.workflows.check.findings import CASES, KINDS, SEVERITIES, Case
from tests.helpers.rehearsal import hiss, hum, strings, two_sources
from tests.helpers.sessions import PLAIN_RECIPE, write_recipe, write_take

RATE_HZ = 48_000
SOURCE_KEYS = {
    "channel",
    "peak_dbfs",
    "true_peak_dbtp",
    "rms_dbfs",
    "crest_db",
    "loudness_lufs",
    "noise_dbfs",
    "dc",
}
TAKE_KEYS = {
    "take", "files", "format", "sample_rate_hz", "duration_s", "sources", "delay_ms", "delay_uncertainty_ms",
    "polarity",
    "sound_from_s", "sound_to_s", "pauses_s", "findings",
}  # fmt: skip


def good(*, seed: int = 1, seconds: float = 12.0, rate_hz: int = RATE_HZ) -> NDArray[np.float64]:
    """A pickup and a microphone, played, with a breath of noise; peaks near -9 dBFS."""
    both = two_sources(strings(seconds, sample_rate_hz=rate_hz, seed=seed), sample_rate_hz=rate_hz)
    both = both * (0.35 / np.abs(both).max(axis=0))
    return np.asarray(both + hiss(len(both), sample_rate_hz=rate_hz, seed=seed)[: len(both)], np.float64)


def checked(
    capsys: pytest.CaptureFixture[str], *arguments: str | Path, status: int | None = None
) -> dict[str, Any]:
    """The JSON object of a check."""
    code = main(["check", *map(str, arguments), "--json"])
    if status is not None:
        assert code == status
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def kinds(take: dict[str, Any], *, least: str = "note") -> set[str]:
    """What was found, of this gravity or more."""
    counted = SEVERITIES[: [str(word) for word in SEVERITIES].index(least) + 1]
    return {finding["kind"] for finding in take["findings"] if finding["severity"] in counted}


def test_a_good_take_gets_no_warning(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And every key that scripts go by is there."""
    write_take(tmp_path / "s" / "one.wav", audio=good())
    (take,) = checked(capsys, tmp_path / "s", status=0)["takes"]
    assert kinds(take, least="warning") == set()
    assert set(take) == TAKE_KEYS
    assert [set(source) for source in take["sources"]] == [SOURCE_KEYS] * 2
    assert take["sample_rate_hz"] == RATE_HZ
    assert take["duration_s"] == pytest.approx(12.0, abs=0.1)
    assert take["sound_from_s"] < take["sound_to_s"]


def _clipped(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    top = 0.5 * np.abs(audio[:, 0]).max()
    audio[:, 0] = np.clip(audio[:, 0], -top, top)
    return audio


def _gaps(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    for second in (3, 5, 8):
        audio[second * RATE_HZ : second * RATE_HZ + 480, 1] = 0.0
    return audio


def _ticks(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    for second in (2, 4, 6, 7, 9, 10):
        audio[second * RATE_HZ + 111, 0] += 0.3
    return audio


def _hum(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    audio[:, 1] += hum(
        len(audio), sample_rate_hz=RATE_HZ, mains_hz=60.0, shares_db={1: -45.0, 2: -55.0, 3: -52.0}
    )
    return audio


def _drifting(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    frames = np.arange(len(audio))
    audio[:, 1] = np.interp(frames * (1.0 + 80e-6), frames, audio[:, 1])
    return audio


@pytest.mark.parametrize(
    ("spoil", "kind", "channel"),
    [
        (_clipped, "clipping", 1),
        (_gaps, "dropout", 2),
        (_ticks, "click", 1),
        (_hum, "hum", 2),
        (_drifting, "drift", None),
        (lambda audio: audio + np.array([0.02, 0.0]), "dc", 1),
        (lambda audio: audio * np.array([1.0, 0.0]), "dead-source", 2),
        (lambda audio: audio[:, [0, 0]] * np.array([1.0, 0.5]), "same-signal", None),
        (lambda audio: audio * np.array([1.0, -1.0]), "inverted", None),
        (lambda audio: audio * np.array([1.0, 0.02]), "level", 2),
        (lambda audio: audio + np.random.default_rng(3).normal(size=audio.shape) * [0.0, 0.01], "noise", 2),
    ],
)
def test_a_known_fault_is_found_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], spoil: Any, kind: str, channel: int | None
) -> None:
    """With its kind, its source, words and a remedy."""
    audio = spoil(good(seconds=40.0 if kind == "drift" else 12.0))
    write_take(tmp_path / "s" / "one.wav", audio=audio)
    (take,) = checked(capsys, tmp_path / "s")["takes"]
    found = [finding for finding in take["findings"] if finding["kind"] == kind]
    assert found, kinds(take)
    assert all(one["what"] in CASES.get(one["kind"], (one["kind"],)) for one in take["findings"])
    assert {finding["source"] for finding in found} == {channel}
    assert all(finding["text"] and finding["remedy"] for finding in found)
    assert kinds(take, least="warning") <= {kind}
    assert set(kinds(take)) <= set(KINDS)


def test_exit_status_is_one_with_a_fault_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A warning does not stop a script."""
    write_take(tmp_path / "dead.wav", audio=good() * np.array([1.0, 0.0]))
    write_take(tmp_path / "turned.wav", audio=good() * np.array([1.0, -1.0]))
    checked(capsys, tmp_path / "dead.wav", status=1)
    checked(capsys, tmp_path / "turned.wav", status=0)


def test_every_case_belongs_to_a_kind() -> None:
    """The table of cases and the words a finding may have are the same."""
    assert sorted(case for cases in CASES.values() for case in cases) == sorted(get_args(Case))
    assert set(CASES) <= set(KINDS)


def _files(folder: Path) -> None:
    write_take(folder / "good.wav", audio=good())
    write_take(folder / "mono.wav", channels=1)
    write_take(folder / "six.wav", audio=np.tile(good(seed=2), 3))
    write_take(folder / "eight_bits.wav", audio=good(seed=3), subtype="PCM_U8")
    write_take(folder / "fast.wav", audio=good(seed=4, seconds=6.0, rate_hz=192_000), sample_rate_hz=192_000)
    write_take(folder / "empty.wav", audio=np.zeros((0, 2)))
    (folder / "text.wav").write_text("a list of tunes", encoding="utf-8")
    whole = (folder / "good.wav").read_bytes()
    (folder / "cut.wav").write_bytes(whole[: len(whole) // 2])
    broken = good(seed=5)
    broken[RATE_HZ, 0] = np.nan
    write_take(folder / "nan.wav", audio=broken, subtype="FLOAT")
    write_take(folder / "silence.wav", audio=np.zeros((RATE_HZ, 2)))
    write_take(folder / "blip.wav", audio=np.full((1, 2), 0.1))


def test_bad_files_are_findings_and_the_others_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Mono, six channels, 8 bits, 192 kHz, empty, truncated, not a number, no sound at all, one frame."""
    _files(tmp_path / "s")
    takes = {take["take"]: take for take in checked(capsys, tmp_path / "s", status=1)["takes"]}
    faults = {name for name, take in takes.items() if "file" in kinds(take, least="fault")}
    assert faults == {"mono", "empty", "text", "nan"}
    for name in faults:
        assert takes[name]["sources"] == []
        assert takes[name]["delay_ms"] is None
    assert (
        "not finite" in takes["nan"]["findings"][0]["text"] or "nan" in str(takes["nan"]["findings"]).lower()
    )
    told = {
        name: {one["what"] for one in take["findings"] if one["kind"] == "file"}
        for name, take in takes.items()
    }
    assert all(told[name] == {"unreadable"} for name in faults)
    assert "coarse" in told["eight_bits"]
    assert "incomplete" in told["cut"]
    assert "more-channels" in told["six"]
    assert kinds(takes["eight_bits"], least="warning") == {"file"}
    assert "file" in kinds(takes["cut"], least="warning")
    assert kinds(takes["six"]) >= {"file"}
    assert kinds(takes["six"], least="warning") == set()
    assert kinds(takes["fast"], least="warning") == set()
    assert kinds(takes["good"], least="warning") == set()
    assert kinds(takes["silence"], least="fault") == {"dead-source"}


def test_a_take_with_exchanged_channels_is_found_among_its_session(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With how sure that is."""
    for number in range(1, 6):
        audio = good(seed=number)
        write_take(tmp_path / "s" / f"{number}.wav", audio=audio[:, ::-1] if number == 3 else audio)
    takes = {take["take"]: take for take in checked(capsys, tmp_path / "s")["takes"]}
    assert "swapped" in kinds(takes["3"])
    assert all("swapped" not in kinds(takes[name]) for name in "1245")
    (finding,) = (finding for finding in takes["3"]["findings"] if finding["kind"] == "swapped")
    assert 0.5 <= finding["sureness"] <= 1.0


def test_the_table_names_sources_as_the_recipe_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And takes its channels."""
    write_take(tmp_path / "s" / "one.wav", audio=good() * np.array([1.0, -1.0]))
    recipe = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE)
    assert main(["check", str(tmp_path / "s"), "-r", str(recipe)]) == 0
    printed = capsys.readouterr().out
    assert "pickup" in printed
    assert "mic is turned over against pickup" in printed
    assert 'polarity = "flip"' in printed
    assert "1 take: 1 with warnings" in printed


def test_quiet_prints_faults_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line each."""
    write_take(tmp_path / "s" / "good.wav", audio=good())
    write_take(tmp_path / "s" / "bad.wav", audio=good() * np.array([0.0, 1.0]))
    assert main(["check", str(tmp_path / "s"), "--quiet"]) == 1
    printed = capsys.readouterr().out
    assert printed.startswith("bad, channel 1: there is no sound on it")
    assert len(printed.splitlines()) == 1


def test_a_picture_a_take_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of those that can be read."""
    write_take(tmp_path / "s" / "one.wav", audio=good())
    write_take(tmp_path / "s" / "blip.wav", audio=np.full((1, 2), 0.1))
    (tmp_path / "s" / "text.wav").write_text("no sound", encoding="utf-8")
    main(["check", str(tmp_path / "s"), "--plot", str(tmp_path / "pictures")])
    assert sorted(path.name for path in (tmp_path / "pictures").iterdir()) == ["blip.png", "one.png"]
    assert "pictures in" in capsys.readouterr().out


def test_captures_are_only_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is written without --plot."""
    write_take(tmp_path / "s" / "one.wav", audio=good())
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    checked(capsys, tmp_path / "s")
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == before


def test_a_call_that_cannot_be_done_has_status_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No such session, no take in it, a recipe that is wrong."""
    write_take(tmp_path / "s" / "one.wav", audio=good())
    (tmp_path / "empty").mkdir()
    (tmp_path / "r.toml").write_text("x = 1", encoding="utf-8")
    assert main(["check", str(tmp_path / "nowhere")]) == 2
    assert main(["check", str(tmp_path / "empty")]) == 2
    assert main(["check", str(tmp_path / "s"), "-r", str(tmp_path / "r.toml")]) == 2
    assert "there is no such folder" in capsys.readouterr().err


def test_a_gap_across_both_tracks_counts_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One cause, one fault, of the take as a whole."""
    audio = good()
    audio[5 * RATE_HZ : 5 * RATE_HZ + 480] = 0.0
    write_take(tmp_path / "s" / "one.wav", audio=audio)

    (take,) = checked(capsys, tmp_path / "s", status=1)["takes"]

    (gap,) = [finding for finding in take["findings"] if finding["kind"] == "dropout"]
    assert gap["source"] is None
    assert gap["text"].startswith("on both tracks the sound stops dead once")


def test_a_recorder_that_was_stopped_too_early_is_noted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A note, with how loud it still was; nothing of it where the last chord has died away."""
    whole = good()
    write_take(tmp_path / "s" / "cut.wav", audio=whole[: 6 * RATE_HZ])
    write_take(
        tmp_path / "s" / "whole.wav",
        audio=np.concatenate([whole, hiss(2 * RATE_HZ, sample_rate_hz=RATE_HZ, seed=2)]),
    )

    cut, died = checked(capsys, tmp_path / "s", status=0)["takes"]

    (note,) = [finding for finding in cut["findings"] if finding["kind"] == "file"]
    assert note["severity"] == "note"
    assert "stops while the guitar still sounds" in note["text"]
    assert note["below_playing_db"] < 20.0
    assert "file" not in kinds(died)


@pytest.mark.parametrize("at_once", [True, False], ids=["before listening", "while drawing"])
def test_a_folder_that_cannot_be_written_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *, at_once: bool
) -> None:
    """As a call that is wrong, by name and with what to do, not as a fault of the program."""

    def refuse(*_arguments: object, **_named: object) -> None:
        raise PermissionError(13, "Permission denied")

    write_take(tmp_path / "s" / "one.wav", audio=good())
    if at_once:
        monkeypatch.setattr("render.workflows.check.session.tempfile.TemporaryFile", refuse)
    else:  # it is written beside its place, then put there
        monkeypatch.setattr(Path, "replace", refuse)
    assert main(["check", str(tmp_path / "s"), "--plot", str(tmp_path / "pictures"), "--jobs", "1"]) == 2
    told = capsys.readouterr().err
    place = tmp_path / "pictures" if at_once else tmp_path / "pictures" / "one.png"
    assert told == f"{place}: cannot be written: Permission denied; choose another folder with --plot\n"
