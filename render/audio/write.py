"""Finished mixes as files: WAV by our own writer, the others through libsndfile; whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Literal, Protocol, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.audio.ogg import fix_serial_number
from render.audio.tags import Tags, riff_info, set_vorbis_comments, write_id3
from render.audio.wav import BitDepth, sample_bytes, wav_header
from render.errors import OutputError

# Beginning and end of the name under which a file is written; hidden, and no sound file by its ending.
TEMPORARY_PREFIX, TEMPORARY_SUFFIX = ".drytake-", ".part"

Block = NDArray[np.int32] | NDArray[np.float32] | NDArray[np.float64]

# Frames handed to a lossy encoder at a time. Vorbis' keeps what it is given on its stack and crashes on long
# blocks; counted from frame 0, so that no encoder can depend on how the mix was cut.
_PREVIEW_FRAMES = 4096
_WAV_FRAMES = 32768
# The 32-bit field of bytes a second bounds the rate of a WAV file; two channels of 4 bytes.
_WAV_MOST_HZ = (2**32 - 1) // 8


@dataclass(frozen=True)
class _Format:
    """What a format can hold, and how libsndfile is asked for it."""

    depths: tuple[BitDepth, ...]
    rates_hz: range | tuple[int, ...]
    container: str = ""
    subtype: str = ""
    # 0 is the best and largest, 1 the smallest; chosen once, so that files stay the same.
    compression: float | None = None
    bitrate_mode: str | None = None


_LOSSY_DEPTHS: tuple[BitDepth, ...] = (16, 24, "float")
_FORMATS: Mapping[str, _Format] = MappingProxyType(
    {
        "wav": _Format((16, 24, "float"), range(1, _WAV_MOST_HZ + 1)),
        # The library's own bound; its default level: the highest takes twice the time for one percent.
        "flac": _Format((16, 24), range(1, 655351), "FLAC"),
        # Quality 6, about 190 kbit/s. Encoders crash above 200 kHz (libsndfile's issue tracker).
        "ogg": _Format(_LOSSY_DEPTHS, range(8000, 200001), "OGG", "VORBIS", 0.4),
        # About 160 kbit/s.
        "opus": _Format(_LOSSY_DEPTHS, (8000, 12000, 16000, 24000, 48000), "OGG", "OPUS", 0.7),
        # Variable, quality 2, about 190 kbit/s.
        "mp3": _Format(
            _LOSSY_DEPTHS,
            (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000),
            "MP3",
            "MPEG_LAYER_III",
            0.2,
            "VARIABLE",
        ),
    }
)


def check_format(*, format: str, sample_rate_hz: int, bit_depth: BitDepth) -> None:  # noqa: A002 - as below
    """Refuse a combination that the format cannot hold, before anything is opened.

    Parameters
    ----------
    format : "wav", "flac", "ogg", "opus" or "mp3"
    sample_rate_hz : int
    bit_depth : 16, 24 or "float"
        Means nothing to the previews (Ogg, Opus, MP3).

    Raises
    ------
    OutputError
        Saying what the format can hold.
    ValueError
        If there is no such format.
    """
    if format not in _FORMATS:
        raise ValueError(f"format must be one of {', '.join(_FORMATS)}, not {format}")
    able = _FORMATS[format]
    if bit_depth not in able.depths:
        depths = " or ".join(str(depth) for depth in able.depths)
        raise OutputError(
            f"{format} holds {depths} bits, not {bit_depth}: set finish.bit_depth, or another format"
        )
    if sample_rate_hz in able.rates_hz:
        return
    rates = able.rates_hz
    shown = (
        f"{rates.start} to {rates.stop - 1}"
        if isinstance(rates, range)
        else ", ".join(str(rate) for rate in rates)
    )
    raise OutputError(
        f"{format} holds {shown} Hz, not {sample_rate_hz}: set finish.sample_rate_hz, or another format"
    )


class MixWriter:
    """Write one finished mix; the file appears under its name when it is whole, or never.

    Parameters
    ----------
    path : Path
        Target; its folder is made. An older file stays until the new one takes its place.
    sample_rate_hz : int
    format : "wav", "flac", "ogg", "opus" or "mp3"
    bit_depth : 16, 24 or "float"
    frames : int
        How many will be written, exactly: it decides between RIFF and RF64 before the first one.
    tags : Tags
    channels : int
        2, or another number for files that are no mix.

    Raises
    ------
    OutputError
        On entering, writing and leaving: the format cannot hold it, the disc is full, and so on.

    Notes
    -----
    A context manager. On any exception inside (Ctrl-C included) the temporary file beside the target is
    removed and the target left alone. Nothing random, no date and no machine's name goes into a file: the
    same samples and tags give the same bytes with the same library versions.
    """

    def __init__(
        self,
        path: Path,
        *,
        sample_rate_hz: int,
        format: str,  # noqa: A002 - the recipe's word
        bit_depth: BitDepth,
        frames: int,
        tags: Tags | None = None,
        channels: int = 2,
    ) -> None:
        check_format(format=format, sample_rate_hz=sample_rate_hz, bit_depth=bit_depth)
        if frames < 1:
            raise ValueError(f"frames must be 1 or more, not {frames}")
        self._path = path
        self._temporary = path.with_name(f"{TEMPORARY_PREFIX}{secrets.token_hex(8)}{TEMPORARY_SUFFIX}")
        self._sample_rate_hz, self._format, self._bit_depth = sample_rate_hz, format, bit_depth
        self._frames, self._channels = frames, channels
        self._tags = Tags() if tags is None else tags
        self._whole_numbers = format in ("wav", "flac") and bit_depth != "float"
        self._written = 0
        self._sink: _Sink | None = None
        self._state: Literal["open", "whole", "gone"] = "open"

    def __enter__(self) -> Self:
        try:
            with _in_plain_words(self._path):
                self._path.parent.mkdir(parents=True, exist_ok=True)
                self._temporary.touch(exist_ok=False)  # the system's own reason, where it refuses
                self._sink = self._open()
        except BaseException:
            self.discard()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            self.discard()
        if self._state == "gone":
            return
        try:
            finished = self.finish()
            with _in_plain_words(self._path):
                finished.replace(self._path)
        except BaseException:
            self.discard()
            raise

    def write(self, block: Block) -> None:
        """Append a block.

        Parameters
        ----------
        block : shape (frames, channels)
            int32, shifted to the top bits, for 16 and 24 bits; float32 or float64 for "float" and previews.
            Fastest in C order. Not changed.
        """
        if self._sink is None:
            raise ValueError("write() must be called inside the with statement")
        if block.ndim != 2 or block.shape[1] != self._channels:
            raise ValueError(f"block must have shape (frames, {self._channels}), not {block.shape}")
        allowed = (np.int32,) if self._whole_numbers else (np.float32, np.float64)
        if block.dtype not in allowed:
            raise ValueError(
                f"block must be {' or '.join(kind.__name__ for kind in allowed)}, not {block.dtype}"
            )
        if self._written + len(block) > self._frames:
            raise ValueError(f"frames must not exceed the {self._frames} that were announced")
        if not self._whole_numbers and not np.isfinite(block).all():
            raise ValueError(f"block must be finite; it is not, at or after frame {self._written}")
        with _in_plain_words(self._path):
            self._sink.write(block)
        self._written += len(block)

    def finish(self) -> Path:
        """Finish the file and tell where it lies until the end of the with statement gives it its name."""
        if self._state == "open":
            with _in_plain_words(self._path):
                self._finish()
            self._state = "whole"
        return self._temporary

    def discard(self) -> None:
        """Remove what was written, the target is left alone; a failure to do so must not hide the reason for it."""
        self._state = "gone"
        with suppress(OSError, soundfile.LibsndfileError):
            if self._sink is not None:
                self._sink.abandon()
        with suppress(OSError):
            self._temporary.unlink(missing_ok=True)

    def _open(self) -> _Sink:
        if self._format == "wav":
            header = wav_header(
                sample_rate_hz=self._sample_rate_hz,
                channels=self._channels,
                bit_depth=self._bit_depth,
                frames=self._frames,
                info=riff_info(self._tags),
            )
            return _WavSink(self._temporary, header, self._bit_depth, self._channels)
        able = _FORMATS[self._format]
        file = soundfile.SoundFile(
            os.fsencode(self._temporary) if os.name == "posix" else str(self._temporary),
            "w",
            samplerate=self._sample_rate_hz,
            channels=self._channels,
            format=able.container,
            subtype=able.subtype or f"PCM_{self._bit_depth}",
            compression_level=able.compression,
            bitrate_mode=able.bitrate_mode,
        )
        if self._format != "mp3":
            set_vorbis_comments(file, self._tags)
        return _FlacSink(file) if self._format == "flac" else _PreviewSink(file)

    def _finish(self) -> None:
        if self._written != self._frames:
            raise ValueError(f"frames must be the {self._frames} that were announced, not {self._written}")
        if self._sink is not None:
            self._sink.close()
        if self._format in ("ogg", "opus"):
            fix_serial_number(self._temporary)
        elif self._format == "mp3":
            write_id3(self._temporary, self._tags)


@contextmanager
def _in_plain_words(path: Path) -> Iterator[None]:
    """Tell the disc's and the library's errors as the user is to see them."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {_reason(error)}") from error
    except (soundfile.LibsndfileError, AssertionError) as error:  # the latter: its word for a short write
        raise OutputError(
            f"{path}: cannot be written: is the disc full? ({error or 'short write'})"
        ) from error


class _Sink(Protocol):
    """Where the samples of a mix go."""

    def write(self, block: Block) -> None: ...

    def close(self) -> None:
        """Finish the file."""

    def abandon(self) -> None:
        """Let go of the file, whatever its state."""


class _WavSink:
    """A header, then the samples as they are."""

    def __init__(self, path: Path, header: bytes, bit_depth: BitDepth, channels: int) -> None:
        self._file = path.open("wb", buffering=0)
        self._bit_depth = bit_depth
        self._scratch = np.empty(4 * _WAV_FRAMES * channels, np.uint8)
        self._bytes = 0
        self._put(memoryview(header))
        self._header_bytes = self._bytes

    def write(self, block: Block) -> None:
        for first in range(0, len(block), _WAV_FRAMES):
            self._put(
                sample_bytes(block[first : first + _WAV_FRAMES], self._bit_depth, scratch=self._scratch)
            )

    def close(self) -> None:
        if (self._bytes - self._header_bytes) % 2:
            self._put(memoryview(b"\0"))  # chunks have even length
        self._file.close()

    def abandon(self) -> None:
        self._file.close()

    def _put(self, data: memoryview) -> None:
        self._bytes += len(data)
        while data:
            data = data[self._file.write(data) or 0 :]


class _FlacSink:
    """The FLAC encoder: it cuts what it is given into its own blocks, whole numbers into whole numbers."""

    def __init__(self, file: soundfile.SoundFile) -> None:
        self._file = file

    def write(self, block: Block) -> None:
        self._file.write(np.ascontiguousarray(block))

    def close(self) -> None:
        self._file.close()

    def abandon(self) -> None:
        self._file.close()


class _PreviewSink(_FlacSink):
    """A lossy encoder, fed in a grid of small blocks that begins at frame 0."""

    def __init__(self, file: soundfile.SoundFile) -> None:
        super().__init__(file)
        self._waiting: Block = np.empty((0, file.channels), np.float32)

    def write(self, block: Block) -> None:
        joined = np.concatenate([self._waiting, block]) if len(self._waiting) else block
        whole = len(joined) - len(joined) % _PREVIEW_FRAMES
        for first in range(0, whole, _PREVIEW_FRAMES):
            super().write(joined[first : first + _PREVIEW_FRAMES])
        self._waiting = joined[whole:].copy()

    def close(self) -> None:
        if len(self._waiting):
            super().write(self._waiting)
        super().close()


def _reason(error: OSError) -> str:
    if error.errno == errno.ENOSPC:
        return "the disc is full; make room, or choose another folder with -o"
    if isinstance(error, PermissionError):
        return "no permission (is it open in another program?); choose another folder with -o"
    if error.errno == errno.ENAMETOOLONG:
        return "its name is too long for this disc; shorten the take's name"
    return str(error.strerror or error)
