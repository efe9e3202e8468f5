"""Takes as streams of two channels."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from render.audio.read import TakeInfo, TakeReader, probe, sha256_of_files
from render.errors import TakeError
from tests.helpers.signals import noise
from tests.helpers.sound_files import random_words, write_sound


@pytest.fixture
def stereo(tmp_path: Path) -> Path:
    """A take of four channels."""
    return write_sound(tmp_path / "take.wav", random_words(20000, channels=4), subtype="PCM_24")


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """Two mono files, the second one shorter by 0.1 s."""
    return (
        write_sound(tmp_path / "a_L.wav", random_words(20000, channels=1, seed=2), subtype="PCM_24"),
        write_sound(tmp_path / "a_R.wav", random_words(15200, channels=1, seed=3), subtype="PCM_24"),
    )


def test_two_channels_of_many(stereo: Path) -> None:
    """In the asked order, each contiguous; the same one twice if need be."""
    wanted = soundfile.read(stereo)[0]
    for channels in ((1, 2), (4, 2), (3, 3)):
        with TakeReader([stereo], channels=channels, dtype="float64") as reader:
            passage = reader.read(100, 5000)
        assert passage.flags.f_contiguous
        np.testing.assert_array_equal(passage, wanted[100:5100, [channels[0] - 1, channels[1] - 1]])


def test_silence_before_and_behind(stereo: Path) -> None:
    """So that a convolution may run in and out."""
    with TakeReader([stereo]) as reader:
        whole = reader.read(0, reader.frames_total)
        around = reader.read(-300, 20700)
        assert reader.frames_total == 20000
        np.testing.assert_array_equal(around[300:20300], whole)
        assert not around[:300].any()
        assert not around[20300:].any()
        assert not reader.read(-500, 100).any()
        assert not reader.read(20000, 100).any()
        assert reader.read(5, 0).shape == (0, 2)


def test_reads_into_any_memory_order(stereo: Path) -> None:
    """Into a part of a larger array, too."""
    with TakeReader([stereo]) as reader:
        wanted = reader.read(50, 1000)
        interleaved = np.empty((1000, 2), np.float32)
        reader.read_into(interleaved, first_frame=50)
        np.testing.assert_array_equal(interleaved, wanted)
        rows = np.full((2, 3000), 9.0, np.float32)
        reader.read_into(rows[:, 500:1500].T, first_frame=50)
        np.testing.assert_array_equal(rows[:, 500:1500].T, wanted)
        assert (rows[:, :500] == 9.0).all()


@pytest.mark.parametrize(
    ("frames", "told"), [(1, "1 frame"), (7, "7 frames"), (48, "0.001 s"), (2400, "0.050 s")]
)
def test_how_much_shorter_one_of_a_pair_is(tmp_path: Path, frames: int, told: str) -> None:
    """In frames where a thousandth of a second would round to nothing."""
    for name, length in (("a_L.wav", 9600), ("a_R.wav", 9600 - frames)):
        soundfile.write(tmp_path / name, np.zeros(length), 48000, subtype="PCM_24")
    with TakeReader((tmp_path / "a_L.wav", tmp_path / "a_R.wav")) as reader:
        warning = f"a_R.wav: {told} shorter than a_L.wav; silence was added"
        assert reader.info.warnings == (warning,)


def test_two_mono_files(pair: tuple[Path, Path]) -> None:
    """Side by side, the shorter one continued by silence, with a warning."""
    left, right = (soundfile.read(path)[0] for path in pair)
    with TakeReader(pair, dtype="float64") as reader:
        whole = reader.read(0, reader.frames_total)
        late = reader.read(15000, 1000)
        info = reader.info
    assert info == TakeInfo(
        48000, 2, 20000, "PCM_24", ("a_R.wav: 0.100 s shorter than a_L.wav; silence was added",)
    )
    np.testing.assert_array_equal(whole[:, 0], left)
    np.testing.assert_array_equal(whole[:15200, 1], right)
    assert not whole[15200:, 1].any()
    np.testing.assert_array_equal(late, whole[15000:16000])
    with TakeReader(pair, channels=(2, 1), dtype="float64") as reader:
        np.testing.assert_array_equal(reader.read(0, 20000), whole[:, ::-1])


def test_headers_tell_the_same_as_reading(stereo: Path, pair: tuple[Path, Path]) -> None:
    """`probe` opens nothing further."""
    for files in ([stereo], list(pair)):
        with TakeReader(files) as reader:
            assert probe(files) == reader.info
    info = probe([stereo])
    assert info.channels == 4
    assert info.duration_s == 20000 / 48000


def test_length_that_only_decoding_tells(tmp_path: Path) -> None:
    """None in the headers, counted by the reader; in pairs as well."""
    path = write_sound(tmp_path / "a.mp3", noise(30000, rms=0.05))
    assert probe([path]).frames is None
    assert probe([path]).duration_s is None
    with TakeReader([path]) as reader:
        assert reader.frames_total == reader.info.frames == 30000
    mono = [write_sound(tmp_path / f"b_{side}.mp3", noise(9000, channels=1)) for side in "LR"]
    assert probe(mono).frames is None
    with TakeReader(mono) as reader:
        assert reader.info.frames == 9000


def test_warnings_of_the_files_come_along(stereo: Path) -> None:
    """A take that was cut short."""
    stereo.write_bytes(stereo.read_bytes()[:-12000])
    with TakeReader([stereo]) as reader:
        assert reader.frames_total == 19000
        assert "cut short" in reader.info.warnings[0]


@pytest.mark.parametrize("act", [probe, TakeReader])
def test_an_empty_take_is_refused(tmp_path: Path, act: Any) -> None:
    """There is nothing to mix."""
    path = write_sound(tmp_path / "a.wav", np.zeros((0, 2)))
    with pytest.raises(TakeError, match=r"a\.wav: holds no sound \(0 frames\)"):
        act([path])


def test_missing_channels_are_refused(stereo: Path, pair: tuple[Path, Path]) -> None:
    """Saying how many there are; a single mono file is told what it lacks."""
    for act in (probe, TakeReader):
        with pytest.raises(
            TakeError,
            match=r"take\.wav: has 4 .* asks for channel 5; .* channels 1 to 4$",
        ):
            act([stereo], channels=(1, 5))
        with pytest.raises(
            TakeError,
            match=r"a_L\.wav: has 2 .* asks for channel 3; .* channels 1 and 2$",
        ):
            act(pair, channels=(3, 1))
        with pytest.raises(TakeError, match=r"a_L\.wav: is mono, .* lay the other source's file beside it"):
            act([pair[0]], channels=(1, 2))
        with pytest.raises(ValueError, match="channels must be counted from 1, not 0"):
            act([stereo], channels=(0, 1))


def test_files_that_are_no_pair_are_refused(stereo: Path, pair: tuple[Path, Path], tmp_path: Path) -> None:
    """More than one channel, another rate, three of them."""
    with pytest.raises(
        TakeError, match=r"take\.wav: has 4 channels; as one of two files .* they are not a pair"
    ):
        probe([pair[0], stereo])
    other = write_sound(tmp_path / "c.wav", noise(100, channels=1), rate_hz=44100)
    with pytest.raises(TakeError, match=r"c\.wav: has 44100 Hz, a_L\.wav has 48000 Hz"):
        probe([pair[0], other])
    with pytest.raises(ValueError, match="files must be one or two, not 3"):
        probe([*pair, other])


def test_refuses_arrays_that_do_not_fit(stereo: Path) -> None:
    """Another kind or shape; a negative length."""
    with TakeReader([stereo]) as reader:
        with pytest.raises(ValueError, match=r"out must be float32 of shape \(frames, 2\)"):
            reader.read_into(np.empty((10, 2)), first_frame=0)
        with pytest.raises(ValueError, match="frames must be 0 or more, not -1"):
            reader.read(0, -1)


def test_files_are_closed_when_opening_fails(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """The first one, when the second one is none; on leaving, on an error inside."""
    (tmp_path / "text.wav").write_text("text")
    with pytest.raises(TakeError, match="no sound file"):
        TakeReader([pair[0], tmp_path / "text.wav"])
    reader = TakeReader(pair)
    reader.close()
    reader.close()
    for path in pair:
        path.unlink()  # fails on systems that guard open files


def test_inputs_are_not_touched(stereo: Path) -> None:
    """Not even their times."""
    before = (stereo.read_bytes(), stereo.stat().st_mtime_ns)
    stereo.chmod(0o444)
    with TakeReader([stereo]) as reader:
        reader.read(0, 20000)
    sha256_of_files([stereo])
    assert (stereo.read_bytes(), stereo.stat().st_mtime_ns) == before


def test_hash_of_content(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """Of the bytes laid end to end: names do not matter, order does."""
    contents = [path.read_bytes() for path in pair]
    assert sha256_of_files(pair) == hashlib.sha256(b"".join(contents)).hexdigest()
    assert sha256_of_files(pair[:1]) == hashlib.sha256(contents[0]).hexdigest()
    assert sha256_of_files(pair[::-1]) != sha256_of_files(pair)
    with pytest.raises(TakeError, match=r"gone\.wav: cannot be read \(No such file"):
        sha256_of_files([tmp_path / "gone.wav"])


def test_hashing_can_be_stopped(tmp_path: Path) -> None:
    """After every block: an hour on a slow drive must not be waited for."""
    path = tmp_path / "long.wav"
    path.write_bytes(bytes(3_000_000))
    asked: list[int] = []

    def stop() -> None:
        asked.append(len(asked))
        if len(asked) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        sha256_of_files([path], on_block=stop)
    assert asked == [0, 1]
