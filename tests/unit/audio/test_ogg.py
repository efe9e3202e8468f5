"""Ogg pages: serial numbers and checksums."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from render.audio.ogg import fix_serial_number, is_ended, page_checksum
from tests.helpers.signals import noise
from tests.helpers.sound_files import write_sound


def _pages(data: bytes) -> list[bytes]:
    """By the rules of the format, apart from the code under test."""
    pages, at = [], 0
    while at < len(data):
        end = at + 27 + data[at + 26] + sum(data[at + 27 : at + 27 + data[at + 26]])
        pages.append(data[at:end])
        at = end
    return pages


@pytest.fixture(params=["VORBIS", "OPUS"])
def ogg_file(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A short stream as the encoder leaves it."""
    return write_sound(tmp_path / "a.ogg", noise(30000), format="OGG", subtype=request.param)


def test_one_number_on_all_pages_and_nothing_else_changed(ogg_file: Path) -> None:
    """Checksums are right again, and the sound is the same."""
    before, sound = _pages(ogg_file.read_bytes()), soundfile.read(ogg_file)[0]
    fix_serial_number(ogg_file)
    after = _pages(ogg_file.read_bytes())
    assert len({page[14:18] for page in after}) == 1
    assert [page[:14] + page[18:22] + page[26:] for page in after] == [
        page[:14] + page[18:22] + page[26:] for page in before
    ]
    assert all(page_checksum(page) == page[22:26] for page in after)
    assert (soundfile.read(ogg_file)[0] == sound).all()


def test_two_encodings_become_alike(tmp_path: Path) -> None:
    """And other content gets another number."""
    contents = []
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        path = write_sound(tmp_path / f"{name}.ogg", noise(5000, seed=seed))
        fix_serial_number(path)
        contents.append(path.read_bytes())
    assert contents[0] == contents[1]
    assert contents[0][14:18] != contents[2][14:18]


def test_whole_streams_are_ended(ogg_file: Path) -> None:
    """One alone, two laid end to end, with something of another format behind them."""
    whole = ogg_file.read_bytes()
    for data in (whole, whole + whole, whole + b"TAG" + bytes(125)):
        ogg_file.write_bytes(data)
        assert is_ended(ogg_file)


@pytest.mark.parametrize("streams", [1, 2])
@pytest.mark.parametrize("missing_bytes", [1, 2000, 9000])
def test_streams_that_were_cut_are_not_ended(ogg_file: Path, missing_bytes: int, streams: int) -> None:
    """In the last page or before it; the end of a stream before the last is no end."""
    ogg_file.write_bytes((streams * ogg_file.read_bytes())[:-missing_bytes])
    assert not is_ended(ogg_file)


def test_stream_without_its_last_page_is_not_ended(ogg_file: Path) -> None:
    """Whole pages, but the last of them says that more would come."""
    ogg_file.write_bytes(b"".join(_pages(ogg_file.read_bytes())[:-1]))
    assert not is_ended(ogg_file)


@pytest.mark.parametrize("data", [b"", b"OggS", bytes(200_000), b"OggS" + bytes(22) + b"\x01\x05abcde"])
def test_what_only_looks_like_a_page_is_no_end(tmp_path: Path, data: bytes) -> None:
    """The letters alone, or a wrong checksum."""
    (tmp_path / "a.ogg").write_bytes(data)
    assert not is_ended(tmp_path / "a.ogg")


@pytest.mark.parametrize("data", [b"RIFF" + bytes(30), b"OggS", b"OggS" + bytes(22) + b"\x02\x05\x05abc"])
def test_refuses_what_is_no_stream(tmp_path: Path, data: bytes) -> None:
    """Another file, or half a page."""
    (tmp_path / "a.ogg").write_bytes(data)
    with pytest.raises(ValueError, match="an Ogg page must"):
        fix_serial_number(tmp_path / "a.ogg")
