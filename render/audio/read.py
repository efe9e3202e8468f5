"""Takes as streams of two channels: one file with two or more, or two mono files side by side."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

import numpy as np

from render.audio.array import AnySamples
from render.audio.decode import Header, SoundColumns, open_columns, read_header
from render.errors import TakeError

_HASH_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class TakeInfo:
    """What the headers of a take say; `frames` is None where only decoding can tell."""

    sample_rate_hz: int
    channels: int
    frames: int | None
    subtype: str
    warnings: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float | None:
        """Length in seconds, if the headers tell it."""
        return None if self.frames is None else self.frames / self.sample_rate_hz


def probe(files: Sequence[Path], *, channels: tuple[int, int] | None = None) -> TakeInfo:
    """Read the headers of a take, nothing else.

    Parameters
    ----------
    files : one or two paths
        Two are the mono files of channel 1 and channel 2.
    channels : two numbers from 1, optional
        Refuse the take if it has no such channels.

    Raises
    ------
    TakeError
        If a file cannot be read, is no sound file, holds nothing; if two files do not belong together; if a
        channel is missing.
    """
    headers = [read_header(path) for path in files]
    info = _join(headers)
    if channels is not None:
        _check_channels(headers, channels)
    return info


class TakeReader:
    """A take that streams: any passage of its two wanted channels, at once or in blocks.

    Parameters
    ----------
    files : one or two paths
        Two are the mono files of channel 1 and channel 2; the shorter one is continued by silence.
    channels : two numbers from 1
        Which channels become the two columns.
    dtype : "float32" or "float64"
        Of the samples; whole numbers of up to 24 bits are exact in both.

    Attributes
    ----------
    info : TakeInfo
        Here with the number of frames known.
    frames_total : int
        Counted by decoding where a header does not know it or is not to be believed.

    Notes
    -----
    A context manager. Files are opened for reading only. Each thread needs a reader of its own.
    A passage is the same to the bit whatever was read before it; formats whose decoders do not keep that
    after a jump (Ogg, MP3) are decoded again from the beginning instead.
    """

    def __init__(
        self,
        files: Sequence[Path],
        *,
        channels: tuple[int, int] = (1, 2),
        dtype: Literal["float32", "float64"] = "float32",
    ) -> None:
        self._dtype = np.dtype(dtype)
        self._sounds: list[SoundColumns] = []
        try:
            for path in files:
                self._sounds.append(open_columns(path))
            headers = [sound.header for sound in self._sounds]
            self.info = _join(headers)
            _check_channels(headers, channels)
        except BaseException:
            self.close()
            raise
        self._channels = channels
        self.frames_total = max(sound.frames for sound in self._sounds)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Release the files; a second time does nothing."""
        for sound in self._sounds:
            sound.close()

    def read(self, first_frame: int, frames: int) -> AnySamples:
        """Read a passage into a new array.

        Parameters
        ----------
        first_frame : int
            May lie before the beginning or behind the end: there is silence.
        frames : int
            0 or more.

        Returns
        -------
        float32 or float64, shape (frames, 2)
            Fortran order: each channel contiguous.

        Raises
        ------
        TakeError
            If a file is damaged there, or holds a value that is not finite.
        """
        if frames < 0:
            raise ValueError(f"frames must be 0 or more, not {frames}")
        out = np.empty((frames, 2), self._dtype, order="F")
        self.read_into(out, first_frame=first_frame)
        return out

    def read_into(self, out: AnySamples, *, first_frame: int) -> None:
        """Read a passage into an array, shape ``(frames, 2)``, of the reader's dtype and any memory order."""
        if out.ndim != 2 or out.shape[1] != 2 or out.dtype != self._dtype:
            raise ValueError(f"out must be {self._dtype} of shape (frames, 2), not {out.dtype} {out.shape}")
        for sound, columns in self._by_file(out):
            first = max(first_frame, 0)
            last = min(first_frame + len(out), sound.frames)
            begin, end = (first - first_frame, last - first_frame) if last > first else (len(out), len(out))
            for _, column in columns:
                column[:begin] = 0.0
                column[end:] = 0.0
            if last > first:
                sound.read(first, [(channel, column[begin:end]) for channel, column in columns])

    def _by_file(self, out: AnySamples) -> list[tuple[SoundColumns, list[tuple[int, AnySamples]]]]:
        """Which columns come out of which file, and there out of which channel, counted from 0."""
        columns = [(channel - 1, out[:, side]) for side, channel in enumerate(self._channels)]
        if len(self._sounds) == 1:
            return [(self._sounds[0], columns)]
        return [(self._sounds[file], [(0, column)]) for file, column in columns]


def sha256_of_files(files: Sequence[Path], *, on_block: Callable[[], None] = lambda: None) -> str:
    """SHA-256 of the content of files laid end to end, in hexadecimal digits.

    Parameters
    ----------
    files : paths
    on_block : callable
        Called now and then: the place to stop from.

    Raises
    ------
    TakeError
        If one cannot be read.
    """
    digest = hashlib.sha256()
    buffer = bytearray(_HASH_BLOCK_BYTES)
    for path in files:
        try:
            with path.open("rb", buffering=0) as file:
                while count := file.readinto(buffer):
                    digest.update(memoryview(buffer)[:count])
                    on_block()
        except OSError as error:
            raise TakeError(
                path, f"cannot be read ({error.strerror or error})", "is it still there?"
            ) from error
    return digest.hexdigest()


def _join(headers: list[Header]) -> TakeInfo:
    """One take out of one or two headers."""
    if len(headers) not in (1, 2):
        raise ValueError(f"files must be one or two, not {len(headers)}")
    for header in headers:
        if header.frames == 0:
            raise TakeError(
                header.path, "holds no sound (0 frames)", "record it again, or take it out of the folder"
            )
    first, last = headers[0], headers[-1]
    warnings = tuple(text for header in headers for text in header.warnings)
    if len(headers) == 1:
        return TakeInfo(first.sample_rate_hz, first.channels, first.frames, first.subtype, warnings)
    for header, other in ((first, last), (last, first)):
        if header.channels != 1:
            reason = f"has {header.channels} channels; as one of two files of a take it must have one"
            raise TakeError(header.path, reason, f"rename it or {other.path.name}: they are not a pair")
    if first.sample_rate_hz != last.sample_rate_hz:
        reason = f"has {last.sample_rate_hz} Hz, {first.path.name} has {first.sample_rate_hz} Hz"
        raise TakeError(last.path, reason, "convert one of them to the other's sample rate")
    if first.frames is None or last.frames is None:
        return TakeInfo(first.sample_rate_hz, 2, None, first.subtype, warnings)
    if first.frames != last.frames:
        shorter, longer = sorted(headers, key=lambda header: header.frames or 0)
        missing = abs(first.frames - last.frames)
        missing_s = missing / first.sample_rate_hz
        length = f"{missing_s:.3f} s" if missing_s >= 0.001 else f"{missing} frame{'s' * (missing > 1)}"
        text = f"{shorter.path.name}: {length} shorter than {longer.path.name}; silence was added"
        warnings = (*warnings, text)
    return TakeInfo(first.sample_rate_hz, 2, max(first.frames, last.frames), first.subtype, warnings)


def _check_channels(headers: list[Header], channels: tuple[int, int]) -> None:
    """Refuse a channel that the take does not have."""
    there = headers[0].channels if len(headers) == 1 else 2
    for channel in channels:
        if channel < 1:
            raise ValueError(f"channels must be counted from 1, not {channel}")
        if channel <= there:
            continue
        if there == 1:
            raise TakeError(
                headers[0].path,
                "is mono, one source only, and a mix needs two",
                "lay the other source's file beside it, the names ending in -1 and -2 or in _L and _R",
            )
        reason = f"has {there} channels, and the recipe asks for channel {channel}"
        fix = "give the recipe's sources channels 1 and 2"
        if there > 2:
            fix = f"give the recipe's sources two of the channels 1 to {there}"
        raise TakeError(headers[0].path, reason, fix)
