"""Finished mixes as files: every format, whole or not at all, the same bytes each time."""

from __future__ import annotations

import errno
import hashlib
import os
import sys
import threading
from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.audio import write
from render.audio.read import TakeReader
from render.audio.tags import Tags
from render.audio.wav import BitDepth
from render.audio.write import MixWriter, check_format
from render.errors import OutputError
from tests.helpers.signals import noise, plucks
from tests.helpers.sound_files import random_words, riff_chunks

TAGS = Tags(
    title="Zażółć \U0001f3b8 海",
    artist="the boathouse",
    album="Evening",
    track_number=3,
    software="drytake 0.1",
    comment="recipe house",
)
LOSSLESS: list[tuple[str, BitDepth]] = [
    ("wav", 16),
    ("wav", 24),
    ("wav", "float"),
    ("flac", 16),
    ("flac", 24),
]
PREVIEWS = ["ogg", "opus", "mp3"]


def _write(
    path: Path, audio: NDArray[Any], cuts: tuple[int, ...] = (), *, rate_hz: int = 48000, **options: Any
) -> Path:
    options = {"format": path.suffix[1:], "bit_depth": 24, "channels": audio.shape[-1]} | options
    with MixWriter(path, sample_rate_hz=rate_hz, frames=len(audio), **options) as writer:
        for first, last in zip((0, *cuts), (*cuts, len(audio)), strict=True):
            writer.write(audio[first:last])
    return path


def _samples(bit_depth: BitDepth, frames: int = 9000) -> NDArray[Any]:
    if bit_depth == "float":
        return noise(frames).astype(np.float32)
    return random_words(frames, bits=bit_depth)


@pytest.mark.parametrize(("name", "bit_depth"), LOSSLESS)
def test_lossless_formats_come_back_to_the_bit(tmp_path: Path, name: str, bit_depth: BitDepth) -> None:
    """Through the library and through our own reader."""
    audio = _samples(bit_depth, 40000)
    path = _write(tmp_path / f"a.{name}", audio, (1, 30000), bit_depth=bit_depth, tags=TAGS)
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.frames) == (48000, 2, 40000)
    assert info.subtype == ("FLOAT" if bit_depth == "float" else f"PCM_{bit_depth}")
    wanted = audio if bit_depth == "float" else audio / 2.0**31
    np.testing.assert_array_equal(soundfile.read(path)[0], wanted)
    with TakeReader([path], dtype="float64") as reader:
        np.testing.assert_array_equal(reader.read(0, 40000), wanted)


@pytest.mark.parametrize("name", PREVIEWS)
def test_previews_sound_like_the_mix(tmp_path: Path, name: str) -> None:
    """The same length, in time with it, the difference far below it."""
    audio = plucks(2.0, sample_rate_hz=48000)
    path = _write(tmp_path / f"a.{name}", audio, (5, 50000), tags=TAGS)
    back = soundfile.read(path)[0]
    assert back.shape == audio.shape
    assert float(((back - audio) ** 2).mean()) < 0.01 * float((audio**2).mean())


@pytest.mark.parametrize(("name", "bit_depth"), [*LOSSLESS, *((name, 24) for name in PREVIEWS)])
def test_same_bytes_each_time_however_it_is_cut(tmp_path: Path, name: str, bit_depth: BitDepth) -> None:
    """No dates, no random numbers, no trace of the blocks."""
    audio = _samples("float" if name in PREVIEWS else bit_depth, 30000)
    hashes = {
        hashlib.sha256(
            _write(tmp_path / f"{number}.{name}", form, cuts, bit_depth=bit_depth, tags=TAGS).read_bytes()
        ).hexdigest()
        for number, (form, cuts) in enumerate(
            [
                (audio, ()),
                (audio, (1, 2, 4095, 4097)),
                (np.asfortranarray(audio), tuple(range(500, 30000, 500))),
            ]
        )
    }
    assert len(hashes) == 1


@pytest.mark.parametrize("name", ["wav", "flac", *PREVIEWS])
def test_tags_are_read_by_others(tmp_path: Path, name: str) -> None:
    """All of them, in any script, as the sound-file library understands them."""
    audio = _samples("float" if name in PREVIEWS else 24)
    path = _write(tmp_path / f"a.{name}", audio, tags=TAGS)
    with soundfile.SoundFile(path) as file:
        found = file.copy_metadata()
    assert found.pop("software").startswith("drytake 0.1")
    found.pop("date", None)  # the library invents an empty one for MP3
    assert found == {
        "title": TAGS.title,
        "artist": "the boathouse",
        "album": "Evening",
        "tracknumber": "3",
        "comment": "recipe house",
    }


@pytest.mark.parametrize("name", ["wav", "flac", *PREVIEWS])
def test_no_tags_are_fine(tmp_path: Path, name: str) -> None:
    """Nothing is said."""
    audio = _samples("float" if name in PREVIEWS else 24)
    with soundfile.SoundFile(_write(tmp_path / f"a.{name}", audio)) as file:
        assert {text for text in file.copy_metadata().values() if "libsndfile" not in text} <= {""}


@pytest.mark.parametrize("name", ["wav", "flac", *PREVIEWS])
def test_longest_texts_fit(tmp_path: Path, name: str) -> None:
    """A thousand characters of four bytes in every field; the library would crash on a cut letter."""
    text = "x" + "\U0001f3b8" * 999
    audio = _samples("float" if name in PREVIEWS else 24)
    tags = Tags(title=text, artist=text, album=text, software=text, comment=text)
    path = _write(tmp_path / f"a.{name}", audio, tags=tags)
    if name == "wav":
        assert riff_chunks(path.read_bytes())[b"LIST"].count(text.encode()) == 5
    else:
        shown = mutagen.File(path, easy=True)
        assert (shown["title"], shown["artist"], shown["album"]) == ([text], [text], [text])
    assert soundfile.info(path).frames == 9000


@pytest.mark.parametrize("bit_depth", [16, 24, "float"])
def test_small_file_with_long_sizes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bit_depth: BitDepth
) -> None:
    """What is written past 4 GiB, made small by a smaller limit; read by the library and by ourselves."""
    monkeypatch.setattr("render.audio.wav.RIFF_LIMIT_BYTES", 20000)
    audio = _samples(bit_depth)
    path = _write(tmp_path / "a.wav", audio, bit_depth=bit_depth, tags=TAGS)
    assert path.read_bytes()[:4] == b"RF64"
    wanted = audio if bit_depth == "float" else audio / 2.0**31
    np.testing.assert_array_equal(soundfile.read(path)[0], wanted)
    with TakeReader([path], dtype="float64") as reader:
        np.testing.assert_array_equal(reader.read(0, 9000), wanted)
        assert reader.info.warnings == ()
    with soundfile.SoundFile(path) as file:
        assert file.title == TAGS.title


def test_odd_sizes_are_padded(tmp_path: Path) -> None:
    """One channel of three bytes, an odd number of frames: the file is even, the sound not longer."""
    path = _write(tmp_path / "a.wav", random_words(101, channels=1))
    assert path.stat().st_size % 2 == 0
    assert int.from_bytes(path.read_bytes()[4:8], "little") == path.stat().st_size - 8
    assert soundfile.info(path).frames == 101


def test_nothing_is_written_beside_the_target(tmp_path: Path) -> None:
    """And the folder is made; rights are those of any new file."""
    path = _write(tmp_path / "new" / "folder" / "a.wav", random_words(100))
    plain = tmp_path / "plain"
    plain.touch()
    assert [entry.name for entry in path.parent.iterdir()] == ["a.wav"]
    assert path.stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("name", ["wav", "flac", *PREVIEWS])
@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_interrupted_leaves_no_half_file(tmp_path: Path, name: str, error: type[BaseException]) -> None:
    """The older file stays as it was."""
    path = tmp_path / f"a.{name}"
    path.write_text("older")
    audio = _samples("float" if name in PREVIEWS else 24)
    with (  # noqa: PT012 - the interruption must come between two blocks
        pytest.raises(error),
        MixWriter(path, sample_rate_hz=48000, format=name, bit_depth=24, frames=18000) as writer,
    ):
        writer.write(audio)
        assert path.read_text() == "older"
        raise error
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]
    assert path.read_text() == "older"


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.mp3", "a.ogg"])
def test_finished_file_can_be_read_before_it_has_its_name(tmp_path: Path, name: str) -> None:
    """Whole, with its tags; the older file stays until the end, and longer if the new one is discarded."""
    path = tmp_path / name
    path.write_bytes(b"older")
    for kept in (False, True):
        bit_depth: BitDepth = 24 if name == "a.flac" else "float"
        audio = _samples(bit_depth, 5000)
        with MixWriter(
            path, sample_rate_hz=48000, format=name[2:], bit_depth=bit_depth, frames=5000, tags=TAGS
        ) as writer:
            writer.write(audio)
            finished = writer.finish()
            assert finished == writer.finish()
            assert len(soundfile.read(finished)[0]) == 5000
            assert path.read_bytes() == b"older"
            if not kept:
                writer.discard()
        assert [file.name for file in tmp_path.iterdir()] == [name]
        assert (path.read_bytes() == b"older") is not kept


@pytest.mark.parametrize("name", ["wav", "flac"])
def test_number_of_frames_must_be_as_announced(tmp_path: Path, name: str) -> None:
    """The header was written by it."""
    options: dict[str, Any] = {"sample_rate_hz": 48000, "format": name, "bit_depth": 24, "frames": 100}
    path = tmp_path / f"a.{name}"
    with pytest.raises(ValueError, match="frames must be the 100 that were announced, not 90"):  # noqa: SIM117
        with MixWriter(path, **options) as writer:
            writer.write(random_words(90))
    with pytest.raises(ValueError, match="frames must not exceed the 100"):  # noqa: SIM117
        with MixWriter(path, **options) as writer:
            writer.write(random_words(101))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("bit_depth", "block", "message"),
    [
        (24, np.zeros((10, 2)), "block must be int32, not float64"),
        ("float", np.zeros((10, 2), np.int32), "block must be float32 or float64, not int32"),
        (24, np.zeros((10, 1), np.int32), r"block must have shape \(frames, 2\), not \(10, 1\)"),
        (24, np.zeros(10, np.int32), r"block must have shape \(frames, 2\), not \(10,\)"),
        ("float", np.full((10, 2), np.nan), "block must be finite; it is not, at or after frame 0"),
    ],
)
def test_refuses_blocks_that_do_not_fit(
    tmp_path: Path, bit_depth: BitDepth, block: NDArray[Any], message: str
) -> None:
    """Kind, shape, values."""
    with pytest.raises(ValueError, match=message):
        _write(tmp_path / "a.wav", block, bit_depth=bit_depth, channels=2)


def test_refuses_calls_that_make_no_sense(tmp_path: Path) -> None:
    """A mix of no frames; a block outside of the with statement."""
    options: dict[str, Any] = {"sample_rate_hz": 48000, "format": "wav", "bit_depth": 24}
    with pytest.raises(ValueError, match="frames must be 1 or more, not 0"):
        MixWriter(tmp_path / "a.wav", frames=0, **options)
    with pytest.raises(ValueError, match=r"write\(\) must be called inside"):
        MixWriter(tmp_path / "a.wav", frames=1, **options).write(random_words(1))


@pytest.mark.parametrize(
    ("name", "rate_hz", "bit_depth", "message"),
    [
        (
            "opus",
            44100,
            24,
            "opus holds 8000, 12000, 16000, 24000, 48000 Hz, not 44100: set finish.sample_rate_hz",
        ),
        ("mp3", 96000, 24, "mp3 holds .*48000 Hz, not 96000"),
        ("ogg", 352800, 24, "ogg holds 8000 to 200000 Hz, not 352800"),
        ("flac", 768000, 24, "flac holds 1 to 655350 Hz, not 768000"),
        ("wav", 2**30, 24, "wav holds 1 to 536870911 Hz"),
        ("flac", 48000, "float", "flac holds 16 or 24 bits, not float: set finish.bit_depth"),
    ],
)
def test_refuses_what_a_format_cannot_hold(
    tmp_path: Path, name: str, rate_hz: int, bit_depth: BitDepth, message: str
) -> None:
    """Before anything is opened."""
    with pytest.raises(OutputError, match=message):
        check_format(format=name, sample_rate_hz=rate_hz, bit_depth=bit_depth)
    with pytest.raises(OutputError, match=message):
        MixWriter(tmp_path / "new" / "a", sample_rate_hz=rate_hz, format=name, bit_depth=bit_depth, frames=1)
    assert not list(tmp_path.iterdir())


def test_refuses_unknown_formats() -> None:
    """Naming those there are."""
    with pytest.raises(ValueError, match="format must be one of wav, flac, ogg, opus, mp3, not aac"):
        check_format(format="aac", sample_rate_hz=48000, bit_depth=24)


@pytest.mark.parametrize(
    ("name", "rate_hz"),
    [
        *((name, rate) for name in ("wav", "flac", "ogg") for rate in (8000, 44100, 192000)),
        ("ogg", 200000),
        ("flac", 655350),
        *(("opus", rate) for rate in (8000, 12000, 16000, 24000, 48000)),
        *(("mp3", rate) for rate in (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)),
    ],
)
def test_everything_that_is_allowed_can_be_written(tmp_path: Path, name: str, rate_hz: int) -> None:
    """At the edges of every range."""
    audio = _samples("float" if name in PREVIEWS else 24)
    path = _write(tmp_path / f"a.{name}", audio, rate_hz=rate_hz)
    assert (soundfile.info(path).samplerate, soundfile.info(path).frames) == (rate_hz, 9000)


def test_ten_minutes_of_preview_from_a_thread_with_a_small_stack(tmp_path: Path) -> None:
    """The encoder keeps what it is given on its stack; on some systems a thread has half a megabyte."""
    minute = np.tile(plucks(2.0, sample_rate_hz=16000).astype(np.float32), (30, 1))
    done: list[Path] = []

    def encode() -> None:
        with MixWriter(
            tmp_path / "a.ogg", sample_rate_hz=16000, format="ogg", bit_depth=24, frames=10 * len(minute)
        ) as writer:
            for _ in range(10):
                writer.write(minute)
        done.append(tmp_path / "a.ogg")

    before = threading.stack_size(512 * 1024)
    try:
        thread = threading.Thread(target=encode)
        thread.start()
    finally:
        threading.stack_size(before)
    thread.join()
    assert soundfile.info(done[0]).frames == 10 * len(minute)


class _FullDisc:
    """A file that takes a little at a time, and then no more."""

    def __init__(self, room: int) -> None:
        self.room = room

    def write(self, data: memoryview) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = min(self.room, len(data), 1000)
        self.room -= taken
        return taken

    def close(self) -> None:
        """Nothing to do."""


def test_full_disc_under_wav(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told in plain words; nothing is left."""
    with (  # noqa: PT012 - the disc fills up between opening and writing
        pytest.raises(OutputError, match=r"a\.wav: cannot be written: the disc is full; make room"),
        MixWriter(
            tmp_path / "a.wav", sample_rate_hz=48000, format="wav", bit_depth=24, frames=9000
        ) as writer,
    ):
        sink: Any = writer._sink
        sink._file.close()
        monkeypatch.setattr(sink, "_file", _FullDisc(5500))
        writer.write(random_words(9000))
    assert not list(tmp_path.iterdir())


def test_short_writes_are_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A system may take less than it was given."""
    wav: Any = write._WavSink(tmp_path / "a.wav", b"", 24, 2)
    real = wav._file

    class Hesitant:
        def write(self, data: memoryview) -> int:
            return int(real.write(data[:1000]))

        def close(self) -> None:
            real.close()

    monkeypatch.setattr(wav, "_file", Hesitant())
    words = random_words(1000)
    wav.write(words)
    wav.close()
    assert (tmp_path / "a.wav").read_bytes() == b"".join(
        int(word >> 8).to_bytes(3, "little", signed=True) for word in words.reshape(-1)
    )


@pytest.mark.skipif(sys.platform != "linux", reason="a bound on the size of files, and no signal for it")
@pytest.mark.parametrize("name", ["wav", "flac", *PREVIEWS])
def test_full_disc_for_real(tmp_path: Path, name: str) -> None:
    """The system refuses more than 20000 bytes a file: an error in plain words, no file, no crash."""
    import resource
    import signal

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20000, before[1]))
    try:
        with pytest.raises(OutputError, match=rf"a\.{name}: cannot be written"):
            _write(tmp_path / f"a.{name}", _samples("float" if name in PREVIEWS else 24, 200000), (90000,))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="folders that refuse files")
@pytest.mark.parametrize("name", ["wav", "flac"])
def test_folder_that_may_not_be_written(tmp_path: Path, name: str) -> None:
    """Told with a way out."""
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match=r"no permission .* choose another folder with -o"):
        _write(tmp_path / f"a.{name}", random_words(10))
    tmp_path.chmod(0o700)


def test_targets_that_cannot_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder stands there; the folder's name is a file's; no permission; the name is too long."""
    (tmp_path / "a.wav").mkdir()
    with pytest.raises(OutputError, match=r"a\.wav: cannot be written"):
        _write(tmp_path / "a.wav", random_words(10))
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="cannot be written"):
        _write(tmp_path / "file" / "b.wav", random_words(10))
    for error, message in (
        (PermissionError(errno.EACCES, "Permission denied"), "no permission"),
        (
            OSError(errno.ENAMETOOLONG, "File name too long"),
            "its name is too long .* shorten the take's name",
        ),
        (OSError(errno.EIO, "Input/output error"), "cannot be written: Input/output error"),
    ):

        def refuse(*_: object, error: OSError = error) -> None:
            raise error

        monkeypatch.setattr(Path, "replace", refuse)
        with pytest.raises(OutputError, match=message):
            _write(tmp_path / "c.wav", random_words(10))
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["a.wav", "file"]


def test_an_encoder_that_fails_at_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Is told once; closing it again while clearing up says nothing more."""

    class Failing:
        channels = 2

        def write(self, _: object) -> None:
            """Takes everything."""

        def close(self) -> None:
            raise soundfile.LibsndfileError(2, "Error: ")

    with (  # noqa: PT012 - the encoder fails after it was opened
        pytest.raises(OutputError, match=r"a\.flac: cannot be written: is the disc full\?"),
        MixWriter(
            tmp_path / "a.flac", sample_rate_hz=48000, format="flac", bit_depth=24, frames=10
        ) as writer,
    ):
        sink: Any = writer._sink
        sink._file.close()
        monkeypatch.setattr(sink, "_file", Failing())
        writer.write(random_words(10))
    assert not list(tmp_path.iterdir())
