"""`drytake render` from the outside: files, log, screen, exit status."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from render.cli.main import main
from tests.helpers.sessions import FLOAT, PLAIN_RECIPE, ROOM, read_mix, write_recipe, write_take
from tests.helpers.signals import plucks

FIELDS = {
    "take", "recipe", "output", "status", "reason", "input_sha256", "recipe_sha256", "settings", "sample_rate_hz",
    "frames", "gain_db", "loudness_before_lufs", "loudness_lufs", "loudness_range_lu", "max_momentary_lufs",
    "max_short_term_lufs", "true_peak_dbtp", "limiter_max_reduction_db", "limiter_active_s", "correlation",
    "side_to_mid_db", "mono_level_change_db", "mono_loudness_change_lu", "room_tail_s", "seconds", "warnings",
    "versions", "starts_at_s", "input_files", "alignment",
}  # fmt: skip


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Three short takes."""
    folder = tmp_path / "session"
    for number in (1, 2, 3):
        write_take(folder / f"{number:02d}_take.wav", seed=number)
    return folder


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    """A recipe with a room."""
    return write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE, ROOM)


def run(*arguments: object) -> int:
    """Call the command in this process."""
    return main([str(argument) for argument in arguments])


def log_of(folder: Path) -> list[dict[str, Any]]:
    """All lines of a log."""
    return [json.loads(line) for line in (folder / "log.jsonl").read_text(encoding="utf-8").splitlines()]


def test_a_session_becomes_files_log_and_summary(
    session: Path, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every take becomes a file under the recipe's name; log and summary tell of each."""
    out = tmp_path / "out"

    assert run("render", session, "-r", recipe, "-o", out) == 0

    assert sorted(path.name for path in (out / "warm").iterdir()) == [f"0{n}_take.wav" for n in (1, 2, 3)]
    lines = log_of(out)
    assert [line["status"] for line in lines] == ["done"] * 3
    assert set(lines[0]) >= FIELDS
    assert all(abs(line["loudness_lufs"] + 16.0) < 0.02 for line in lines)
    assert sorted(path.name for path in out.iterdir()) == ["log.jsonl", "summary.txt", "warm"]
    summary = (out / "summary.txt").read_text(encoding="utf-8")
    assert "01_take" in summary
    assert "3 done" in summary
    assert summary in capsys.readouterr().out


def test_without_recipe_and_folder(session: Path) -> None:
    """The session alone is enough: built-in recipe, `mixes` beside the session."""
    assert run("render", session, "--quiet") == 0

    assert len(list((session.parent / "mixes").glob("*/*.wav"))) == 3


def test_a_second_run_leaves_everything_alone(session: Path, recipe: Path, tmp_path: Path) -> None:
    """Nothing changed: nothing written. Then one of the takes is new."""
    out = tmp_path / "out"
    run("render", session, "-r", recipe, "-o", out)
    before = {path: path.stat().st_mtime_ns for path in (out / "warm").iterdir()}

    assert run("render", session, "-r", recipe, "-o", out) == 0
    assert {path: path.stat().st_mtime_ns for path in (out / "warm").iterdir()} == before
    assert [line["status"] for line in log_of(out)[3:]] == ["kept"] * 3

    write_take(session / "00_new.wav", seed=9)
    run("render", session, "-r", recipe, "-o", out)
    assert [line["status"] for line in log_of(out)[6:]].count("kept") == 3
    assert [line["take"] for line in log_of(out)[6:] if line["status"] == "done"] == ["00_new"]


@pytest.mark.parametrize("change", ["input", "recipe", "impulse-response", "output", "redo"])
def test_what_changed_is_rendered_again(tmp_path: Path, change: str) -> None:
    """Another input, recipe, impulse response or a damaged result: that render is done again."""
    take, impulse = tmp_path / "session" / "take.wav", tmp_path / "body.wav"
    write_take(take)
    write_take(impulse, audio=np.eye(64, 1), subtype="FLOAT")
    text = PLAIN_RECIPE.replace(
        "chain = [{ stage", 'chain = [{ stage = "impulse-response", file = "body.wav" }, { stage', 1
    )
    recipe = write_recipe(tmp_path / "warm.toml", text)
    out = tmp_path / "out"
    arguments = ["render", take.parent, "-r", recipe, "-o", out]
    run(*arguments)
    if change == "input":
        write_take(take, seed=5)
    elif change == "recipe":
        write_recipe(recipe, text.replace("-3.0", "-2.0"))
    elif change == "impulse-response":
        write_take(impulse, audio=np.eye(64, 1) + 0.3 * np.eye(64, 1, -7), subtype="FLOAT")
    elif change == "output":
        (out / "warm" / "take.wav").write_bytes(b"")
    else:
        arguments.append("--redo")

    assert run(*arguments) == 0

    assert [line["status"] for line in log_of(out)] == ["done", "done"]


def test_comments_are_no_change(session: Path, recipe: Path, tmp_path: Path) -> None:
    """A recipe that says the same in other words leaves the mixes alone."""
    out = tmp_path / "out"
    run("render", session, "-r", recipe, "-o", out)
    recipe.write_text("# for the new strings\n" + recipe.read_text(encoding="utf-8"), encoding="utf-8")

    run("render", session, "-r", recipe, "-o", out)

    assert [line["status"] for line in log_of(out)[3:]] == ["kept"] * 3


def test_a_broken_take_fails_alone(session: Path, recipe: Path, tmp_path: Path) -> None:
    """One bad file: exit status 1, its reason in table and log, the others done."""
    (session / "02_take.wav").write_text("this is no sound", encoding="utf-8")
    write_take(session / "04_mono.wav", channels=1)
    out = tmp_path / "out"

    assert run("render", session, "-r", recipe, "-o", out) == 1

    lines = {line["take"]: line for line in log_of(out)}
    assert lines["01_take"]["status"] == lines["03_take"]["status"] == "done"
    for take in ("02_take", "04_mono"):
        assert lines[take]["status"] == "failed"
        assert re.match(rf".*{take}\.wav (is|cannot|holds) ", lines[take]["reason"])
        assert set(lines[take]) >= FIELDS
        assert f"{take} failed: {lines[take]['reason']}" in (out / "summary.txt").read_text(encoding="utf-8")
    assert len(list((out / "warm").iterdir())) == 2


def test_recipe_faults_come_before_anything_is_done(
    session: Path, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Faults of two recipes come together, exit status 2, no folder is made."""
    bad = write_recipe(tmp_path / "bad.toml", PLAIN_RECIPE.replace("gain_db = -3.0", "gian_db = -3.0"))
    worse = write_recipe(tmp_path / "worse.toml", PLAIN_RECIPE.replace("channel = 2", 'channel = "two"'))
    out = tmp_path / "out"

    assert run("render", session, "-r", recipe, "-r", bad, "-r", worse, "-o", out) == 2

    said = capsys.readouterr().err
    assert "gian_db" in said
    assert '"gain_db"' in said
    assert "worse.toml" in said
    assert not out.exists()


def test_a_corner_above_the_band_is_refused_before_anything_is_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A cut-off that a take's sample rate cannot hold is a fault of the recipe, named with the take."""
    write_take(tmp_path / "s" / "low.wav", sample_rate_hz=8_000)
    recipe = write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE.replace("2400", "5000"))

    assert run("render", tmp_path / "s", "-r", recipe, "-o", tmp_path / "out") == 2

    said = capsys.readouterr().err
    assert "low" in said
    assert "5000" in said
    assert not (tmp_path / "out" / "log.jsonl").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["render", "nowhere"], "nowhere"),
        (["render", ".", "-r", "nowhere.toml"], "nowhere.toml"),
        (["render", ".", "--from", "0:50", "--to", "0:30"], "swap them"),
        (["render", ".", "--from", "soon"], "is no time"),
        (["render", ".", "--jobs", "0"], "whole number"),
        (["render"], "SESSION"),
        ([], "turn takes into finished stereo files"),
        (["rendre"], "there is no command 'rendre'; did you mean drytake render?"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_wrong_calls(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    words: str,
) -> None:
    """A wrong call says what is wrong, does nothing, and ends with 2."""
    monkeypatch.chdir(tmp_path)

    assert main(arguments) == 2

    assert words in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_passage_is_that_part_of_the_whole(tmp_path: Path) -> None:
    """`--from --to` gives the bits of the whole's passage, beside the whole, not in its place."""
    write_take(tmp_path / "s" / "take.wav", duration_s=12.0)
    recipe = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE, ROOM, FLOAT)
    out = tmp_path / "out"
    run("render", tmp_path / "s", "-r", recipe, "-o", out)

    assert run("render", tmp_path / "s", "-r", recipe, "-o", out, "--from", "0:07.25", "--to", "9.5") == 0

    passage = read_mix(out / "r" / "take_from_0m07.25s_to_0m09.5s.wav")
    whole = read_mix(out / "r" / "take.wav")
    assert np.array_equal(passage, whole[round(7.25 * 48_000) : round(9.5 * 48_000)])


def test_a_passage_past_the_end_is_a_failure_of_that_take(tmp_path: Path) -> None:
    """The take that is too short fails, the longer one is done."""
    write_take(tmp_path / "s" / "short.wav", duration_s=1.0)
    write_take(tmp_path / "s" / "long.wav", duration_s=4.0)

    assert run("render", tmp_path / "s", "-o", tmp_path / "out", "--from", "2", "--to", "3") == 1

    lines = {line["take"]: line for line in log_of(tmp_path / "out")}
    assert lines["long"]["status"] == "done"
    assert "the take ends at 0:01.0" in lines["short"]["reason"]


def test_json_is_one_object(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--json` prints nothing but one object."""
    run("render", session, "-o", tmp_path / "out", "--json")

    printed = json.loads(capsys.readouterr().out)
    assert [line["status"] for line in printed["renders"]] == ["done"] * 3


def test_an_output_folder_inside_the_session_is_no_take(session: Path, recipe: Path) -> None:
    """Results inside the session folder are not rendered again, not even with --deep."""
    out = session / "results"
    run("render", session, "-r", recipe, "-o", out)

    assert run("render", session, "-r", recipe, "-o", out, "--deep") == 0

    assert {line["take"] for line in log_of(out)} == {"01_take", "02_take", "03_take"}


def test_nothing_writes_to_an_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A call whose mix would take the place of a capture is refused."""
    take = tmp_path / "warm" / "take.wav"
    write_take(take)
    before = take.read_bytes()
    recipe = write_recipe(tmp_path / "warm.toml", PLAIN_RECIPE)

    assert run("render", tmp_path / "warm", "-r", recipe, "-o", tmp_path) == 2

    assert "take the place of a capture" in capsys.readouterr().err
    assert take.read_bytes() == before


def test_one_gain_for_a_session(tmp_path: Path) -> None:
    """`level_by = "session"`: the loudest take at target, the others keep their distance; a new take is measured."""
    folder, out = tmp_path / "s", tmp_path / "out"
    for name, gain in (("loud", 1.0), ("soft", 0.25)):
        audio = write_take(folder / f"{name}.wav", duration_s=3.0)
        write_take(folder / f"{name}.wav", audio=gain * audio)
    recipe = write_recipe(
        tmp_path / "r.toml", PLAIN_RECIPE, '[finish]\nlevel_by = "session"\nloudness_lufs = -20.0\n'
    )

    run("render", folder, "-r", recipe, "-o", out)

    lines = {line["take"]: line for line in log_of(out)}
    assert abs(lines["loud"]["loudness_lufs"] + 20.0) < 0.02
    assert lines["loud"]["gain_db"] == lines["soft"]["gain_db"]
    assert abs(lines["loud"]["loudness_lufs"] - lines["soft"]["loudness_lufs"] - 12.04) < 0.05

    run("render", folder, "-r", recipe, "-o", out)
    assert [line["status"] for line in log_of(out)[2:]] == ["kept", "kept"]

    write_take(folder / "louder.wav", audio=2.0 * audio)
    run("render", folder, "-r", recipe, "-o", out)
    lines = {line["take"]: line for line in log_of(out)[4:]}
    assert [lines[name]["status"] for name in ("loud", "soft", "louder")] == ["done"] * 3
    assert abs(lines["louder"]["loudness_lufs"] + 20.0) < 0.02
    assert len({line["gain_db"] for line in lines.values()}) == 1


BY_SESSION = '[finish]\nlevel_by = "session"\nloudness_lufs = -20.0\n'


@pytest.fixture
def levelled(tmp_path: Path) -> tuple[Path, Path, Path, list[dict[str, Any]]]:
    """A session of three takes of falling level, levelled as a whole: folder, recipe, output, log."""
    folder, out = tmp_path / "s", tmp_path / "out"
    for name, gain in (("loud", 1.0), ("soft", 0.25), ("softer", 0.1)):
        write_take(folder / f"{name}.wav", audio=gain * plucks(2.0, sample_rate_hz=48_000))
    recipe = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE, BY_SESSION)
    run("render", folder, "-r", recipe, "-o", out)
    return folder, recipe, out, log_of(out)


def test_a_take_by_itself_has_the_gain_of_its_session(
    levelled: tuple[Path, Path, Path, list[dict[str, Any]]],
) -> None:
    """As the log knows it: unchanged it is kept, recorded again it is as loud as before, and a note says so."""
    folder, recipe, out, lines = levelled
    assert run("render", folder / "soft.wav", "-r", recipe, "-o", out) == 0
    assert log_of(out)[-1]["status"] == "kept"

    write_take(folder / "soft.wav", audio=0.2 * plucks(2.0, sample_rate_hz=48_000, seed=5))
    assert run("render", folder / "soft.wav", "-r", recipe, "-o", out) == 0
    line = log_of(out)[-1]
    assert (line["status"], line["gain_db"]) == ("done", lines[0]["gain_db"])
    assert (line["level_set_by"], line["session_takes"]) == ("loud", 3)
    assert any("levelled like its session of 3 takes" in text for text in line["warnings"])


def test_a_passage_of_a_take_by_itself_is_as_loud_as_in_its_session(
    levelled: tuple[Path, Path, Path, list[dict[str, Any]]],
) -> None:
    """The gain of the whole session, until that passage of all takes has been levelled."""
    folder, recipe, out, lines = levelled
    passage = ("--from", "0.5", "--to", "1.5", "-r", recipe, "-o", out)
    run("render", folder / "softer.wav", *passage)
    assert log_of(out)[-1]["gain_db"] == lines[0]["gain_db"]
    run("render", folder, *passage)
    gain_db = log_of(out)[-1]["gain_db"]
    assert gain_db != lines[0]["gain_db"]
    run("render", folder / "softer.wav", *passage, "--redo")
    assert log_of(out)[-1]["gain_db"] == gain_db


def test_a_take_by_itself_of_which_no_session_is_known_is_levelled_by_itself(
    levelled: tuple[Path, Path, Path, list[dict[str, Any]]],
) -> None:
    """Another recipe, another precision, another place: told, and no session for the next one either."""
    folder, recipe, out, lines = levelled
    other = write_recipe(recipe.with_name("other.toml"), PLAIN_RECIPE, BY_SESSION.replace("-20.0", "-21.0"))
    elsewhere = folder.with_name("t") / "soft.wav"
    elsewhere.parent.mkdir()
    elsewhere.write_bytes((folder / "soft.wav").read_bytes())
    beside = elsewhere.with_name("softer.wav")
    beside.write_bytes((folder / "softer.wav").read_bytes())
    for call in (
        (folder / "soft.wav", "-r", other),
        (folder / "soft.wav", "-r", recipe, "--precision", "double"),
        (elsewhere, "-r", recipe, "--redo"),
        (beside, "-r", recipe, "--redo"),
    ):
        run("render", *call, "-o", out)
        line = log_of(out)[-1]
        assert (line["session_takes"], line["level_set_by"]) == (1, line["take"])
        assert line["gain_db"] > lines[0]["gain_db"] + 6.0
        assert any("levelled by itself" in text for text in line["warnings"])


def test_silence_is_rendered_with_null_figures(tmp_path: Path) -> None:
    """A silent take has no loudness: null in the log, a file all the same."""
    write_take(tmp_path / "s" / "silence.wav", audio=np.zeros((48_000, 2)))
    out = tmp_path / "out"

    assert run("render", tmp_path / "s", "-o", out) == 0

    (line,) = log_of(out)
    assert line["loudness_lufs"] is None
    assert line["true_peak_dbtp"] is None
    assert line["warnings"]


def test_another_sessions_mix_is_not_replaced(tmp_path: Path) -> None:
    """Two captures of one name into one folder: the first mix stays, the second take says why; --redo replaces it."""
    out = tmp_path / "mixes"
    for number, day in enumerate(("monday", "tuesday")):
        write_take(tmp_path / day / "take.wav", seed=number)
    run("render", tmp_path / "monday", "-o", out, "--quiet")
    (mix,) = out.glob("*/take.wav")
    first = mix.read_bytes()

    assert run("render", tmp_path / "tuesday", "-o", out, "--quiet") == 1

    assert mix.read_bytes() == first
    assert "monday" in log_of(out)[-1]["reason"]
    assert run("render", tmp_path / "tuesday", "-o", out, "--quiet", "--redo") == 0
    assert mix.read_bytes() != first


def test_a_moved_session_is_no_other(tmp_path: Path) -> None:
    """The same captures in a renamed folder are kept; recorded over in place they are rendered again."""
    out = tmp_path / "mixes"
    write_take(tmp_path / "monday" / "take.wav")
    run("render", tmp_path / "monday", "-o", out, "--quiet")
    (tmp_path / "monday").rename(tmp_path / "first")

    assert run("render", tmp_path / "first", "-o", out, "--quiet") == 0
    assert log_of(out)[-1]["status"] == "kept"


def test_a_capture_that_stops_while_ringing_is_faded(tmp_path: Path) -> None:
    """No step where the recorder was stopped, and a word about it; a take that ends in silence is left alone."""
    audio = np.full((96_000, 2), 0.1) * np.sin(np.arange(96_000) * 0.05)[:, np.newaxis]
    quiet = audio.copy()
    quiet[-48_000:] = 0.0
    write_take(tmp_path / "s" / "ringing.wav", audio=audio)
    write_take(tmp_path / "s" / "silent.wav", audio=quiet)
    recipe = write_recipe(
        tmp_path / "r.toml",
        PLAIN_RECIPE,
        FLOAT.replace("tail_s = 0.0", "tail_s = 0.5").replace("fade_out_ms = 0", "fade_out_ms = 100"),
    )
    out = tmp_path / "out"
    run("render", tmp_path / "s", "-r", recipe, "-o", out, "--quiet")

    lines = {line["take"]: line for line in log_of(out)}
    assert any("still sounds" in text for text in lines["ringing"]["warnings"])
    assert not any("still sounds" in text for text in lines["silent"]["warnings"])
    mix = read_mix(out / "r" / "ringing.wav")
    assert np.abs(np.diff(mix[95_900:96_100], axis=0)).max() < 1e-3
    assert np.abs(mix[90_000:91_000]).max() > 0.05


def test_very_soft_takes_are_warned_of(tmp_path: Path) -> None:
    """A take raised by more than 30 dB is marked: its noise comes up with it."""
    audio = write_take(tmp_path / "s" / "soft.wav")
    write_take(tmp_path / "s" / "soft.wav", audio=0.003 * audio)

    run("render", tmp_path / "s", "-o", tmp_path / "out", "--quiet")

    assert any("raised by" in text for text in log_of(tmp_path / "out")[0]["warnings"])


@pytest.mark.parametrize("level_by", ["take", "session"])
def test_noise_alone_is_not_brought_to_the_loudness_of_music(tmp_path: Path, level_by: str) -> None:
    """What check calls nothing played keeps its own level; music under as much noise comes up as asked."""
    noise = np.random.default_rng(4).normal(0.0, [4e-4, 8e-4], (5 * 48_000, 2))
    write_take(tmp_path / "noise" / "noise.wav", audio=noise)
    music = write_take(tmp_path / "music" / "music.wav", duration_s=5.0, seed=3)
    write_take(tmp_path / "music" / "music.wav", audio=0.006 * music / np.abs(music).max() + 0.1 * noise)
    asked = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE, f'[finish]\nlevel_by = "{level_by}"')
    for name in ("noise", "music"):
        run("render", tmp_path / name, "-r", asked, "-o", tmp_path / "out", "--quiet", "--jobs", 1)
    lines = {line["take"]: line for line in log_of(tmp_path / "out")}
    remark = "nothing but noise: left at its own level"
    assert lines["noise"]["gain_db"] == 0.0
    assert lines["noise"]["loudness_lufs"] < -55.0
    assert remark in lines["noise"]["warnings"]
    assert lines["music"]["gain_db"] > 20.0
    assert lines["music"]["loudness_lufs"] == pytest.approx(-16.0, abs=0.1)
    assert remark not in lines["music"]["warnings"]


def test_a_reader_that_closes_does_not_end_the_rendering(session: Path, tmp_path: Path) -> None:
    """`| head -1` on the far side: every take is done all the same."""
    command = [sys.executable, "-m", "render", "render", str(session), "-o", str(tmp_path / "out")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.close()
    process.communicate(timeout=60)

    assert len(list((tmp_path / "out").glob("*/*.wav"))) == 3
    assert (tmp_path / "out" / "summary.txt").exists()


@pytest.mark.parametrize("format_name", ["wav", "flac", "ogg", "opus", "mp3"])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_every_format(tmp_path: Path, format_name: str, rate_hz: int) -> None:
    """Every format is written, and reads back at the right length and rate."""
    import soundfile

    write_take(tmp_path / "s" / "take.wav", sample_rate_hz=rate_hz)
    recipe = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE, f'[finish]\nformat = "{format_name}"\n')

    assert run("render", tmp_path / "s", "-r", recipe, "-o", tmp_path / "out") == 0

    (line,) = log_of(tmp_path / "out")
    info = soundfile.info(tmp_path / "out" / line["output"])
    assert info.samplerate == line["sample_rate_hz"] == (48_000 if format_name == "opus" else rate_hz)
    assert abs(info.frames - line["frames"]) <= (0 if format_name in ("wav", "flac") else 2_000)


@pytest.mark.parametrize("format_name", ["ogg", "opus", "mp3"])
def test_previews_tell_what_is_heard_of_them(tmp_path: Path, format_name: str) -> None:
    """The log's figures are those of the decoded file: of a whole take, of a passage, of silence; the same twice."""
    write_take(tmp_path / "s" / "take.wav", duration_s=3.0)
    write_take(tmp_path / "s" / "silence.wav", audio=np.zeros((48_000, 2)))
    recipe = write_recipe(tmp_path / "r.toml", PLAIN_RECIPE, f'[finish]\nformat = "{format_name}"\n')
    out, again = tmp_path / "out", tmp_path / "again"
    for call in (("-o", out), ("-o", out, "--from", "0.3", "--to", "0.9"), ("-o", again)):
        assert run("render", tmp_path / "s", "-r", recipe, *call) == 0

    assert len(log_of(out)) == 4
    for line in log_of(out):
        audio = read_mix(out / line["output"])
        if line["take"] == "silence":
            assert (line["true_peak_dbtp"], line["loudness_lufs"], line["correlation"]) == (None, None, None)
            continue
        assert line["loudness_lufs"] == pytest.approx(-16.0, abs=0.011)
        sample_peak_db = 20.0 * np.log10(np.abs(audio).max())
        assert sample_peak_db - 0.01 <= line["true_peak_dbtp"] <= -1.0 + 0.02
    for line in log_of(again):
        assert (again / line["output"]).read_bytes() == (out / line["output"]).read_bytes()
    assert not list(out.rglob(".drytake*"))


def test_dead_and_doubled_sources_are_told_once_a_take(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A silent source, one signal on both tracks: the mix is made, table and log say what is wrong with it."""
    folder, out = tmp_path / "session", tmp_path / "out"
    sound = plucks(2.0, sample_rate_hz=48_000)
    write_take(folder / "1_fine.wav", audio=sound)
    write_take(folder / "2_silent.wav", audio=sound * [1.0, 0.0])
    write_take(folder / "3_doubled.wav", audio=sound[:, [0, 0]] * [1.0, 0.7])
    recipes = [write_recipe(tmp_path / f"{name}.toml", PLAIN_RECIPE) for name in ("one", "other")]

    assert run("render", folder, "-r", recipes[0], "-r", recipes[1], "-o", out) == 0

    warnings = [line["warnings"] for line in sorted(log_of(out), key=lambda line: str(line["take"]))]
    assert not any("source" in text for told in warnings[:2] for text in told)
    assert all(told[0].startswith("no sound on mic (channel 2)") for told in warnings[2:4])
    assert all("hold the same signal" in told[0] for told in warnings[4:])
    printed = capsys.readouterr().out
    assert printed.count("* 2_silent: no sound on mic (channel 2): the mix has pickup alone") == 1
    assert printed.count("* 3_doubled: pickup (channel 1) and mic (channel 2) hold the same signal") == 1


def test_a_recipe_that_reads_one_channel_twice_is_told(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both sources on one channel: the mix is made, and the recipe is named with the remedy."""
    recipe = write_recipe(tmp_path / "typo.toml", PLAIN_RECIPE.replace("channel = 2", "channel = 1"))

    assert run("render", session, "-r", recipe, "-o", tmp_path / "out") == 0

    printed = capsys.readouterr().out
    assert "* 01_take: pickup and mic both read channel 1" in printed
    assert "give one of them the other channel in the recipe typo" in printed


def _summary(folder: Path) -> list[str]:
    return (folder / "summary.txt").read_text(encoding="utf-8").splitlines()


def test_a_smaller_call_does_not_lose_the_summary(session: Path, recipe: Path, tmp_path: Path) -> None:
    """One take again, a passage, another recipe: rows are renewed or added, none is lost."""
    out = tmp_path / "out"
    run("render", session, "-r", recipe, "-o", out)
    whole = _summary(out)

    run("render", session / "02_take.wav", "-r", recipe, "-o", out)
    run("render", session, "-r", recipe, "-o", out, "--from", "0.5", "--to", "1")

    rows = _summary(out)
    assert [row.split()[0] for row in rows[:5]] == [row.split()[0] for row in whole[:5]]
    assert "kept" in rows[3]
    assert "done" in rows[2]

    other = write_recipe(tmp_path / "open.toml", PLAIN_RECIPE)
    run("render", session / "01_take.wav", "-r", other, "-o", out)
    assert [tuple(row.split()[:2]) for row in _summary(out)[2:6]] == [
        ("01_take", "open"),
        *((f"0{number}_take", "warm") for number in (1, 2, 3)),
    ]


def test_the_summary_tells_what_is_there(session: Path, recipe: Path, tmp_path: Path) -> None:
    """A mix that was removed is no row; a failure is one until its capture is gone."""
    out = tmp_path / "out"
    (session / "02_take.wav").write_text("no sound", encoding="utf-8")
    run("render", session, "-r", recipe, "-o", out)
    (out / "warm" / "01_take.wav").unlink()

    run("render", session / "03_take.wav", "-r", recipe, "-o", out)
    assert [row.split()[0] for row in _summary(out)[2:4]] == ["02_take", "03_take"]

    (session / "02_take.wav").unlink()
    run("render", session / "03_take.wav", "-r", recipe, "-o", out)
    assert _summary(out)[2].startswith("03_take")
    assert "02_take" not in "".join(_summary(out))


def test_a_passage_alone_makes_no_summary(
    session: Path, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And none is promised on the screen."""
    out = tmp_path / "out"

    run("render", session, "-r", recipe, "-o", out, "--to", "1")

    assert not (out / "summary.txt").exists()
    assert "(log.jsonl)" in capsys.readouterr().out
