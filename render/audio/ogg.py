"""Ogg streams with a settled serial number: the encoder draws it at random, and no two renders were alike."""

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
