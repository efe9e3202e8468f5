"""What a file says of itself."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import mutagen.id3
import pytest

from render.audio.tags import LONGEST_TEXT, Tags, riff_info, write_id3


def test_texts_are_what_is_said() -> None:
    """In the order of the fields; what is empty is left out."""
    assert Tags(comment="c", title="t", track_number=7).texts() == {
        "title": "t",
        "track_number": "7",
        "comment": "c",
    }
    assert Tags().texts() == {}


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("  boat\thouse\n", "boat house"),
        ("Zażółć \U0001f3b8 海", "Zażółć \U0001f3b8 海"),
        ("a\0b\x7f", "a b"),
        ("name \udcff", "name \ufffd"),
        ("x" * LONGEST_TEXT, "x" * LONGEST_TEXT),
        ("x" * (LONGEST_TEXT + 1), "x" * (LONGEST_TEXT - 1) + "\u2026"),
    ],
)
def test_text_is_made_fit_for_a_file(given: str, kept: str) -> None:
    """Any name of a file can be a title."""
    assert Tags(title=given).title == kept


@pytest.mark.parametrize("number", [0, -1, 10000])
def test_refuses_odd_track_numbers(number: int) -> None:
    """Range is named."""
    with pytest.raises(ValueError, match=f"track_number must be 1 to 9999, not {number}"):
        Tags(track_number=number)


def test_riff_list_is_padded_and_terminated() -> None:
    """Every text ends in a zero and begins at an even place; the size has the zero, not the padding."""
    data = riff_info(Tags(title="ab", artist="abc"))
    assert data[:4] == b"LIST"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert data[8:] == b"INFO" + b"INAM\3\0\0\0ab\0\0" + b"IART\4\0\0\0abc\0"
    assert riff_info(Tags()) == b""


def test_id3_in_version_2_3(tmp_path: Path) -> None:
    """The version that everything reads, before the sound, without padding; no texts, no tag."""
    path = tmp_path / "a.mp3"
    path.write_bytes(b"\xff\xfb\x90\x64" + bytes(413))
    write_id3(path, Tags())
    assert path.read_bytes()[:2] == b"\xff\xfb"
    write_id3(path, Tags(title="Süd", track_number=3, software="s", comment="c"))
    data = path.read_bytes()
    assert data[:5] == b"ID3\x03\x00"
    id3: Any = mutagen.id3  # has no types
    tag = id3.ID3(path)
    assert (str(tag["TIT2"]), str(tag["TRCK"]), str(tag["TSSE"])) == ("Süd", "3", "s")
    assert str(tag.getall("COMM")[0]) == "c"
    assert data.endswith(b"\xff\xfb\x90\x64" + bytes(413))


def test_id3_on_a_bad_disc_is_the_discs_error(tmp_path: Path) -> None:
    """Not the tag library's."""
    with pytest.raises(OSError, match=r"a\.mp3"):
        write_id3(tmp_path / "missing" / "a.mp3", Tags(title="t"))
