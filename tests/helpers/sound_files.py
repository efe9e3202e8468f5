"""Sound files for the tests, put together byte by byte or by the sound-file library."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray


def chunk(name: bytes, body: bytes) -> bytes:
    """A RIFF chunk, padded to even length."""
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def pcm_format(*, rate_hz: int = 48000, channels: int = 2, bits: int = 24, tag: int = 1) -> bytes:
    """Body of a `fmt ` chunk."""
    frame_bytes = channels * bits // 8
    return struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bits)


def riff(*chunks: bytes, kind: bytes = b"RIFF", size: int | None = None) -> bytes:
    """A WAV file of these chunks."""
    body = b"WAVE" + b"".join(chunks)
    return kind + struct.pack("<I", len(body) if size is None else size) + body


def riff_chunks(data: bytes) -> dict[bytes, bytes]:
    """Chunks of a WAV file by name, read by the rules of the format and nothing of ours."""
    assert data[8:12] == b"WAVE"
    chunks: dict[bytes, bytes] = {}
    at = 12
    while at < len(data):
        name, size = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        if size == 0xFFFFFFFF:
            size = struct.unpack("<Q", chunks[b"ds64"][8:16])[0]
        chunks[name] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    return chunks


def random_words(frames: int, *, bits: int = 24, channels: int = 2, seed: int = 1) -> NDArray[np.int32]:
    """Whole numbers of so many bits over their full range, shifted to the top."""
    span = 2 ** (bits - 1)
    words = np.random.default_rng(seed).integers(-span, span, (frames, channels))
    return (words << (32 - bits)).astype(np.int32)


def write_sound(path: Path, audio: NDArray[Any], *, rate_hz: int = 48000, **options: Any) -> Path:
    """Write through the sound-file library; returns the path."""
    soundfile.write(path, audio, rate_hz, **options)
    return path
