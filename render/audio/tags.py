"""What a file says of itself: title, artist, album, track number, software, comment."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from soundfile import SoundFile

# Bound of one text: more is a mistake, and some readers stop earlier. Longer text ends in an ellipsis.
LONGEST_TEXT = 1000
# The sound-file library cuts the software's name, with its own after it, to 127 bytes, through the middle of a
# letter if need be; then its FLAC writer frees memory twice and takes the whole program with it.
_LONGEST_SOFTWARE_BYTES = 100

# Names of the RIFF INFO list; the one for the track number is custom, not part of the first specification.
_RIFF_NAMES: Mapping[str, bytes] = MappingProxyType(
    {
        "title": b"INAM",
        "artist": b"IART",
        "album": b"IPRD",
        "track_number": b"ITRK",
        "software": b"ISFT",
        "comment": b"ICMT",
    }
)


@dataclass(frozen=True)
class Tags:
    """Texts for a file; empty means: say nothing.

    Any Unicode text is taken. What no file can hold is made harmless rather than refused, because a title
    may come from a file's name: control characters become spaces, half surrogates (from names that are no
    text) U+FFFD, and a text past `LONGEST_TEXT` characters ends in an ellipsis.
    """

    title: str = ""
    artist: str = ""
    album: str = ""
    track_number: int | None = None
    software: str = ""
    comment: str = ""

    def __post_init__(self) -> None:
        if self.track_number is not None and not 1 <= self.track_number <= 9999:
            raise ValueError(f"track_number must be 1 to 9999, not {self.track_number}")
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, str):
                object.__setattr__(self, field.name, _clean(value))

    def texts(self) -> dict[str, str]:
        """Everything that is said, by field, in the order of the fields."""
        values = ((field.name, getattr(self, field.name)) for field in fields(self))
        return {name: str(value) for name, value in values if value not in ("", None)}


def riff_info(tags: Tags) -> bytes:
    """LIST chunk of type INFO for a WAV file, UTF-8, of even length; nothing if nothing is said.

    The format names no character set; UTF-8 is what other writers use today.
    """
    body = b""
    for name, text in tags.texts().items():
        coded = text.encode() + b"\0"
        body += _RIFF_NAMES[name] + struct.pack("<I", len(coded)) + coded + b"\0" * (len(coded) % 2)
    return b"LIST" + struct.pack("<I", 4 + len(body)) + b"INFO" + body if body else b""


def set_vorbis_comments(file: SoundFile, tags: Tags) -> None:
    """Hand the texts to an encoder (FLAC, Vorbis, Opus) before the first sample."""
    for name, text in tags.texts().items():
        if name == "software":
            file.software = text.encode()[:_LONGEST_SOFTWARE_BYTES].decode(errors="ignore")
        else:
            setattr(file, "tracknumber" if name == "track_number" else name, text)


def write_id3(path: Path, tags: Tags) -> None:
    """Put an ID3v2.3 tag before the sound of an MP3 file.

    The encoder by itself writes the first version only: 30 bytes a text, no character set, no software.
    """
    import mutagen
    import mutagen.id3

    id3: Any = mutagen.id3  # has no types
    texts = tags.texts()
    if not texts:
        return
    frames = {
        "title": id3.TIT2,
        "artist": id3.TPE1,
        "album": id3.TALB,
        "track_number": id3.TRCK,
        "software": id3.TSSE,
    }
    tag = id3.ID3()
    for name, frame in frames.items():
        if name in texts:
            tag.add(frame(encoding=id3.Encoding.UTF16, text=[texts[name]]))
    if "comment" in texts:
        tag.add(id3.COMM(encoding=id3.Encoding.UTF16, lang="XXX", desc="", text=[texts["comment"]]))
    try:
        tag.save(path, v1=id3.ID3v1SaveOptions.REMOVE, v2_version=3, padding=lambda _: 0)
    except mutagen.MutagenError as error:  # its wrapping of what the disc said
        raise OSError(str(error)) from error


def _clean(text: str) -> str:
    encodable = "".join("\ufffd" if "\ud800" <= char <= "\udfff" else char for char in text)
    printable = "".join(char if char >= " " and char != "\x7f" else " " for char in encodable)
    shown = printable.strip()
    return shown if len(shown) <= LONGEST_TEXT else shown[: LONGEST_TEXT - 1] + "\u2026"
