"""What `drytake check` prints: folders apart, booms once a folder, columns and lines that fit a window."""

from __future__ import annotations

from pathlib import Path, PurePath

import numpy as np
import pytest

from render.cli.check_screen import print_checked
from render.cli.main import main
from render.session.takes import Take
from render.workflows.check.findings import Finding
from render.workflows.check.session import CheckedTake, CheckResult
from tests.helpers.rehearsal import hiss, strings, two_sources
from tests.helpers.sessions import write_take

RATE_HZ = 48_000


def boom(frequency_hz: float, prominence_db: float) -> Finding:
    """A resonance of the second source."""
    figures = {"frequency_hz": frequency_hz, "prominence_db": prominence_db}
    text = f"it booms at {frequency_hz:.0f} Hz"
    return Finding("boom", "note", text, "cut it", channel=2, figures=figures)


OTHER = Finding("other-guitar", "warning", "another guitar than in the other takes", "a recipe of its own")


def told(name: str, *findings: Finding) -> CheckedTake:
    """A take of which nothing but its findings is known."""
    path = PurePath(name)
    take = Take((Path("session", name + ".wav"),), name, path.parent)
    return CheckedTake(take, (1, 2), ("pickup", "mic"), None, list(findings))


def printed(capsys: pytest.CaptureFixture[str], *takes: CheckedTake, width: int = 200) -> list[str]:
    """Lines of a check."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(width))
        print_checked(CheckResult(list(takes)), faults_only=False)
    return capsys.readouterr().out.splitlines()


def test_booms_are_told_folder_by_folder(capsys: pytest.CaptureFixture[str]) -> None:
    """Each folder is a guitar of its own; two booms of one take that lie together count as one take."""
    lines = printed(
        capsys,
        told("small/1", boom(104.0, 9.0), boom(201.0, 5.0)),
        told("small/2", boom(105.0, 12.0), boom(201.0, 5.0), boom(204.0, 6.0)),
        told("large/3", boom(199.0, 6.0)),
    )

    assert "note, small, mic: it booms at 104 Hz (12 dB, 2 takes), 202 Hz (6 dB, 2 takes)" in lines
    assert "note, large, mic: it booms at 199 Hz (6 dB)" in lines
    assert "small/" in lines
    assert "large/" in lines


def test_one_folder_is_not_named(capsys: pytest.CaptureFixture[str]) -> None:
    """Nor are its takes counted where there is one only."""
    lines = printed(capsys, told("1", boom(104.0, 9.0)))

    assert "note, mic: it booms at 104 Hz (9 dB)" in lines


def test_takes_beside_folders_stand_under_the_name_of_theirs(capsys: pytest.CaptureFixture[str]) -> None:
    """The session's own folder has a name too."""
    lines = printed(capsys, told("1", boom(104.0, 9.0)), told("more/2"))

    assert lines.index("session/") < lines.index("more/")
    assert "note, session, mic: it booms at 104 Hz (9 dB)" in lines


def test_booms_of_another_guitar_stand_under_its_take(capsys: pytest.CaptureFixture[str]) -> None:
    """They are not those of the others."""
    lines = printed(capsys, told("1", boom(104.0, 9.0)), told("2", OTHER, boom(104.0, 20.0)))

    assert "note, mic: it booms at 104 Hz (9 dB, 1 take)" in lines
    assert lines.index("2") < lines.index("  note, mic: it booms at 104 Hz")


def test_a_row_counts_what_stands_under_its_take(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing but booms, which are told below: in order."""
    lines = printed(
        capsys,
        told("one", boom(104.0, 9.0), boom(201.0, 5.0)),
        told("two", OTHER, boom(104.0, 9.0), boom(201.0, 5.0)),
    )

    found = {
        line.split()[0]: line.split(maxsplit=1)[1] for line in lines if line.startswith(("one ", "two "))
    }
    assert found == {"one": "in order", "two": "1 warning, 2 notes"}


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short name and one that leaves no room for anything beside it."""
    folder = tmp_path_factory.mktemp("session")
    both = two_sources(strings(8.0, sample_rate_hz=RATE_HZ, seed=4), sample_rate_hz=RATE_HZ)
    both = both * (0.35 / np.abs(both).max(axis=0))
    audio = both + hiss(len(both), sample_rate_hz=RATE_HZ, seed=4)[: len(both)]
    write_take(folder / "short" / "one.wav", audio=audio)
    write_take(folder / "long" / f"{'a_long_name_' * 5}.wav", audio=audio)
    return folder


@pytest.mark.parametrize(
    ("width", "left_out"),
    [
        (140, ""),
        (100, "RMS, crest"),
        (80, "format, sound, RMS, crest, loudness"),
        (60, "format, length, sound, peak, RMS, crest, loudness"),
        (50, "format, length, sound, peak, RMS, crest, loudness, delay"),
    ],
)
def test_what_a_line_check_is_for_stays_longest(
    session: Path,
    width: int,
    left_out: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """True peak, noise and delay; what is not shown is named, and no line is wider than the window."""
    monkeypatch.setenv("COLUMNS", str(width))

    main(["check", str(session / "short")])

    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= width
    text = " ".join(" ".join(lines).split())
    assert (f"no room for: {left_out}; widen the window, or see --json" in text) == bool(left_out)
    assert ("no room for" in text) == bool(left_out)


def test_a_name_too_long_for_figures_beside_it_stands_above_them(
    session: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The figures stay."""
    monkeypatch.setenv("COLUMNS", "64")

    main(["check", str(session / "long")])

    lines = capsys.readouterr().out.splitlines()
    at = lines.index("a_long_name_" * 5)
    assert "channel 1 " in lines[at + 1]
    assert "channel 2 " in lines[at + 2]
    assert "true peak" in lines[0]


def test_no_level_is_minus_zero(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A take up to full scale has a peak of 0.0, in the table and for scripts."""
    audio = two_sources(strings(6.0, sample_rate_hz=RATE_HZ, seed=3), sample_rate_hz=RATE_HZ)
    write_take(tmp_path / "full.wav", audio=audio / np.abs(audio).max(axis=0) * 0.9999)
    for more in ([], ["--json"]):
        main(["check", str(tmp_path), "--jobs", "1", *more])
        out = capsys.readouterr().out
        assert "0.0" in out
        assert "-0.0 " not in out
        assert "-0.0," not in out
