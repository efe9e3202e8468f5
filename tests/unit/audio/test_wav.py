"""The WAV file's own bytes: what is found in others' files, what ours begin with."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from render.audio.wav import BitDepth, read_wav_layout, sample_bytes, wav_header
from tests.helpers.sound_files import chunk, pcm_format, random_words, riff, riff_chunks

SAMPLES = bytes(range(60))
GUID_REST = bytes.fromhex("000000001000800000aa00389b71")


def _write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def _extensible(tag: int, *, bits: int = 24, valid_bits: int = 24, rest: bytes = GUID_REST) -> bytes:
    start = pcm_format(bits=bits, tag=0xFFFE)
    return start + struct.pack("<HHIH", 22, valid_bits, 3, tag) + rest


@pytest.mark.parametrize(
    ("form", "subtype"),
    [
        (pcm_format(bits=16), "PCM_16"),
        (pcm_format(bits=24), "PCM_24"),
        (pcm_format(bits=32), "PCM_32"),
        (pcm_format(bits=32, tag=3), "FLOAT"),
        (pcm_format(bits=64, tag=3), "DOUBLE"),
        (_extensible(1), "PCM_24"),
        (_extensible(1, valid_bits=20), "PCM_24"),
        (_extensible(3, bits=32, valid_bits=32), "FLOAT"),
        (pcm_format(bits=24) + b"\0\0", "PCM_24"),
    ],
)
def test_finds_plain_samples(tmp_path: Path, form: bytes, subtype: str) -> None:
    """Whatever chunks stand before, in whichever form the coding is told."""
    data = riff(
        chunk(b"JUNK", b"odd"), chunk(b"fmt ", form), chunk(b"bext", b"x" * 7), chunk(b"data", SAMPLES)
    )
    layout = read_wav_layout(_write(tmp_path / "a.wav", data))
    assert layout is not None
    assert layout.subtype == subtype
    assert (layout.sample_rate_hz, layout.channels) == (48000, 2)
    assert data[layout.data_offset : layout.data_offset + 60] == SAMPLES
    assert layout.frames == layout.frames_promised == 60 // layout.frame_bytes


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"RIFF",
        riff(chunk(b"fmt ", pcm_format()))[:-4],
        riff(chunk(b"fmt ", pcm_format())),
        riff(chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", pcm_format()[:14]), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", pcm_format(bits=8)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", pcm_format(tag=2)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", pcm_format(bits=16, tag=3)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", pcm_format(rate_hz=0)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 0, 48000, 0, 0, 24)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, 48000, 0, 5, 16)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, 48000, 0, 8, 24)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, 48000, 0, 4, 24)), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", _extensible(1)[:30]), chunk(b"data", SAMPLES)),
        riff(chunk(b"fmt ", _extensible(1, rest=b"x" * 14)), chunk(b"data", SAMPLES)),
        riff(*[chunk(b"JUNK", b"")] * 1200, chunk(b"fmt ", pcm_format()), chunk(b"data", SAMPLES)),
        b"FORM\0\0\0\0AIFF" + SAMPLES,
    ],
)
def test_leaves_everything_else_to_the_library(tmp_path: Path, data: bytes) -> None:
    """No guess at damaged headers or other codings."""
    assert read_wav_layout(_write(tmp_path / "a.wav", data)) is None


def test_cut_short_counts_what_is_there(tmp_path: Path) -> None:
    """And keeps what was promised."""
    data = riff(chunk(b"fmt ", pcm_format()), chunk(b"data", SAMPLES))[:-14]
    layout = read_wav_layout(_write(tmp_path / "a.wav", data))
    assert layout is not None
    assert (layout.frames, layout.frames_promised) == (7, 10)


@pytest.mark.parametrize(("riff_size", "data_size"), [(0, 0), (36, 0), (0xFFFFFFFF, 0xFFFFFFFF)])
def test_never_closed_is_taken_to_its_end(tmp_path: Path, riff_size: int, data_size: int) -> None:
    """A header written before the first sample, and never again."""
    head = riff(chunk(b"fmt ", pcm_format()), size=riff_size)
    data = head + b"data" + struct.pack("<I", data_size) + SAMPLES + b"\1\2\3"
    layout = read_wav_layout(_write(tmp_path / "a.wav", data))
    assert layout is not None
    assert (layout.frames, layout.frames_promised) == (10, None)


def test_truly_empty_is_empty(tmp_path: Path) -> None:
    """A closed file without samples, tags behind it."""
    data = riff(chunk(b"fmt ", pcm_format()), chunk(b"data", b""), chunk(b"LIST", b"INFOISFT\2\0\0\0x\0"))
    layout = read_wav_layout(_write(tmp_path / "a.wav", data))
    assert layout is not None
    assert (layout.frames, layout.frames_promised) == (0, 0)


@pytest.mark.parametrize("kind", [b"RF64", b"BW64"])
def test_reads_the_long_sizes(tmp_path: Path, kind: bytes) -> None:
    """From `ds64`, where the short ones say so."""
    sizes = chunk(b"ds64", struct.pack("<QQQI", 1000, 60, 10, 0))
    data = riff(sizes, chunk(b"fmt ", pcm_format()), kind=kind, size=0xFFFFFFFF)
    data += b"data" + struct.pack("<I", 0xFFFFFFFF) + SAMPLES + chunk(b"LIST", b"INFO")
    layout = read_wav_layout(_write(tmp_path / "a.wav", data))
    assert layout is not None
    assert (layout.frames, layout.frames_promised) == (10, 10)


@pytest.mark.parametrize("bit_depth", [16, 24, "float"])
def test_header_says_what_follows(bit_depth: BitDepth) -> None:
    """Sizes, format, number of samples where the format asks for it, tags."""
    info = chunk(b"LIST", b"INFOINAM\2\0\0\0x\0")
    head = wav_header(sample_rate_hz=44100, channels=2, bit_depth=bit_depth, frames=5, info=info)
    sample = 4 if bit_depth == "float" else bit_depth // 8
    data = head + bytes(10 * sample)
    assert data[:4] == b"RIFF"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    chunks = riff_chunks(data)
    assert len(chunks[b"data"]) == 10 * sample
    assert chunks[b"LIST"] == info[8:]
    tag, channels, rate, byte_rate, frame, bits = struct.unpack("<HHIIHH", chunks[b"fmt "][:16])
    assert (tag, channels, rate) == (3 if bit_depth == "float" else 1, 2, 44100)
    assert (byte_rate, frame, bits) == (44100 * 2 * sample, 2 * sample, 8 * sample)
    assert chunks.get(b"fact") == (struct.pack("<I", 5) if bit_depth == "float" else None)


def test_header_turns_to_long_sizes_exactly_past_the_limit() -> None:
    """At 2^32 - 1 bytes still RIFF, from there on RF64."""
    head = len(wav_header(sample_rate_hz=48000, channels=2, bit_depth=24, frames=0))
    most = (0xFFFFFFFF - (head - 8)) // 6
    for frames, kind in ((most, b"RIFF"), (most + 1, b"RF64")):
        data = wav_header(sample_rate_hz=48000, channels=2, bit_depth=24, frames=frames)
        assert data[:4] == kind
    assert data[4:8] == b"\xff" * 4
    assert data[-4:] == b"\xff" * 4
    name, size, riff_bytes, data_bytes, count, table = struct.unpack("<4sIQQQI", data[12:48])
    assert (name, size, table) == (b"ds64", 28, 0)
    assert (riff_bytes, data_bytes, count) == (len(data) - 8 + 6 * frames, 6 * frames, frames)


def test_float_header_past_the_count_of_samples() -> None:
    """The 32-bit count stands at its largest value."""
    data = wav_header(sample_rate_hz=48000, channels=2, bit_depth="float", frames=2**33)
    assert b"fact\4\0\0\0\xff\xff\xff\xff" in data


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_three_bytes_of_every_word(channels: int) -> None:
    """The upper ones, low byte first, in either memory order."""
    words = random_words(1001, channels=channels)
    wanted = b"".join(int(word >> 8).to_bytes(3, "little", signed=True) for word in words.reshape(-1))
    assert bytes(sample_bytes(words, 24)) == wanted
    assert bytes(sample_bytes(np.asfortranarray(words), 24)) == wanted
    assert bytes(sample_bytes(words, 24, scratch=np.full(4 * words.size, 9, np.uint8))) == wanted


def test_two_bytes_and_floats() -> None:
    """16 bits and single precision."""
    words = random_words(100, bits=16)
    assert bytes(sample_bytes(words, 16)) == (words >> 16).astype("<i2").tobytes()
    floats = np.random.default_rng(1).standard_normal((100, 2))
    assert bytes(sample_bytes(floats, "float")) == floats.astype("<f4").tobytes()
