"""Ogg as a container: whether a file was cut short, and streams with a settled serial number.

The encoder draws the number at random, and no two renders were alike.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

# A byte with its bits in reverse order, for every byte.
_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_SERIAL = slice(14, 18)
_CHECKSUM = slice(22, 26)
_FLAGS = 5
_LAST_PAGE = 4
# A page holds 255 segments of 255 bytes at most; what is looked through at the end holds one whole page for sure.
_TAIL_BYTES = 2 * (27 + 255 + 255 * 255)


def page_checksum(page: bytes) -> bytes:
    """Checksum field of an Ogg page, counted with the field itself at zero.

    Notes
    -----
    The polynomial is that of zlib's CRC-32, but bits run the other way round and nothing is inverted
    (RFC 3533, section 6): so zlib is given the page with the bits of each byte reversed.
    """
    clear = page[: _CHECKSUM.start] + bytes(4) + page[_CHECKSUM.stop :]
    reversed_sum = ~zlib.crc32(clear.translate(_REVERSED), 0xFFFF_FFFF) & 0xFFFF_FFFF
    return reversed_sum.to_bytes(4, "big").translate(_REVERSED)


def fix_serial_number(path: Path) -> None:
    """Give the only stream of a file a serial number that is drawn from its content.

    From the content, so that files laid end to end (which the format allows) still differ in it.

    Raises
    ------
    ValueError
        If the file is not one whole Ogg stream.
    """
    with path.open("r+b") as file:
        content = 0
        for page in _pages(file):
            content = zlib.crc32(page[_CHECKSUM.stop :], content)
        serial = struct.pack("<I", content)
        file.seek(0)
        for page in _pages(file):
            fixed = page[: _SERIAL.start] + serial + page[_SERIAL.stop :]
            fixed = fixed[: _CHECKSUM.start] + page_checksum(fixed) + fixed[_CHECKSUM.stop :]
            file.seek(-len(page), 1)
            file.write(fixed)


def is_ended(path: Path) -> bool:
    """Whether the last whole page of a file says that it is the last of its stream (RFC 3533, section 6).

    Only the end of the file is read.
    """
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
        tail = file.read()
    at = len(tail)
    while (at := tail.rfind(b"OggS", 0, at)) >= 0:
        page = _page_at(tail, at)
        if page is not None:
            return bool(page[_FLAGS] & _LAST_PAGE)
    return False


def _page_at(data: bytes, at: int) -> bytes | None:
    """The page that begins there, if it is whole and no chance likeness."""
    lengths = data[at + 27 : at + 27 + data[at + 26]] if at + 26 < len(data) else b""
    page = data[at : at + 27 + len(lengths) + sum(lengths)]
    if len(lengths) < 1 or len(page) < 27 + len(lengths) + sum(lengths):
        return None
    return page if page_checksum(page) == page[_CHECKSUM] else None


def _pages(file: BinaryIO) -> Iterator[bytes]:
    """Each page from the file's place on; the file stands behind it while it is worked on."""
    while head := file.read(27):
        if len(head) < 27 or head[:4] != b"OggS":
            raise ValueError(f"an Ogg page must begin with OggS, not {head[:4]!r}")
        lengths = file.read(head[26])
        body = file.read(sum(lengths))
        if len(lengths) < head[26] or len(body) < sum(lengths):
            raise ValueError("an Ogg page must be whole; the last one is not")
        yield head + lengths + body
