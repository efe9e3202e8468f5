"""From a file to a tree of values."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from render.recipe.reading import (
    MOST_BYTES,
    NotTomlError,
    UnreadableError,
    nearest_file,
    parse_layer,
    read_text,
)

PATH = Path("warm.toml")


def test_text_is_read_with_or_without_a_byte_order_mark(tmp_path: Path) -> None:
    """Some editors put one there."""
    for data in (b"a = 1\n", b"\xef\xbb\xbfa = 1\n"):
        (tmp_path / "warm.toml").write_bytes(data)
        assert read_text(tmp_path / "warm.toml") == "a = 1\n"


@pytest.mark.parametrize(
    ("name", "near"), [("wram.toml", '"warm.toml"'), ("warm", '"warm.toml"'), ("zz.toml", None)]
)
def test_a_missing_file_is_told_with_the_nearest(tmp_path: Path, name: str, near: str | None) -> None:
    """If one is near."""
    (tmp_path / "warm.toml").touch()
    (tmp_path / "warm.wav").touch()
    with pytest.raises(UnreadableError, match="does not exist") as caught:
        read_text(tmp_path / name)
    assert caught.value.fix == (f"did you mean {near}?" if near else "check the name and the folder")


def test_nothing_is_near_in_a_folder_that_is_not_there(tmp_path: Path) -> None:
    """Or cannot be listed."""
    assert nearest_file(tmp_path / "no" / "warm.toml") is None


def test_a_folder_is_no_recipe(tmp_path: Path) -> None:
    """A file in it may be."""
    with pytest.raises(UnreadableError, match="is a folder; name the recipe in it"):
        read_text(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes among its files")
def test_a_pipe_is_no_recipe(tmp_path: Path) -> None:
    """Reading it would wait for ever."""
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(UnreadableError, match="is no ordinary file"):
        read_text(tmp_path / "pipe.toml")


def test_a_file_that_the_system_refuses_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the system's reason."""
    (tmp_path / "warm.toml").touch()

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(UnreadableError, match="cannot be read: Permission denied; check the name"):
        read_text(tmp_path / "warm.toml")


def test_a_name_that_no_file_can_have_is_told() -> None:
    """As any other file that cannot be read."""
    with pytest.raises(UnreadableError, match=r"does not exist|a name that no file can have"):
        read_text(Path("a\0b.toml"))
    with pytest.raises(UnreadableError, match=r"cannot be read|does not exist"):
        read_text(Path("x" * 5000))


def test_a_large_file_is_refused(tmp_path: Path) -> None:
    """Without reading the whole of it."""
    path = tmp_path / "warm.toml"
    path.write_bytes(b"#" * MOST_BYTES)
    assert len(read_text(path)) == MOST_BYTES
    path.write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(UnreadableError, match="is larger than 1 MB"):
        read_text(path)


def test_other_encodings_are_told_with_their_line(tmp_path: Path) -> None:
    """As written by old editors."""
    (tmp_path / "warm.toml").write_bytes("a = 1\nb = 'Saitenabstände'\n".encode("latin-1"))
    with pytest.raises(UnreadableError, match="is not UTF-8 text; save it again") as caught:
        read_text(tmp_path / "warm.toml")
    assert caught.value.line == 2


def test_a_text_that_could_not_be_a_file_is_refused() -> None:
    """Half of a surrogate pair, a text that is too long."""
    with pytest.raises(UnreadableError, match="is not UTF-8 text") as caught:
        parse_layer("a = 1\n\nb = '\ud800'", PATH)
    assert caught.value.line == 3
    with pytest.raises(UnreadableError, match="is larger than 1 MB"):
        parse_layer("#" * (MOST_BYTES + 1), PATH)


@pytest.mark.parametrize(
    ("text", "line", "reason", "fix"),
    [
        ("a = 1\nb =\n", 2, "column 4: invalid value", "write a value after the ="),
        ("a = wav", 1, "column 5: invalid value", 'put words in quotes: "wav"'),
        ("a = -0,5", 1, "column 7", "write numbers with a point: 0.5, not 0,5"),
        ("a = .5", 1, "column 5", "write a digit before the point: 0.5, not .5"),
        ("a = 5.\nb = 1", 1, "column 6", "write a digit after the point: 5.0, not 5."),
        ("a = 60 Hz", 1, "column 8", "write the number alone: the key has the unit"),
        ("loud\n", 1, "column", "a line is a [table], or a key = value, or begins with # for a comment"),
        ('a = "x', 1, "at the end", "check quotes, brackets and commas"),
        ("[a\nb = 1", 1, "column 3", "check quotes, brackets and commas"),
        ("a = [\n 1,\n 2\n b = 3\n", 4, "unclosed array (in what begins in line 1: a)", "check quotes"),
    ],
)
def test_what_is_not_toml_is_told_with_line_and_advice(text: str, line: int, reason: str, fix: str) -> None:
    """By the look of the line."""
    with pytest.raises(NotTomlError, match="is not TOML") as caught:
        parse_layer(text, PATH)
    problem = caught.value.problem
    assert (problem.path, problem.line, problem.key, problem.value) == (PATH, line, "", None)
    assert reason in problem.reason
    assert fix in problem.fix


@pytest.mark.parametrize(
    ("text", "key", "line", "first"),
    [
        ("[finish]\nloudness_lufs = -16\n\nloudness_lufs = -14\nhead_s = 1\n", "finish.loudness_lufs", 4, 2),
        ("[room]\nseed = 1\n[room]\nlevel_db = 3\n", "room", 3, 1),
        ("notes = 1\nnotes = '''\n\n'''\n", "notes", 2, 1),
        ("room.seed = 1\n[finish]\n[room]\nseed = 2\n", None, 3, None),
        ("a = { b = 1, b = 2 }\n", None, 1, None),
    ],
)
def test_a_key_written_twice_is_told_with_both_lines(
    text: str, key: str | None, line: int, first: int | None
) -> None:
    """If the two lines name the same; else as what it is."""
    with pytest.raises(NotTomlError, match="line") as caught:
        parse_layer(text, PATH)
    problem = caught.value.problem
    assert problem.line == line
    if key is not None:
        assert problem.key == key
        assert problem.reason == f"is written a second time; the first is in line {first}"
    else:
        assert "is not TOML" in problem.reason


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 5000,
        "a = " + "[" * 33 + "]" * 33,
        ".".join("a" * 40) + " = 1",
        ".".join("a" * 5000) + " = 1",
    ],
)
def test_nesting_has_an_end(text: str) -> None:
    """No text breaks the reader down."""
    with pytest.raises(NotTomlError, match="nested more than 32 levels deep"):
        parse_layer(text, PATH)


def test_a_number_with_thousands_of_digits_is_refused() -> None:
    """Python would not read it."""
    with pytest.raises(NotTomlError, match="a number with thousands of digits"):
        parse_layer("a = " + "9" * 5000, PATH)
