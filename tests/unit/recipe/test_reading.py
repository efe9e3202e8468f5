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


def test_a_recipe_named_without_its_ending_is_told_with_it(tmp_path: Path) -> None:
    """Whatever else has the name: a picture, the folder of its mixes."""
    (tmp_path / "warm.toml").touch()
    (tmp_path / "warm.png").touch()
    with pytest.raises(UnreadableError, match="does not exist") as caught:
        read_text(tmp_path / "warm")
    assert caught.value.fix == 'did you mean "warm.toml"?'
    (tmp_path / "warm").mkdir()
    with pytest.raises(UnreadableError, match="is a folder") as caught:
        read_text(tmp_path / "warm")
    assert caught.value.fix == 'did you mean "warm.toml"?'


@pytest.mark.parametrize("name", ["house\\new.toml", "house\new.toml"])
def test_a_path_with_backslashes_is_told_to_have_none(tmp_path: Path, name: str) -> None:
    r"""Neither as they stand nor as what they make of the letter behind: \n is a line break."""
    with pytest.raises(UnreadableError, match="does not exist") as caught:
        read_text(tmp_path / name)
    assert caught.value.fix == "write paths with /, which every system understands"


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
        ("a = 1\nb =\n", 2, "no value begins like this (column 4)", "write a value after the ="),
        ("a = wav", 1, "no value begins like this (column 5)", 'put words in quotes: "wav"'),
        (
            "a = -0,5",
            1,
            "the line goes on where it should end (column 7)",
            "write numbers with a point: 0.5, not 0,5",
        ),
        ("a = .5", 1, "column 5", "write a digit before the point: 0.5, not .5"),
        ("a = 5.\nb = 1", 1, "column 6", "write a digit after the point: 5.0, not 5."),
        ("a = 60 Hz", 1, "column 8", "write the number alone: the key has the unit"),
        (
            "a = 1\nloud\n",
            2,
            "the = after a key is missing (column 5)",
            "a line is a [table], or a key = value, or begins with # for a comment",
        ),
        (
            'a = "x',
            1,
            "a text has no end: its second quote is missing (at the end)",
            "check quotes, brackets and commas",
        ),
        (
            "[a\nb = 1",
            1,
            "the ] after the name of a table is missing (column 3)",
            "check quotes, brackets and commas",
        ),
        (
            "a = [\n 1,\n 2\n b = 3\n",
            4,
            "a list goes on without a comma, or has no ] at its end (column 2, in what begins in line 1: a)",
            "check quotes",
        ),
        ("a = { b = 1 2 }", 1, "braces go on without a comma, or have no } at their end", "check quotes"),
        ("a = 1\n= 3", 2, "no key and no [table] begins like this (column 1)", "check quotes"),
        ("a = 1\n[stereo\n", 2, "name of a table is missing (column 8)", "check quotes"),
        ("[a.]", 1, "no name of a key or table begins like this (column 4)", "check quotes"),
        ("a = 'x\x07'", 1, "a control character is in the text (column 7)", "check quotes"),
        ('a = "x\x07"', 1, "a control character is in the text (column 7)", "check quotes"),
    ],
)
def test_what_is_not_toml_is_told_with_line_and_advice(text: str, line: int, reason: str, fix: str) -> None:
    """By the look of the line."""
    with pytest.raises(NotTomlError, match="cannot be read: ") as caught:
        parse_layer(text, PATH)
    problem = caught.value.problem
    assert (problem.path, problem.line, problem.key, problem.value) == (PATH, line, "", None)
    assert reason in problem.reason
    assert fix in problem.fix


@pytest.mark.parametrize(
    "value",
    [
        '"C:\\Users\\me\\room.wav"',
        '"rooms\\saddle.wav"',
        '"\\ud800.wav"',
    ],
)
def test_a_backslash_is_told_with_how_to_write_paths(value: str) -> None:
    """And with how to write one in any other text."""
    with pytest.raises(NotTomlError, match="cannot be read: ") as caught:
        parse_layer(f"chain = [\n  {{ file = {value} }},\n]\n", PATH)
    problem = caught.value.problem
    assert problem.line == 2
    assert "a \\ in double quotes is not taken as it stands (column" in problem.reason
    assert problem.fix == "write paths with /; in any other text write \\\\ for \\"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("place = \u201cmid\u201d", 1),
        ("a = 1\nplace = \u2018mid\u2019\n", 2),
        ("place = \u201emid\u201c", 1),
        ("place = \u00abmid\u00bb", 1),
        ("chain = [\n  { stage = \u201cgain\u201d, gain_db = 1 },\n]", 2),
        ("[sources.\u201cmy mic\u201d]", 1),
        ("\u201cplace\u201d = 1", 1),
        ('place = "mid\u201d\na = 1\n', 1),
        ('chain = [\n  { stage = "gain\u201d, gain_db = 1 },\n]', 2),
        ('place = "mid\u201d', 1),
        ("place = 'mid\u2019\na = 1\n", 2),
    ],
)
def test_curly_quotes_are_told_to_be_straight(text: str, line: int) -> None:
    """Word processors and telephones set them; the second one of a text may be curly alone."""
    with pytest.raises(NotTomlError, match="cannot be read: ") as caught:
        parse_layer(text, PATH)
    assert (caught.value.problem.line, caught.value.problem.fix) == (line, 'use straight quotes: "wav"')


@pytest.mark.parametrize(
    "text",
    [
        'notes = "the \u201cold\u201d one"\nplace = "mid',
        "notes = 'plain' # the \u201cold\u201d one\nplace = \"mid",
        'notes = "it\u2019s\n',
        "a = 1 2 # \u201cx\u201d",
    ],
)
def test_curly_quotes_elsewhere_are_no_fault(text: str) -> None:
    """Within straight ones, in comments, as apostrophes."""
    with pytest.raises(NotTomlError, match="cannot be read: ") as caught:
        parse_layer(text, PATH)
    assert caught.value.problem.fix == "check quotes, brackets and commas"


def test_what_has_no_plain_words_is_told_in_those_of_the_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """A later one may say more than this one."""

    def refuse(_: str) -> None:
        raise ValueError("Odd \t thing (at line 1, column 2)")

    monkeypatch.setattr("tomli.loads", refuse)
    with pytest.raises(NotTomlError, match="cannot be read: ") as caught:
        parse_layer("a = 1", PATH)
    assert caught.value.problem.reason == "cannot be read: odd \\t thing (column 2)"


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
        assert problem.reason.startswith(
            "cannot be read: the same name stands twice, or for two different things (column"
        )


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
