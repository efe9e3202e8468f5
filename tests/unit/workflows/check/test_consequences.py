"""One cause, one problem: what only follows from a fault is not told as another."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from render.workflows.check.session import CheckedTake, CheckRequest, check_session
from tests.helpers.rehearsal import Body, Player, hiss, hum, strings, two_sources
from tests.helpers.sessions import write_take

RATE_HZ = 48_000
Wave = NDArray[np.float64]


def _good(seed: int) -> Wave:
    """A pickup and a microphone that hears 1.4 ms later, far enough for a delay of none to be out of line."""
    wave = strings(12.0, sample_rate_hz=RATE_HZ, seed=seed)
    both = two_sources(wave, sample_rate_hz=RATE_HZ, body=Body(delay_ms=1.4))
    both *= 0.35 / np.abs(both).max(axis=0)
    return np.asarray(both + hiss(len(both), sample_rate_hz=RATE_HZ, seed=seed), np.float64)


def _checked(path: Path, take: str = "spoilt") -> CheckedTake:
    (one,) = (
        one for one in check_session(CheckRequest(path), watch=lambda _: None).takes if one.name == take
    )
    return one


def _problems(take: CheckedTake) -> list[tuple[str, str]]:
    """Kind and case of what is more than a note."""
    told = [finding.as_dict() for finding in take.findings if finding.severity != "note"]
    return [(str(finding["kind"]), str(finding["what"])) for finding in told]


def _noise(frames: int, gain: float) -> Wave:
    return gain * np.random.default_rng(8).standard_normal((frames, 2))


def _mains(frames: int, dbfs: float) -> Wave:
    shares_db = {1: dbfs, 2: dbfs - 10.0, 3: dbfs - 7.0}
    return hum(frames, sample_rate_hz=RATE_HZ, mains_hz=50.0, shares_db=shares_db)[:, np.newaxis]


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Four good takes."""
    folder = tmp_path_factory.mktemp("good")
    for seed in range(31, 35):
        write_take(folder / f"{seed}.wav", audio=_good(seed))
    return sorted(folder.iterdir())


def _one_signal(audio: Wave) -> Wave:
    return audio[:, [0, 0]] * [1.0, -0.6]


def _clipped(audio: Wave) -> Wave:
    return np.clip(audio, -0.15, 0.15)


def _leaking(audio: Wave) -> Wave:
    """A dead second source with what leaks into it."""
    return np.stack([audio[:, 0], 0.003 * audio[:, 0]], axis=1) + [0.0, 1.0] * _noise(len(audio), 3e-5)


def _dying(audio: Wave) -> Wave:
    """The pickup's plug slips out half way, and its cable hums from there."""
    half = len(audio) // 2
    audio[half:, 0] = _mains(len(audio) - half, -40.0)[:, 0] + _noise(len(audio) - half, 3e-5)[:, 0]
    return audio


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (_one_signal, [("same-signal", "same-signal")]),
        (
            lambda audio: _one_signal(_clipped(audio)),
            [("clipping", "clipping"), ("same-signal", "same-signal")],
        ),
        (
            lambda audio: _one_signal(audio + _mains(len(audio), -45.0)),
            [("hum", "hum"), ("same-signal", "same-signal")],
        ),
        (_leaking, [("dead-source", "unheard")]),
        (lambda audio: audio * [1.0, 0.0], [("dead-source", "silent")]),
        (lambda audio: audio * [1.0, 0.0] + [0.0, 0.05], [("dead-source", "silent")]),
        (_dying, [("dead-source", "part-of-take")]),
        (lambda audio: audio[:, ::-1], [("swapped", "against-session")]),
        (lambda audio: 0.01 * audio, [("level", "soft")]),
        (lambda audio: _noise(len(audio), 3e-5), [("dead-source", "nothing-played")]),
    ],
)
def test_a_take_among_good_ones(
    tmp_path: Path, four: list[Path], spoil: Callable[[Wave], Wave], told: list[tuple[str, str]]
) -> None:
    """Nothing but its own fault, and nothing on the others."""
    write_take(tmp_path / "spoilt.wav", audio=spoil(_good(30)))
    for path in four:
        (tmp_path / path.name).symlink_to(path)
    takes = check_session(CheckRequest(tmp_path), watch=lambda _: None).takes
    problems = {take.name: _problems(take) for take in takes}
    assert problems.pop("spoilt") == told
    assert problems == {path.stem: [] for path in four}


@pytest.mark.parametrize("subtype", ["PCM_U8", "ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM"])
@pytest.mark.parametrize("gain", [0.12, 1.0, 2.6])
def test_a_coarse_file_is_one_warning(tmp_path: Path, subtype: str, gain: float) -> None:
    """Its noise, its flat tops and its constant part are its own."""
    write_take(tmp_path / "spoilt.wav", audio=gain * _good(36), subtype=subtype)
    assert _problems(_checked(tmp_path)) == [("file", "coarse")]


def test_a_source_that_dies_is_told_with_its_moment(tmp_path: Path) -> None:
    """In words and figures, and the click of the plug is not told beside it."""
    audio = _dying(_good(30))
    write_take(tmp_path / "spoilt.wav", audio=audio)
    take = _checked(tmp_path)
    (told,) = (finding.as_dict() for finding in take.findings if finding.severity == "fault")
    half_s = len(audio) / 2 / RATE_HZ
    assert (told["source"], told["what"]) == (1, "part-of-take")
    assert told["from_s"] == pytest.approx(half_s, abs=0.3)
    assert told["to_s"] == pytest.approx(len(audio) / RATE_HZ, abs=0.01)
    assert str(told["text"]).startswith("goes silent at 0:0")
    assert str(told["text"]).endswith("and does not come back, while channel 2 plays on; hum or hiss is left")
    assert not {"click", "hum", "noise", "drift", "swapped"} & {finding.kind for finding in take.findings}


def test_what_a_coarse_file_has_not_made_is_told(tmp_path: Path) -> None:
    """Clipping at full scale, and a constant voltage of several steps."""
    audio = np.clip(_good(37) * [4.0, 1.0] + [0.0, 0.05], -1.0, 1.0)
    write_take(tmp_path / "spoilt.wav", audio=audio, subtype="PCM_U8")
    take = _checked(tmp_path)
    assert _problems(take) == [("clipping", "clipping"), ("dc", "dc"), ("file", "coarse")]
    assert [finding.channel for finding in take.findings][:2] == [1, 2]


def test_what_leaks_into_a_dead_source_has_no_delay(tmp_path: Path) -> None:
    """Nor a polarity; and the figure is what there is of the guitar."""
    write_take(tmp_path / "spoilt.wav", audio=_leaking(_good(38)))
    take = _checked(tmp_path)
    assert (take.delay_ms, take.delay_uncertainty_ms, take.polarity) == (None, None, None)
    assert "50 dB less of it than the other source, hiss and hum not counted" in take.findings[0].text


def test_hum_that_goes_on_is_no_guitar_that_still_sounds(tmp_path: Path) -> None:
    """The last chord has died away, the hum has not."""
    audio = _good(39)
    audio *= np.interp(
        np.arange(len(audio)), [len(audio) - 4 * RATE_HZ, len(audio) - 2 * RATE_HZ], [1.0, 1e-4]
    )[:, np.newaxis]
    audio += hiss(len(audio), sample_rate_hz=RATE_HZ, seed=2)
    audio += _mains(len(audio), -25.0) * [0.0, 1.0]
    write_take(tmp_path / "spoilt.wav", audio=audio)
    assert {finding.kind for finding in _checked(tmp_path).findings} <= {"hum", "boom"}


@pytest.mark.parametrize("gain", [1.0, 0.4, -0.7])
def test_a_copy_of_playing_that_never_rests_is_told(tmp_path: Path, gain: float) -> None:
    """Tremolo from the first moment to the last has no noise to be held against; a copy of it is one signal."""
    player = Player(notes_per_s=14.0, strings=(59, 64), dynamics_db=2.0, lead_s=0.0, tail_s=0.0)
    wave = 0.3 * strings(12.0, sample_rate_hz=RATE_HZ, seed=5, player=player)[RATE_HZ:]
    write_take(tmp_path / "spoilt.wav", audio=wave[:, np.newaxis] * [1.0, gain])
    take = _checked(tmp_path)
    assert take.inspection is not None
    assert take.inspection.sources[0].noise.signal_to_noise_db < 10.0
    assert "same-signal" in [kind for kind, _ in _problems(take)]


def test_hum_on_both_tracks_is_no_copy(tmp_path: Path) -> None:
    """Two inputs without a guitar have their hum in common, and no playing."""
    audio = _mains(12 * RATE_HZ, -32.0) * [1.0, 0.8] + _noise(12 * RATE_HZ, 1e-4)
    write_take(tmp_path / "spoilt.wav", audio=audio)
    take = _checked(tmp_path)
    assert take.inspection is not None
    assert take.inspection.alignment.same_signal
    assert "same-signal" not in [kind for kind, _ in _problems(take)]


@pytest.mark.parametrize("voltage", [0.1, -0.9])
def test_a_constant_voltage_is_no_sound(tmp_path: Path, voltage: float) -> None:
    """Both sources are dead, whatever rounding the voltage leaves, and it is told what there is."""
    write_take(tmp_path / "spoilt.wav", audio=np.full((5 * RATE_HZ, 2), voltage))
    take = _checked(tmp_path)
    assert set(_problems(take)) == {("dead-source", "silent")}
    assert "only a constant voltage of" in take.findings[0].text


def test_a_take_too_short_to_judge_says_so(tmp_path: Path) -> None:
    """Two thousand frames of playing are told to be too short, and nothing else of them."""
    write_take(tmp_path / "spoilt.wav", audio=_good(31)[2 * RATE_HZ : 2 * RATE_HZ + 2000])
    assert _problems(_checked(tmp_path)) == [("file", "too-short")]


def test_two_dead_sources_leave_nothing_to_mix(tmp_path: Path) -> None:
    """One has at least the other."""
    write_take(tmp_path / "spoilt.wav", audio=np.zeros((5 * RATE_HZ, 2)))
    assert {finding.remedy.split("; ")[1] for finding in _checked(tmp_path).findings} == {
        "there is nothing to mix"
    }
    write_take(tmp_path / "spoilt.wav", audio=_good(31) * [1.0, 0.0])
    told = _checked(tmp_path).findings[0].remedy
    assert told.endswith("; a mix of this take has one source only")


def test_a_file_cut_short_was_not_stopped_too_early(tmp_path: Path) -> None:
    """The recorder ran on: what is missing was lost afterwards. The same sound in a whole file was stopped early."""
    path = tmp_path / "spoilt.wav"
    write_take(path, audio=_good(31)[: 8 * RATE_HZ])
    assert [finding.case for finding in _checked(tmp_path).findings if finding.kind == "file"] == [
        "stopped-early"
    ]
    write_take(path, audio=_good(31))
    data = path.read_bytes()
    path.write_bytes(data[: 44 + 8 * RATE_HZ * 6])
    (told,) = (finding for finding in _checked(tmp_path).findings if finding.kind == "file")
    assert (told.case, told.text) == ("incomplete", "spoilt.wav is cut short: 0:08.000 of 0:12.000 are there")


def test_an_exchanged_take_booms_where_the_others_do(tmp_path: Path, four: list[Path]) -> None:
    """What stands out in the pickup of a take the other way round is not told as the boom of a microphone."""
    write_take(tmp_path / "spoilt.wav", audio=_good(30)[:, ::-1])
    for path in four:
        (tmp_path / path.name).symlink_to(path)
    takes = check_session(CheckRequest(tmp_path), watch=lambda _: None).takes
    booms = {take.name: any(finding.kind == "boom" for finding in take.findings) for take in takes}
    assert not booms.pop("spoilt")
    assert any(booms.values())


@pytest.mark.parametrize(
    ("full_scale", "remedy"),
    [
        (1.0, "turn the input down until loud playing peaks"),
        (0.3, "cut below full scale, they were cut before"),
    ],
)
def test_where_tops_were_cut_decides_what_to_turn_down(
    tmp_path: Path, full_scale: float, remedy: str
) -> None:
    """The recorder clips at full scale; below it something before it does."""
    audio = np.clip(_good(32) * 6.0, -1.0, 1.0) * full_scale
    write_take(tmp_path / "spoilt.wav", audio=audio)
    told = next(finding for finding in _checked(tmp_path).findings if finding.kind == "clipping")
    assert told.remedy.startswith(f"nothing brings the tops back: {remedy}")
