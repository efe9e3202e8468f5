"""The ledger: what is done is known by content, torn lines hurt nobody."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from render.engine.ledger import Ledger, Line, identity_of
from render.errors import OutputError


def _line(folder: Path, *, identity: str = "a", status: str = "done") -> Line:
    output = folder / "mix.wav"
    output.write_bytes(b"sound")
    known = output.stat()
    return {
        "identity": identity,
        "mix_identity": f"mix of {identity}",
        "status": status,
        "output": "mix.wav",
        "output_bytes": known.st_size,
        "output_modified_ns": known.st_mtime_ns,
        "gain_db": 1.0,
        "loudness_before_lufs": -20.0,
        "level_set_by": None,
        "session_gain_db": None,
        "session_takes": 0,
        "session_identity": f"session of {identity}",
    }


def test_a_finished_mix_is_found_again(tmp_path: Path) -> None:
    """A line written by one run is known to the next."""
    Ledger(tmp_path).add(_line(tmp_path))

    found = Ledger(tmp_path).kept("a")

    assert found is not None
    assert found["gain_db"] == 1.0
    assert Ledger(tmp_path).kept("b") is None
    assert Ledger(tmp_path).mixed("mix of a") == found


@pytest.mark.parametrize(
    ("takes", "identity", "known"), [(2, "evening", True), (1, "evening", False), (2, None, False)]
)
def test_a_session_that_was_levelled_as_a_whole_is_known(
    tmp_path: Path, takes: int, identity: str | None, known: bool
) -> None:
    """Not one that was a single take, nor a take whose gain came out of the log itself."""
    line = _line(tmp_path) | {"session_gain_db": 3.0, "session_takes": takes, "session_identity": identity}
    Ledger(tmp_path).add(line)
    assert (Ledger(tmp_path).levelled("evening") is not None) is known


@pytest.mark.parametrize("change", ["remove", "lengthen", "touch"])
def test_a_changed_file_is_not_kept(tmp_path: Path, change: str) -> None:
    """A mix that somebody removed or changed is made again."""
    ledger = Ledger(tmp_path)
    ledger.add(_line(tmp_path))
    output = tmp_path / "mix.wav"
    if change == "remove":
        output.unlink()
    elif change == "lengthen":
        output.write_bytes(b"sounds")
    else:
        import os

        os.utime(output, ns=(1, 1))

    assert ledger.kept("a") is None


def test_a_failed_render_is_not_kept(tmp_path: Path) -> None:
    """Only what was done counts."""
    ledger = Ledger(tmp_path)
    ledger.add(_line(tmp_path, status="failed"))

    assert ledger.kept("a") is None


def test_a_torn_line_is_left_alone(tmp_path: Path) -> None:
    """Half a line of a killed run is passed over, and the next line does not run into it."""
    (tmp_path / "log.jsonl").write_text('{"identity": "a", "sta', encoding="utf-8")

    ledger = Ledger(tmp_path)
    ledger.add(_line(tmp_path, identity="b"))

    lines = (tmp_path / "log.jsonl").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2
    assert json.loads(lines[1])["identity"] == "b"
    assert Ledger(tmp_path).kept("b") is not None


def test_foreign_lines_are_passed_over(tmp_path: Path) -> None:
    """A log that somebody edited does no harm."""
    (tmp_path / "log.jsonl").write_text('[1, 2]\n"text"\n{"status": "done"}\nnonsense\n', encoding="utf-8")

    assert Ledger(tmp_path).kept("a") is None


def test_an_unwritable_log_is_said(tmp_path: Path) -> None:
    """A log that is a folder is an error with its name."""
    line = _line(tmp_path)
    ledger = Ledger(tmp_path)
    (tmp_path / "log.jsonl").mkdir()
    with pytest.raises(OutputError, match=r"log\.jsonl: cannot be written"):
        ledger.add(line)
    with pytest.raises(OutputError, match=r"log\.jsonl: cannot be read"):
        Ledger(tmp_path)


def test_identity_forgets_the_order_of_keys() -> None:
    """The same parts have the same identity, other parts another."""
    assert identity_of({"a": 1, "b": 2.5}) == identity_of({"b": 2.5, "a": 1})
    assert identity_of({"a": 1}) != identity_of({"a": 2})


def test_what_stands_is_the_newest_line_of_every_output(tmp_path: Path) -> None:
    """Of a mix as long as its file is there, of a failure as long as its capture is."""
    capture = tmp_path / "broken.wav"
    capture.write_bytes(b"no sound")
    ledger = Ledger(tmp_path)
    ledger.add(_line(tmp_path, identity="a"))
    ledger.add(_line(tmp_path, identity="b"))
    ledger.add({"status": "failed", "output": "broken.wav", "input_files": [str(capture)]})
    ledger.add({"status": "done", "output": "gone.wav"})

    assert [line.get("identity", line["output"]) for line in Ledger(tmp_path).standing()] == [
        "b",
        "broken.wav",
    ]

    capture.unlink()
    assert [line["output"] for line in ledger.standing()] == ["mix.wav"]
