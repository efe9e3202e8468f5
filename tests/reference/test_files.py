"""Sound files against their formats' own texts, by readers that are not libsndfile."""

from __future__ import annotations

import hashlib
import struct
import wave
from pathlib import Path
from typing import Any

import mutagen.flac
import mutagen.id3
import mutagen.oggopus
import mutagen.oggvorbis
import numpy as np
import pytest
from numpy.typing import NDArray

from render.audio.ogg import page_checksum
from render.audio.read import TakeReader
from render.audio.tags import Tags
from render.audio.wav import BitDepth, wav_header
from render.audio.write import MixWriter
from tests.helpers.signals import plucks
from tests.helpers.sound_files import random_words, riff_chunks
from tests.helpers.source import source

RIFF = "Microsoft, IBM: Multimedia Programming Interface and Data Specifications 1.0, 1991 (RIFF, WAVE, INFO)"
RF64 = "EBU Tech 3306, RF64: An extended file format for audio data"
FLAC = "RFC 9639, Free Lossless Audio Codec, December 2024"
TAGS = Tags(
    title="Lake Świt", artist="two guitars", album="Boathouse", track_number=12, comment="recipe warm"
)


def _write(path: Path, audio: NDArray[Any], bit_depth: BitDepth, tags: Tags | None = None) -> Path:
    with MixWriter(
        path,
        sample_rate_hz=48000,
        format=path.suffix[1:],
        bit_depth=bit_depth,
        frames=len(audio),
        tags=tags,
    ) as writer:
        writer.write(audio)
    return path


def _numbers(data: bytes, width: int) -> NDArray[np.int64]:
    """Signed little-endian numbers, one after the other, in plain Python."""
    values = [
        int.from_bytes(data[at : at + width], "little", signed=True) for at in range(0, len(data), width)
    ]
    return np.array(values).reshape(-1, 2)


@source(RIFF, "read by Python's wave module", kind="library")
@pytest.mark.parametrize("bit_depth", [16, 24])
def test_wav_read_by_another_reader(tmp_path: Path, bit_depth: BitDepth) -> None:
    """Header and every sample."""
    bits = 24 if bit_depth == "float" else bit_depth
    words = random_words(3001, bits=bits)
    path = _write(tmp_path / "a.wav", words, bit_depth, TAGS)
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (2, bits // 8)
        assert (file.getframerate(), file.getnframes()) == (48000, 3001)
        data = file.readframes(3001)
    np.testing.assert_array_equal(_numbers(data, bits // 8), words >> (32 - bits))


@source(RIFF, "chunk sizes, padding; format tag 3 with a fact chunk", kind="standard")
def test_float_wav_read_byte_by_byte(tmp_path: Path) -> None:
    """Without a peak chunk, whose date would differ each time."""
    audio = np.random.default_rng(1).standard_normal((1001, 2)).astype(np.float32)
    data = _write(tmp_path / "a.wav", audio, "float", TAGS).read_bytes()
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    chunks = riff_chunks(data)
    assert list(chunks) == [b"fmt ", b"fact", b"LIST", b"data"]
    assert struct.unpack("<HHIIHHH", chunks[b"fmt "]) == (3, 2, 48000, 48000 * 8, 8, 32, 0)
    assert struct.unpack("<I", chunks[b"fact"]) == (1001,)
    assert chunks[b"data"] == audio.astype("<f4").tobytes()


@source(RIFF, "INFO list: INAM, IART, IPRD, ISFT, ICMT; ITRK is common practice", kind="standard")
def test_info_list_read_byte_by_byte(tmp_path: Path) -> None:
    """Zero-terminated texts in chunks of their own."""
    path = _write(tmp_path / "a.wav", random_words(10), 24, TAGS)
    body = riff_chunks(path.read_bytes())[b"LIST"]
    assert body[:4] == b"INFO"
    texts = {
        name: text.rstrip(b"\0").decode() for name, text in riff_chunks(bytes(8) + b"WAVE" + body[4:]).items()
    }
    assert texts == {
        b"INAM": "Lake Świt",
        b"IART": "two guitars",
        b"IPRD": "Boathouse",
        b"ITRK": "12",
        b"ICMT": "recipe warm",
    }


@source(
    RF64,
    "ds64 behind WAVE: three 64-bit sizes and a table of none; 32-bit sizes all ones",
    kind="from memory",
)
@pytest.mark.parametrize("bit_depth", [16, 24])
def test_rf64_read_byte_by_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bit_depth: BitDepth) -> None:
    """A small one, made by a smaller limit."""
    monkeypatch.setattr("render.audio.wav.RIFF_LIMIT_BYTES", 1000)
    width = 3 if bit_depth == 24 else 2
    words = random_words(501, bits=8 * width)
    data = _write(tmp_path / "a.wav", words, bit_depth, TAGS).read_bytes()
    assert data[:20] == b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack("<I", 28)
    riff_bytes, data_bytes, frames, table = struct.unpack("<QQQI", data[20:48])
    assert (riff_bytes, data_bytes, frames, table) == (len(data) - 8, 501 * 2 * width, 501, 0)
    at = data.index(b"data\xff\xff\xff\xff") + 8
    np.testing.assert_array_equal(_numbers(data[at : at + data_bytes], width), words >> (32 - 8 * width))


@source(
    RIFF,
    "32-bit sizes: 6.7633 h at 44.1 kHz, 16 bits; 4.1425 h at 48, 2.0713 h at 96 and 1.0356 h at 192 kHz, 24 bits; "
    "3.1069 h at 48 kHz, 32 bits",
    kind="closed form",
    tolerance="0.0001 h: the header's own few bytes, and four decimals",
)
@pytest.mark.parametrize(
    ("rate_hz", "bit_depth", "hours"),
    [
        (44100, 16, 6.7633),
        (48000, 24, 4.1425),
        (96000, 24, 2.0713),
        (192000, 24, 1.0356),
        (48000, "float", 3.1069),
    ],
)
def test_hours_that_fit_into_riff(rate_hz: int, bit_depth: BitDepth, hours: float) -> None:
    """From there on the header is that of RF64."""
    for share, kind in ((-0.0001, b"RIFF"), (0.0001, b"RF64")):
        header = wav_header(
            sample_rate_hz=rate_hz,
            channels=2,
            bit_depth=bit_depth,
            frames=round((hours + share) * 3600 * rate_hz),
        )
        assert header[:4] == kind


@source(FLAC, "section 8.2: STREAMINFO, MD5 of the samples little-endian at their own width", kind="standard")
@pytest.mark.parametrize("bit_depth", [16, 24])
def test_flac_stream_information(tmp_path: Path, bit_depth: BitDepth) -> None:
    """Rate, channels, width, count and checksum, read from the bits."""
    width = 3 if bit_depth == 24 else 2
    words = random_words(5001, bits=8 * width)
    data = _write(tmp_path / "a.flac", words, bit_depth, TAGS).read_bytes()
    assert data[:4] == b"fLaC"
    assert data[4] & 0x7F == 0
    packed = int.from_bytes(data[18:26], "big")
    assert packed >> 44 == 48000
    assert (packed >> 41 & 7) + 1 == 2
    assert (packed >> 36 & 31) + 1 == 8 * width
    assert packed & (2**36 - 1) == 5001
    plain = b"".join(
        (int(word) >> (32 - 8 * width)).to_bytes(width, "little", signed=True) for word in words.reshape(-1)
    )
    assert data[26:42] == hashlib.md5(plain, usedforsecurity=False).digest()


EXAMPLE_1 = """
664c6143 80000022 10001000 00000f00 000f0ac4 42f00000 00013e84 b41807dc 69030758
6a3dad1a 2e0ffff8 69180000 bf0358fd 03128baa 9a
"""
EXAMPLE_3 = """
664c6143 80000022 10001000 00001f00 001f07d0 00700000 0018f8f9 e396f5cb cfc6dc80
7f997790 6b32fff8 68020017 e944004f 6f313d10 47d227cb 6d090831 452bdc28 22228057 a3
"""
SAMPLES_3 = [
    *(0, 79, 111, 78, 8, -61, -90, -68, -13, 42, 67, 53),
    *(13, -27, -46, -38, -12, 14, 24, 19, 6, -4, -5, 0),
]


@source(FLAC, "appendix D.1: one frame, two channels of 16 bits: 25588, 10416", kind="standard")
def test_flac_example_1(tmp_path: Path) -> None:
    """Read as the text says."""
    (tmp_path / "a.flac").write_bytes(bytes.fromhex(EXAMPLE_1))
    with TakeReader([tmp_path / "a.flac"], dtype="float64") as reader:
        assert (reader.info.sample_rate_hz, reader.frames_total) == (44100, 1)
        np.testing.assert_array_equal(reader.read(0, 1) * 2**15, [[25588, 10416]])


@source(FLAC, "appendix D.3: 24 frames, one channel of 8 bits, linear prediction", kind="standard")
def test_flac_example_3(tmp_path: Path) -> None:
    """Read as the text says."""
    (tmp_path / "a.flac").write_bytes(bytes.fromhex(EXAMPLE_3))
    with TakeReader([tmp_path / "a.flac"], channels=(1, 1), dtype="float64") as reader:
        assert (reader.info.sample_rate_hz, reader.frames_total) == (32000, 24)
        np.testing.assert_array_equal(reader.read(0, 24)[:, 0] * 2**7, SAMPLES_3)


@source(
    "mutagen, an independent reader of tags (RFC 9639, Vorbis comments, RFC 7845, ID3v2.3)", kind="library"
)
@pytest.mark.parametrize("name", ["flac", "ogg", "opus", "mp3"])
def test_tags_and_length_read_by_another_reader(tmp_path: Path, name: str) -> None:
    """Every text, and how long the sound is."""
    words = random_words(48000)
    path = _write(tmp_path / f"a.{name}", words if name == "flac" else words / 2.0**34, 24, TAGS)
    found: dict[str, str]
    if name == "mp3":
        id3: Any = mutagen.id3
        tag = id3.ID3(path)
        frames = {
            "title": "TIT2",
            "artist": "TPE1",
            "album": "TALB",
            "tracknumber": "TRCK",
            "comment": "COMM::XXX",
        }
        found = {key: str(tag[frame]) for key, frame in frames.items()}
    else:
        kinds: dict[str, Any] = {
            "flac": mutagen.flac.FLAC,
            "ogg": mutagen.oggvorbis.OggVorbis,
            "opus": mutagen.oggopus.OggOpus,
        }
        file = kinds[name](path)
        assert file.info.length == pytest.approx(1.0, abs=0.001)
        found = {key.lower(): values[0] for key, values in dict(file.tags).items()}
    assert {key: found[key] for key in ("title", "artist", "album", "tracknumber", "comment")} == {
        "title": "Lake Świt",
        "artist": "two guitars",
        "album": "Boathouse",
        "tracknumber": "12",
        "comment": "recipe warm",
    }


def _ogg_checksum(page: bytes) -> int:
    """Bit by bit, as the text defines it: polynomial 0x04c11db7, nothing inverted, the field itself at zero."""
    register = 0
    for place, byte in enumerate(page):
        register ^= (0 if 22 <= place < 26 else byte) << 24
        for _ in range(8):
            register = (register << 1 ^ (0x04C11DB7 if register & 0x80000000 else 0)) & 0xFFFFFFFF
    return register


@source("RFC 3533, The Ogg Encapsulation Format Version 0", "section 6, page checksum", kind="standard")
@pytest.mark.parametrize("name", ["ogg", "opus"])
def test_ogg_pages(tmp_path: Path, name: str) -> None:
    """Begin and end marked, numbered through, one serial number, right checksums."""
    audio = plucks(0.5, sample_rate_hz=48000)
    data = _write(tmp_path / f"a.{name}", audio, 24).read_bytes()
    pages, at = [], 0
    while at < len(data):
        assert data[at : at + 5] == b"OggS\0"
        end = at + 27 + data[at + 26] + sum(data[at + 27 : at + 27 + data[at + 26]])
        pages.append(data[at:end])
        at = end
    assert pages[0][5] & 2
    assert pages[-1][5] & 4
    assert [struct.unpack("<I", page[18:22])[0] for page in pages] == list(range(len(pages)))
    assert len({page[14:18] for page in pages}) == 1
    for page in pages:
        assert struct.unpack("<I", page[22:26])[0] == _ogg_checksum(page)
        assert page_checksum(page) == page[22:26]
