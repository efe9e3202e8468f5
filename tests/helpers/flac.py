"""A plain FLAC decoder after RFC 9639, for the tests: slow, whole files, and nothing of libsndfile.

Frames, subframes and residuals are read as sections 9.1 to 9.2.7 say; both checksums of every frame and the MD5 of
the whole are checked. Only what a stereo mix may hold is supported: no rate or width taken from elsewhere.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.int64]
# coefficients of the fixed predictors, newest sample first (section 9.2.5)
FIXED: tuple[tuple[int, ...], ...] = ((), (1,), (2, -1), (3, -3, 1), (4, -6, 4, -1))
SIZES = {1: 192} | {code: 144 << code for code in range(2, 6)} | {code: 1 << code for code in range(8, 16)}
WIDTHS = {1: 8, 2: 12, 4: 16, 5: 20, 6: 24, 7: 32}


class Bits:
    """Reads bits from the highest on."""

    def __init__(self, data: bytes) -> None:
        self.text = "".join(f"{byte:08b}" for byte in data)
        self.at = 0

    def unsigned(self, count: int) -> int:
        """A number of so many bits."""
        self.at += count
        return int(self.text[self.at - count : self.at] or "0", 2)

    def signed(self, count: int) -> int:
        """The same in two's complement."""
        number = self.unsigned(count)
        return number - (1 << count) if count and number >> (count - 1) else number

    def unary(self) -> int:
        """How many zeros stand before the next one."""
        stop = self.text.index("1", self.at)
        count, self.at = stop - self.at, stop + 1
        return count


@dataclass(frozen=True)
class StreamInfo:
    """Section 8.2."""

    sample_rate_hz: int
    channels: int
    bits: int
    frames: int
    md5: bytes


def read_stream_info(data: bytes) -> tuple[StreamInfo, int]:
    """What the first block of a file says, and where the first frame begins."""
    if data[:4] != b"fLaC" or data[4] & 0x7F != 0:
        raise ValueError("no FLAC file")
    packed = int.from_bytes(data[18:26], "big")
    info = StreamInfo(
        sample_rate_hz=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits=(packed >> 36 & 31) + 1,
        frames=packed & (2**36 - 1),
        md5=data[26:42],
    )
    at, last = 4, False
    while not last:
        last = bool(data[at] & 0x80)
        at += 4 + int.from_bytes(data[at + 1 : at + 4], "big")
    return info, at


def read_flac(path: Path) -> tuple[Numbers, StreamInfo]:
    """All samples, shape (frames, channels).

    Raises
    ------
    ValueError
        If a checksum is wrong, or the file holds what is not supported.
    """
    data = path.read_bytes()
    info, at = read_stream_info(data)
    blocks = []
    while at < len(data):
        block, at = _read_frame(data, at, info)
        blocks.append(block)
    samples = np.concatenate(blocks)
    width = -(-info.bits // 8)
    plain = b"".join(int(number).to_bytes(width, "little", signed=True) for number in samples.reshape(-1))
    if hashlib.md5(plain, usedforsecurity=False).digest() != info.md5 or len(samples) != info.frames:
        raise ValueError("the MD5 or the number of samples is another")
    return samples, info


def _read_frame(data: bytes, at: int, info: StreamInfo) -> tuple[Numbers, int]:
    """One frame (section 9), shape (block, channels), and where the next one begins."""
    bits = Bits(data[at : at + 65_536 * info.channels])
    if bits.unsigned(15) != 0b111111111111100:
        raise ValueError(f"no frame at byte {at}")
    bits.unsigned(1)
    size_code, rate_code, layout, width_code = (bits.unsigned(count) for count in (4, 4, 4, 3))
    bits.unsigned(1)
    first = bits.unsigned(8)  # the frame's number, coded like a character of UTF-8
    for _ in range(max(0, f"{first:08b}".index("0") - 1)):
        bits.unsigned(8)
    size = bits.unsigned(8 * (size_code - 5)) + 1 if size_code in (6, 7) else SIZES[size_code]
    bits.unsigned({12: 8, 13: 16, 14: 16}.get(rate_code, 0))
    width = WIDTHS[width_code] if width_code else info.bits
    header = data[at : at + bits.at // 8]
    if _checksum(header, 8, 0x07) != bits.unsigned(8):
        raise ValueError(f"the header's checksum is wrong at byte {at}")
    extra = {8: (0, 1), 9: (1, 0), 10: (0, 1)}.get(layout, (0,) * (layout + 1))  # a side takes one bit more
    channels = [_read_subframe(bits, size, width + more) for more in extra]
    bits.at = -(-bits.at // 8) * 8
    stop = at + bits.at // 8
    if _checksum(data[at:stop], 16, 0x8005) != bits.unsigned(16):
        raise ValueError(f"the frame's checksum is wrong at byte {at}")
    return np.stack(_left_and_right(layout, channels), axis=1), stop + 2


def _left_and_right(layout: int, channels: list[Numbers]) -> list[Numbers]:
    """Section 4.2: left/side, side/right, mid/side, or as they are."""
    one, other = channels[0], channels[-1]
    if layout == 8:
        return [one, one - other]
    if layout == 9:
        return [one + other, other]
    if layout == 10:
        both = 2 * one + (other & 1)
        return [(both + other) >> 1, (both - other) >> 1]
    return channels


def _read_subframe(bits: Bits, size: int, width: int) -> Numbers:
    """One channel of a frame (section 9.2)."""
    if bits.unsigned(1):
        raise ValueError("a subframe begins with a bit that is not 0")
    kind = bits.unsigned(6)
    wasted = bits.unary() + 1 if bits.unsigned(1) else 0
    width -= wasted
    if kind == 0:
        values = [bits.signed(width)] * size
    elif kind == 1:
        values = [bits.signed(width) for _ in range(size)]
    else:
        order = kind - 8 if kind < 32 else kind - 31
        values = [bits.signed(width) for _ in range(order)]
        coefficients, shift = FIXED[order] if kind < 32 else (), 0
        if kind >= 32:
            precision = bits.unsigned(4) + 1
            shift = bits.signed(5)
            coefficients = tuple(bits.signed(precision) for _ in range(order))
        for residual in _read_residual(bits, size, order):
            newest = values[: -order - 1 : -1] if order else ()
            predicted = sum(c * value for c, value in zip(coefficients, newest, strict=True))
            values.append(residual + (predicted >> shift))
    return np.array(values, np.int64) << wasted


def _read_residual(bits: Bits, size: int, order: int) -> list[int]:
    """Coded residual (section 9.2.7), partition by partition."""
    parameter_bits = 4 + bits.unsigned(2)
    partitions = 1 << bits.unsigned(4)
    residual: list[int] = []
    for partition in range(partitions):
        count = size // partitions - (order if partition == 0 else 0)
        parameter = bits.unsigned(parameter_bits)
        if parameter == (1 << parameter_bits) - 1:
            width = bits.unsigned(5)
            residual += [bits.signed(width) for _ in range(count)]
            continue
        for _ in range(count):
            folded = (bits.unary() << parameter) | bits.unsigned(parameter)
            residual.append(folded >> 1 if folded % 2 == 0 else -(folded >> 1) - 1)
    return residual


def _checksum(data: bytes, width: int, polynomial: int) -> int:
    """Cyclic redundancy check, highest bit first, beginning with 0 (sections 9.1.8 and 9.3)."""
    value, top = 0, 1 << (width - 1)
    for byte in data:
        value ^= byte << (width - 8)
        for _ in range(8):
            value = (value << 1) ^ polynomial if value & top else value << 1
        value &= (1 << width) - 1
    return value
