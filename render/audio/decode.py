"""One sound file as columns of samples: plain WAV by our own reader, everything else through libsndfile.

Both give the same numbers; the own reader takes a third of the time and understands recordings that were
never closed.
"""

from __future__ import annotations

import errno
import math
import os
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.audio.array import AnySamples
from render.audio.ogg import is_ended
from render.audio.wav import WavLayout, read_wav_layout
from render.errors import TakeError

# Frames read at a time: the raw bytes are still in the cache when they are spread over the columns.
_CHUNK_FRAMES = 131072
# A header that promises more does not know (FLAC without a count says 2**63 - 1).
_MOST_FRAMES = 2**48
# Formats whose decoders do not come to the same samples after a jump, or cannot tell their length: these are
# decoded from the beginning.
_SEQUENTIAL = ("OGG", "MP3")
_SCALES = MappingProxyType({16: 2.0**-15, 24: 2.0**-31, 32: 2.0**-31})
_DAMAGED = "copy it again from the recorder, or leave it out"


@dataclass(frozen=True)
class Header:
    """What a file's header says: `frames` is None where only decoding can tell."""

    path: Path
    sample_rate_hz: int
    channels: int
    frames: int | None
    container: str
    subtype: str
    warnings: tuple[str, ...] = ()


class SoundColumns(Protocol):
    """A file that is open for reading; `header.frames` is known by now."""

    header: Header
    frames: int

    def read(self, first_frame: int, columns: list[tuple[int, AnySamples]]) -> None:
        """Fill the columns with channels (from 0) of the frames from `first_frame` on."""

    def close(self) -> None:
        """Release the file."""


def read_header(path: Path) -> Header:
    """Headers of one file, and what is wrong with its length.

    Raises
    ------
    TakeError
        If there is no such file, it may not be read, or it is no sound file that we read.
    """
    layout = _layout(path)
    if layout is not None:
        return _wav_header(path, layout)
    with _open(path) as file:
        return _decoder_header(path, file)


def open_columns(path: Path) -> SoundColumns:
    """Open a file for reading; where its header does not know its length, it is decoded once to count.

    Raises
    ------
    TakeError
        As `read_header`, and if decoding fails.
    """
    layout = _layout(path)
    return _DecodedFile(path) if layout is None else _PlainWav(path, layout)


class _PlainWav:
    """Samples as they lie in the file: strided views over the raw bytes, of the wanted channels only."""

    def __init__(self, path: Path, layout: WavLayout) -> None:
        self.header = _wav_header(path, layout)
        self.frames = layout.frames
        self._layout = layout
        self._file = path.open("rb", buffering=0)
        # One byte in front: a sample of three bytes is read as the upper three of four.
        self._raw = bytearray(1 + _CHUNK_FRAMES * layout.frame_bytes)
        self._whole = np.empty(_CHUNK_FRAMES, np.int32)

    def close(self) -> None:
        self._file.close()

    def read(self, first_frame: int, columns: list[tuple[int, AnySamples]]) -> None:
        frames = len(columns[0][1])
        for first in range(0, frames, _CHUNK_FRAMES):
            count = min(_CHUNK_FRAMES, frames - first)
            self._fill(first_frame + first, count)
            for channel, column in columns:
                target = column[first : first + count]
                if self._layout.is_float:
                    with np.errstate(over="ignore"):  # past single precision: infinite, and refused as such
                        np.copyto(target, self._view(channel, count), casting="same_kind")
                    _refuse_non_finite(self.header, target, first_frame + first, channel)
                else:
                    self._scale(target, self._view(channel, count))

    def _fill(self, first_frame: int, count: int) -> None:
        """Read the bytes of some frames."""
        layout = self._layout
        wanted = memoryview(self._raw)[1 : 1 + count * layout.frame_bytes]
        try:
            self._file.seek(layout.data_offset + first_frame * layout.frame_bytes)
            while wanted:
                got = self._file.readinto(wanted)
                if not got:
                    raise TakeError(self.header.path, "became shorter while it was read", _DAMAGED)
                wanted = wanted[got:]
        except OSError as error:
            raise _unreadable(self.header.path, error) from error

    def _view(self, channel: int, count: int) -> NDArray[Any]:
        """One channel of the bytes read last."""
        bits = self._layout.sample_bits
        kind = f"<f{bits // 8}" if self._layout.is_float else "<i2" if bits == 16 else "<i4"
        offset = channel * bits // 8 + (0 if bits == 24 else 1)
        return np.ndarray((count,), kind, self._raw, offset, (self._layout.frame_bytes,))

    def _scale(self, target: AnySamples, samples: NDArray[Any]) -> None:
        if self._layout.sample_bits == 24:
            # The lowest byte of the four belongs to the sample before.
            samples = np.bitwise_and(samples, np.int32(-256), out=self._whole[: len(samples)])
        np.copyto(target, samples, casting="same_kind")
        target *= target.dtype.type(_SCALES[self._layout.sample_bits])


class _DecodedFile:
    """A file that libsndfile decodes."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = _open(path)
        self._at_frame = 0
        self.header = _decoder_header(path, self._file)
        self._sequential = self.header.frames is None or self.header.container in _SEQUENTIAL
        self._scratch: AnySamples = np.empty((_CHUNK_FRAMES, self.header.channels), np.float32)
        if self.header.frames is None:
            self.header = replace(self.header, frames=self._count())
        self.frames: int = self.header.frames or 0

    def close(self) -> None:
        self._file.close()

    def read(self, first_frame: int, columns: list[tuple[int, AnySamples]]) -> None:
        frames, dtype = len(columns[0][1]), columns[0][1].dtype
        if self._scratch.dtype != dtype:
            self._scratch = np.empty(self._scratch.shape, dtype)
        self._go_to(first_frame)
        check = not self.header.subtype.startswith(("PCM", "ALAC"))
        for first in range(0, frames, _CHUNK_FRAMES):
            count = min(_CHUNK_FRAMES, frames - first)
            decoded = self._decode(count)
            if len(decoded) < count:
                reason = f"ends after {self._at_frame} of {self.frames} frames: it is damaged or cut short"
                raise TakeError(self._path, reason, _DAMAGED)
            for channel, column in columns:
                column[first : first + count] = decoded[:, channel]
                if check:
                    _refuse_non_finite(self.header, decoded[:, channel], first_frame + first, channel)

    def _decode(self, count: int) -> AnySamples:
        """Next frames, fewer at the end; valid until the next call."""
        try:
            decoded = self._file.read(count, out=self._scratch[:count])
        except soundfile.LibsndfileError as error:
            where = _clock(self._at_frame, self.header.sample_rate_hz)
            reason = f"is damaged at or after {where} and cannot be decoded ({_plain(error)})"
            raise TakeError(self._path, reason, _DAMAGED) from error
        self._at_frame += len(decoded)
        return self._scratch[: len(decoded)]

    def _go_to(self, frame: int) -> None:
        if frame == self._at_frame:
            return
        if not self._sequential:
            self._seek(frame)
            return
        if frame < self._at_frame:
            self._rewind()
        while self._at_frame < frame:
            if not len(self._decode(min(_CHUNK_FRAMES, frame - self._at_frame))):
                return

    def _seek(self, frame: int) -> None:
        try:
            self._file.seek(frame)
        except soundfile.LibsndfileError as error:
            where = _clock(frame, self.header.sample_rate_hz)
            raise TakeError(self._path, f"is damaged near {where} ({_plain(error)})", _DAMAGED) from error
        self._at_frame = frame

    def _rewind(self) -> None:
        """Open the file anew: only so do all decoders give the same samples again."""
        self._file.close()
        self._file = _open(self._path)
        self._at_frame = 0

    def _count(self) -> int:
        while len(self._decode(_CHUNK_FRAMES)) == _CHUNK_FRAMES:
            pass
        frames = self._at_frame
        self._rewind()
        return frames


class _Stream(soundfile.SoundFile):  # type: ignore[misc]  # the library has no types
    """A file that is read straight on.

    Otherwise the library moves to where it already stands after every block, which takes time and fails at
    the end of FLAC files without a frame count.
    """

    def seekable(self) -> bool:
        return False


def _open(path: Path) -> soundfile.SoundFile:
    """Open through libsndfile, its errors put in plain words."""
    try:
        if path.stat().st_size == 0:
            raise TakeError(path, "is empty (0 bytes)", _DAMAGED)
        # Bytes where names are bytes: a name need not be text.
        return _Stream(os.fsencode(path) if os.name == "posix" else str(path))
    except OSError as error:
        raise _unreadable(path, error) from error
    except soundfile.LibsndfileError as error:
        raise TakeError(
            path,
            f"is no sound file that can be read ({_plain(error)})",
            "export it as WAV or FLAC, or take it out of the folder",
        ) from error


def _layout(path: Path) -> WavLayout | None:
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        return read_wav_layout(path)
    except OSError as error:
        raise _unreadable(path, error) from error


def _wav_header(path: Path, layout: WavLayout) -> Header:
    return Header(
        path=path,
        sample_rate_hz=layout.sample_rate_hz,
        channels=layout.channels,
        frames=layout.frames,
        container="WAV",
        subtype=layout.subtype,
        warnings=_length_warnings(path, layout),
    )


def _decoder_header(path: Path, file: soundfile.SoundFile) -> Header:
    knows = file.frames < _MOST_FRAMES and file.format != "MP3"
    return Header(
        path=path,
        sample_rate_hz=file.samplerate,
        channels=file.channels,
        frames=file.frames if knows else None,
        container=file.format,
        subtype=file.subtype,
        warnings=_end_warnings(path, file) if file.format == "OGG" else (),
    )


def _length_warnings(path: Path, layout: WavLayout) -> tuple[str, ...]:
    there = _clock(layout.frames, layout.sample_rate_hz)
    if layout.frames_promised is None:
        return (f"{path.name}: the recording was not closed; taken as far as it goes, {there}",)
    if layout.frames_promised > layout.frames:
        promised = _clock(layout.frames_promised, layout.sample_rate_hz)
        return (f"{path.name} is cut short: {there} of {promised} are there",)
    return ()


def _end_warnings(path: Path, file: soundfile.SoundFile) -> tuple[str, ...]:
    """What an Ogg file that does not come to its end is read as."""
    try:
        if is_ended(path):
            return ()
    except OSError as error:
        raise _unreadable(path, error) from error
    there = _clock(file.frames, file.samplerate)
    return (f"{path.name}: cut short, or never closed; taken as far as it goes, {there}",)


def _refuse_non_finite(header: Header, samples: AnySamples, first_frame: int, channel: int) -> None:
    """One sum tells: infinities and NaN survive it."""
    with np.errstate(all="ignore"):
        if math.isfinite(float(samples.sum())):
            return
    finite = np.isfinite(samples)
    if finite.all():
        return
    frame = first_frame + int(np.argmin(finite))
    where = f"frame {frame} ({_clock(frame, header.sample_rate_hz)}), channel {channel + 1}"
    reason = f"holds a value that is no number (NaN or infinity) at {where}"
    raise TakeError(header.path, reason, "export it again from the program that wrote it")


def _unreadable(path: Path, error: OSError) -> TakeError:
    if isinstance(error, FileNotFoundError):
        return TakeError(path, "is not there", "check the name; was the folder moved, or a drive taken out?")
    if isinstance(error, IsADirectoryError):
        return TakeError(path, "is a folder, not a sound file", "name the folder as the session instead")
    if isinstance(error, PermissionError):
        return TakeError(
            path,
            "may not be read",
            "the file's permissions forbid it: change them, or copy the take to a folder of yours",
        )
    return TakeError(path, f"cannot be read ({error.strerror or error})", "check the drive it lies on")


def _plain(error: Exception) -> str:
    """The library's words without its prefixes."""
    text = str(getattr(error, "error_string", "") or error).removeprefix("Error : ").rstrip(".")
    # What it says of an MP3 file without a single frame would send the reader looking for another fault.
    return "Format not recognised" if text.startswith("File does not exist") else text


def _clock(frames: int, sample_rate_hz: int) -> str:
    """Frames as minutes and seconds."""
    milliseconds = frames * 1000 // sample_rate_hz
    return f"{milliseconds // 60000}:{milliseconds // 1000 % 60:02d}.{milliseconds % 1000:03d}"
