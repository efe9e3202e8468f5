"""The script that makes the example session: the same samples every time, and takes as a recorder leaves them."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from example_sessions import make_boathouse
from example_sessions.guitar import SMALL, path_response
from example_sessions.make_boathouse import TAKES, Take, record_take, seed_of, write_take
from example_sessions.player import length_s, parse_hold, parse_step, play, step_instants
from example_sessions.plucked_string import Loss, apply_finger, design_loop, design_pluck
from example_sessions.surroundings import hiss, lapping, room_response

FOLDER = Path(__file__).resolve().parents[2] / "example_sessions"
STEP = 2.0 ** (1 - make_boathouse.WORD_BITS)
NAMES = [take.tune.name for take in TAKES]


def take_named(name: str) -> Take:
    """One of the session's takes."""
    return TAKES[NAMES.index(name)]


@pytest.mark.parametrize("name", ["02_first_light", "06_casting_off"])
def test_same_samples_twice(name: str) -> None:
    """The beginning of a take, made twice, is the same to the last bit."""
    first = record_take(take_named(name), until_s=2.2)
    again = record_take(take_named(name), until_s=2.2)
    np.testing.assert_array_equal(first, again)


@pytest.mark.parametrize("name", NAMES)
def test_committed_takes_are_what_the_script_makes(name: str) -> None:
    """Four seconds made anew are the beginning of the committed file, within one step of its converter."""
    made = record_take(take_named(name), until_s=4.0)
    kept, sample_rate_hz = soundfile.read(FOLDER / take_named(name).file, dtype="float64", frames=len(made))
    assert sample_rate_hz == take_named(name).sample_rate_hz
    assert np.abs(made[: 2 * sample_rate_hz]).max() > 0.05  # something is played
    assert np.abs(made - kept).max() < 1.01 * STEP


@pytest.mark.parametrize("name", NAMES)
def test_files_are_as_a_recorder_leaves_them(name: str) -> None:
    """Two tracks, 24 bit, 15 to 30 s, not normalised, with room tone at both ends."""
    information = soundfile.info(FOLDER / take_named(name).file)
    audio, sample_rate_hz = soundfile.read(FOLDER / take_named(name).file, dtype="float64")
    assert (information.format, information.subtype, information.channels) == ("FLAC", "PCM_24", 2)
    assert 15.0 <= len(audio) / sample_rate_hz <= 30.0
    peaks_dbfs = 20.0 * np.log10(np.abs(audio).max(axis=0))
    assert ((peaks_dbfs > -12.0) & (peaks_dbfs < -6.0)).all(), peaks_dbfs
    playing = audio[round(1.2 * sample_rate_hz) : -round(6.0 * sample_rate_hz)]
    crest_db = peaks_dbfs - 10.0 * np.log10((playing**2).mean(axis=0))
    assert ((crest_db > 12.0) & (crest_db < 20.0)).all(), crest_db
    for tone in (audio[: round(0.8 * sample_rate_hz)], audio[-round(0.7 * sample_rate_hz) :]):
        level_dbfs = 10.0 * np.log10((tone**2).mean(axis=0))
        assert ((level_dbfs > -100.0) & (level_dbfs < -68.0)).all(), level_dbfs


def test_session_is_small_enough_to_carry() -> None:
    """All files of the session together stay under 10 MB, and no other file is there."""
    files = sorted(file for folder in FOLDER.glob("boathouse*") for file in folder.iterdir())
    assert [str(file.relative_to(FOLDER)) for file in files] == [take.file for take in TAKES]
    assert sum(file.stat().st_size for file in files) < 10_000_000


def test_takes_differ_in_level() -> None:
    """Nobody has normalised the takes: over the session, the peaks differ by 2 dB or more on each track."""
    peaks = np.array(
        [
            np.abs(soundfile.read(FOLDER / take_named(name).file, dtype="float64")[0]).max(axis=0)
            for name in NAMES
        ]
    )
    spread_db = 20.0 * np.log10(peaks.max(axis=0) / peaks.min(axis=0))
    assert (spread_db > 2.0).all()


@pytest.mark.parametrize("name", NAMES)
def test_hands_are_human_and_careful(name: str) -> None:
    """Notes lie near the grid but not on it, never two on one string at once, and the last ones ring for seconds."""
    tune = take_named(name).tune
    plucks = play(tune, np.random.default_rng(7))
    grid_s = np.array([instant for row in step_instants(tune) for instant in row])
    off_s = np.array([np.abs(grid_s - pluck.start_s).min() for pluck in plucks])
    assert off_s.max() < 0.075  # a strum takes its time
    assert 0.001 < np.median(off_s) < 0.020
    for string in range(6):
        notes = [pluck for pluck in plucks if pluck.string == string]
        assert all(earlier.end_s <= later.start_s for earlier, later in pairwise(notes))
    ringing = [pluck for pluck in plucks if pluck.end_s > length_s(plucks) - 2.5]
    assert len(ringing) >= 4
    assert max(pluck.end_s - pluck.start_s for pluck in ringing) > 4.0


def test_another_day_is_played_differently() -> None:
    """Another generator moves every note; the same one moves none."""
    tune = TAKES[0].tune
    one, same, other = (play(tune, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert one == same
    assert len(one) == len(other)
    assert all(a.start_s != b.start_s for a, b in zip(one, other, strict=True))


def test_seeds_come_from_words() -> None:
    """The seed of a take is that of its name, on every machine."""
    assert seed_of("a", "b") == 0xC14CDDC033F64B9D
    assert seed_of("a", "b") != seed_of("a", "c")


@pytest.mark.parametrize("step", ["7", "1:", "v7", "5 4", "3:2x", ""])
def test_unreadable_notation_is_refused(step: str) -> None:
    """A step that is not in the notation is named, not skipped."""
    with pytest.raises(ValueError, match="cannot be read"):
        parse_step(step)


def test_left_hand_needs_six_strings() -> None:
    """A left hand of five strings is refused."""
    with pytest.raises(ValueError, match="must hold six strings"):
        parse_hold("x 0 2 2 1")


def test_notation_is_read() -> None:
    """Strings are counted from the highest in the notation, from the lowest inside; strums go over the strings."""
    (pinch_bass, pinch_top) = parse_step("5+1:3!")
    assert (pinch_bass.string, pinch_bass.fret, pinch_top.string, pinch_top.fret) == (1, None, 5, 3)
    assert pinch_top.accent_db > pinch_bass.accent_db
    assert [touch.string for touch in parse_step("v4")] == [2, 3, 4, 5]
    assert [touch.string for touch in parse_step("^3")] == [5, 4, 3]
    assert parse_step("3:2h")[0].hammered
    assert parse_step(".") == []


def test_impossible_strings_are_refused() -> None:
    """Values that no string can have are refused by name."""
    with pytest.raises(ValueError, match="fundamental_hz must be"):
        design_loop(fundamental_hz=5000.0, loss=Loss(2.0, 0.1), inharmonicity=1e-4, sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="inharmonicity must be"):
        design_loop(fundamental_hz=110.0, loss=Loss(2.0, 0.1), inharmonicity=0.1, sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="would not die away"):
        design_loop(fundamental_hz=110.0, loss=Loss(-2.0, 0.1), inharmonicity=1e-4, sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="position_fraction must lie"):
        design_pluck(fundamental_hz=110.0, position_fraction=1.0, corner_hz=4000.0, sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="delay_ms must be"):
        path_response("saddle pickup", SMALL.body, delay_ms=-1.0, sample_rate_hz=48_000)


def test_finger_stops_a_string_without_a_click() -> None:
    """Where a finger comes back, the wave falls away, highs first, and no step is heard."""
    seconds = np.arange(24_000) / 48_000
    wave = np.sin(2.0 * np.pi * 110.0 * seconds) + 0.3 * np.sin(2.0 * np.pi * 3000.0 * seconds)
    wave.setflags(write=False)
    damped = apply_finger(wave, release_frame=9_600, decay_s=0.03, sample_rate_hz=48_000)
    np.testing.assert_array_equal(damped[:9_600], wave[:9_600])
    assert np.abs(np.diff(damped, 2)).max() <= 1.02 * np.abs(np.diff(wave, 2)).max()
    assert np.abs(damped[-2_400:]).max() < 1e-3
    after = slice(12_000, 13_000)
    highs = np.abs(np.diff(damped[after], 2)).max() / np.abs(np.diff(wave[after], 2)).max()
    assert highs < 0.5 * np.abs(damped[after]).max() / np.abs(wave[after]).max()
    assert apply_finger(wave, release_frame=30_000, decay_s=0.03, sample_rate_hz=48_000) is wave


def test_longer_noise_begins_as_shorter() -> None:
    """Water and hiss of a longer take begin as those of a shorter one; the room has no direct sound in it."""
    for make in (hiss, lapping):
        short = make(20_000, level_dbfs=-60.0, seed=3, sample_rate_hz=48_000)
        long = make(60_000, level_dbfs=-60.0, seed=3, sample_rate_hz=48_000)
        np.testing.assert_allclose(long[:20_000], short, atol=1e-12)
        assert 1e-5 < short.std() < 3e-3
    assert np.abs(room_response(seed=1, sample_rate_hz=48_000)[:48]).max() < 1e-3


def test_written_words_are_the_samples(tmp_path: Path) -> None:
    """What is written is read back to the bit, and nothing unfinished is left beside it."""
    audio = np.round(np.random.default_rng(1).uniform(-0.5, 0.5, (500, 2)) / STEP) * STEP
    path = tmp_path / "new" / "take.flac"
    write_take(audio, path, sample_rate_hz=48_000)
    back, _ = soundfile.read(path, dtype="float64")
    np.testing.assert_array_equal(back, audio)
    assert [file.name for file in path.parent.iterdir()] == ["take.flac"]


def test_too_loud_a_take_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A take that would clip is refused, not clipped."""
    louder = {
        name: make_boathouse.Track(gain_db=20.0, delay_ms=0.0, hiss_dbfs=-90.0)
        for name in make_boathouse.TRACKS
    }
    monkeypatch.setattr(make_boathouse, "TRACKS", louder)
    with pytest.raises(ValueError, match="too loud for the recorder"):
        record_take(TAKES[0], until_s=1.6)
