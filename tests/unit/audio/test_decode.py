"""One file as columns: our own WAV reader against the library, damaged files, formats that cannot jump."""

from __future__ import annotations

import os
import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.audio.decode import open_columns, read_header
from render.errors import TakeError
from tests.helpers.signals import noise
from tests.helpers.sound_files import chunk, pcm_format, random_words, riff, write_sound


def _read(path: Path, first: int, frames: int, *channels: int, dtype: str = "float64") -> NDArray[Any]:
    out = np.empty((frames, len(channels)), dtype, order="F")
    sound = open_columns(path)
    try:
        sound.read(first, [(channel, out[:, place]) for place, channel in enumerate(channels)])
    finally:
        sound.close()
    return out


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_own_reader_agrees_with_the_library(tmp_path: Path, subtype: str, container: str, dtype: Any) -> None:
    """To the bit, over more than one chunk, from the middle on, in any order of channels."""
    path = write_sound(tmp_path / "a.wav", noise(40000, channels=3), subtype=subtype, format=container)
    wanted = soundfile.read(path, dtype=dtype)[0]
    np.testing.assert_array_equal(_read(path, 0, 40000, 0, 1, 2, dtype=dtype), wanted)
    np.testing.assert_array_equal(_read(path, 777, 20001, 2, 0, dtype=dtype), wanted[777:20778, [2, 0]])


def test_largest_and_smallest_numbers(tmp_path: Path) -> None:
    """Minus full scale is -1; plus one step less than 1; the byte of the sample before does not leak in."""
    words = np.array([[-(2**31), 2**31 - 256], [-256, 256], [0, -(2**31)]], np.int32)
    path = write_sound(tmp_path / "a.wav", words, subtype="PCM_24")
    step = 2.0**-23
    np.testing.assert_array_equal(_read(path, 0, 3, 0, 1), [[-1.0, 1.0 - step], [-step, step], [0.0, -1.0]])


@pytest.mark.parametrize("name", ["a.flac", "a.aiff", "a.caf", "a.au", "a.w64", "a.ogg", "a.mp3"])
@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_decoded_formats(tmp_path: Path, name: str, dtype: Any) -> None:
    """As the library reads them in one go, also after jumps to and fro."""
    path = write_sound(tmp_path / name, noise(60000, rms=0.05))
    wanted = soundfile.read(path, dtype=dtype)[0]
    sound = open_columns(path)
    assert sound.frames == len(wanted)
    for first, frames in ((50000, 9000), (100, 40000), (40100, 10), (0, len(wanted)), (33333, 17000)):
        out = np.empty((frames, 2), dtype)
        sound.read(first, [(0, out[:, 0]), (1, out[:, 1])])
        np.testing.assert_array_equal(out, wanted[first : first + frames])
    sound.close()


def test_opus_from_the_beginning_each_time(tmp_path: Path) -> None:
    """A passage is the same whatever was read before it."""
    path = write_sound(tmp_path / "a.opus", noise(60000, rms=0.05), format="OGG", subtype="OPUS")
    whole = _read(path, 0, 60000, 0, 1)
    np.testing.assert_array_equal(_read(path, 20001, 999, 0, 1), whole[20001:21000])


def test_headers_of_both_kinds(tmp_path: Path) -> None:
    """Rate, channels, frames, coding."""
    wav = read_header(write_sound(tmp_path / "a.wav", noise(100), subtype="PCM_24", rate_hz=44100))
    assert (wav.sample_rate_hz, wav.channels, wav.frames, wav.subtype) == (44100, 2, 100, "PCM_24")
    flac = read_header(write_sound(tmp_path / "a.flac", noise(100), subtype="PCM_16", rate_hz=96000))
    assert (flac.sample_rate_hz, flac.frames, flac.container, flac.subtype) == (96000, 100, "FLAC", "PCM_16")
    assert wav.warnings == flac.warnings == ()


def test_length_of_mp3_is_counted(tmp_path: Path) -> None:
    """Its header may be of more than there is."""
    path = write_sound(tmp_path / "a.mp3", noise(60000, rms=0.05))
    assert read_header(path).frames is None
    sound = open_columns(path)
    assert sound.frames == sound.header.frames == 60000
    sound.close()


def test_flac_without_a_frame_count(tmp_path: Path) -> None:
    """A stream whose header says nothing, as encoders leave it that write into a pipe."""
    audio = noise(50000)
    path = write_sound(tmp_path / "a.flac", audio, subtype="PCM_24")
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    path.write_bytes(data)
    assert read_header(path).frames is None
    sound = open_columns(path)
    assert sound.frames == 50000
    sound.close()
    np.testing.assert_allclose(_read(path, 49000, 1000, 0, 1), audio[49000:], atol=2.0**-23)


def test_cut_short_wav_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    """With a warning that says both lengths."""
    path = write_sound(tmp_path / "take.wav", random_words(48000 * 2), subtype="PCM_24")
    wanted = soundfile.read(path)[0]
    path.write_bytes(path.read_bytes()[: -6 * 24000 - 1])
    header = read_header(path)
    assert header.frames == 71999
    assert header.warnings == ("take.wav is cut short: 0:01.499 of 0:02.000 are there",)
    np.testing.assert_array_equal(_read(path, 0, 71999, 0, 1), wanted[:71999])


@pytest.mark.parametrize("name", ["a.ogg", "a.opus"])
def test_cut_short_ogg_is_read_as_far_as_it_goes(tmp_path: Path, name: str) -> None:
    """With a warning, since its length does not tell."""
    subtype = "OPUS" if name == "a.opus" else "VORBIS"
    path = write_sound(tmp_path / name, noise(96000), format="OGG", subtype=subtype)
    assert read_header(path).warnings == ()
    path.write_bytes(path.read_bytes()[:-4000])
    header = read_header(path)
    assert header.frames is not None
    assert 0 < header.frames < 96000
    (text,) = header.warnings
    assert text.startswith(f"{name}: cut short, or never closed; taken as far as it goes, 0:01.")


def test_a_drive_that_fails_at_the_end_of_an_ogg(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Is the take's error too."""
    path = write_sound(tmp_path / "a.ogg", noise(9000))

    def refuse(_: Path) -> bool:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("render.audio.decode.is_ended", refuse)
    with pytest.raises(TakeError, match=r"a\.ogg: cannot be read \(Input/output error\)"):
        read_header(path)


def test_recording_that_was_never_closed(tmp_path: Path) -> None:
    """The library takes it for empty; we take what is there."""
    samples = random_words(48000)
    body = np.ascontiguousarray(samples >> 8).astype("<i4").view("V4").view(np.uint8).reshape(-1, 4)[:, :3]
    head = riff(chunk(b"fmt ", pcm_format()), size=0) + b"data" + struct.pack("<I", 0)
    (tmp_path / "a.wav").write_bytes(head + body.tobytes())
    header = read_header(tmp_path / "a.wav")
    assert header.frames == 48000
    assert header.warnings == ("a.wav: the recording was not closed; taken as far as it goes, 0:01.000",)
    np.testing.assert_array_equal(_read(tmp_path / "a.wav", 0, 48000, 0, 1), samples / 2.0**31)


@pytest.mark.parametrize("damage", ["flipped", "blanked", "missing", "truncated"])
def test_damaged_flac_is_refused(tmp_path: Path, damage: str) -> None:
    """Never wrong samples: the stream's own checksums tell."""
    path = write_sound(tmp_path / "a.flac", noise(50000), subtype="PCM_24")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    if damage == "flipped":
        data[middle] ^= 4
    elif damage == "blanked":
        data[middle : middle + 16] = bytes(16)
    elif damage == "missing":
        del data[middle : middle + 7]
    else:
        del data[middle:]
    path.write_bytes(data)
    with pytest.raises(
        TakeError, match=r"a\.flac: (is damaged at or after 0:0\d\.\d{3}|ends after \d+ of 50000)"
    ):
        _read(path, 0, 50000, 0, 1)


def test_a_jump_into_damage_is_refused(tmp_path: Path) -> None:
    """Also when it is the jump that fails."""
    path = write_sound(tmp_path / "a.flac", noise(50000), subtype="PCM_24")
    path.write_bytes(path.read_bytes()[:2000])
    with pytest.raises(TakeError, match=r"a\.flac: is damaged near 0:00\.833"):
        _read(path, 40000, 100, 0, 1)


def test_a_file_that_ends_early_is_refused(tmp_path: Path) -> None:
    """The decoder says nothing, the count does."""
    path = write_sound(tmp_path / "a.aiff", noise(1000))
    sound = open_columns(path)
    os.truncate(path, 2000)
    out = np.empty((1000, 1))
    with pytest.raises(TakeError, match=r"a\.aiff: ends after \d+ of 1000 frames"):
        sound.read(0, [(0, out[:, 0])])
    sound.close()


def test_a_wav_file_that_shrinks_meanwhile_is_refused(tmp_path: Path) -> None:
    """Not read as silence."""
    path = write_sound(tmp_path / "a.wav", noise(1000))
    sound = open_columns(path)
    os.truncate(path, 2000)
    with pytest.raises(TakeError, match=r"a\.wav: became shorter while it was read"):
        sound.read(0, [(0, np.empty(1000))])
    sound.close()


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("name", ["a.wav", "a.aiff"])
def test_values_that_are_no_numbers_are_refused_with_their_place(
    tmp_path: Path, name: str, value: float
) -> None:
    """By either reader."""
    audio = noise(48000)
    audio[36000, 1] = value
    path = write_sound(tmp_path / name, audio, subtype="FLOAT")
    with pytest.raises(
        TakeError, match=r"NaN or infinity\) at frame 36000 \(0:00\.750\), channel 2; export it"
    ):
        _read(path, 1000, 40000, 0, 1)
    assert np.isfinite(_read(path, 0, 48000, 0)).all()


def test_numbers_past_single_precision_are_refused_there(tmp_path: Path) -> None:
    """In double precision they are numbers; large sums of good numbers are no fault."""
    audio = np.zeros((100, 1))
    audio[7] = 1e300
    path = write_sound(tmp_path / "a.wav", audio, subtype="DOUBLE")
    assert _read(path, 0, 100, 0)[7] == 1e300
    with pytest.raises(TakeError, match="at frame 7 "):
        _read(path, 0, 100, 0, dtype="float32")
    path = write_sound(tmp_path / "b.wav", np.full((100, 1), 1e38), subtype="FLOAT")
    assert _read(path, 0, 100, 0, dtype="float32").max() > 9e37


@pytest.mark.parametrize("suffix", [".wav", ".flac", ".mp3", ".aiff"])
def test_text_under_a_sound_files_name(tmp_path: Path, suffix: str) -> None:
    """Said in plain words, whatever the decoder thinks that it is."""
    path = tmp_path / f"a{suffix}"
    path.write_text("no sound at all\n" * 100)
    with pytest.raises(
        TakeError, match=r"is no sound file that can be read \(Format not recognised\); export it as"
    ):
        read_header(path)


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    """Missing, empty, a folder."""
    (tmp_path / "empty.wav").touch()
    (tmp_path / "folder.wav").mkdir()
    with pytest.raises(TakeError, match=r"empty\.wav: is empty \(0 bytes\)"):
        read_header(tmp_path / "empty.wav")
    with pytest.raises(TakeError, match=r"folder\.wav: is a folder"):
        read_header(tmp_path / "folder.wav")
    with pytest.raises(TakeError, match=r"missing\.wav: is not there"):
        open_columns(tmp_path / "missing.wav")


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (PermissionError(13, "Permission denied"), "may not be read; the file's permissions forbid it"),
        (OSError(5, "Input/output error"), r"cannot be read \(Input/output error\); check the drive"),
    ],
)
@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_discs_own_errors(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, message: str, name: str
) -> None:
    """Told as such, for either reader."""
    path = write_sound(tmp_path / name, noise(100))

    def refuse(*_: object, **__: object) -> None:
        raise error

    where = "render.audio.decode.read_wav_layout" if name == "a.wav" else "render.audio.decode._Stream"
    monkeypatch.setattr(where, refuse)
    with pytest.raises(TakeError, match=message):
        read_header(path)


def test_a_drive_that_fails_while_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Is the take's error, with the disc's words."""
    sound: Any = open_columns(write_sound(tmp_path / "a.wav", noise(100)))

    class Failing:
        def seek(self, _: int) -> None:
            raise OSError(5, "Input/output error")

    sound.close()
    monkeypatch.setattr(sound, "_file", Failing())
    with pytest.raises(TakeError, match=r"a\.wav: cannot be read \(Input/output error\)"):
        sound.read(0, [(0, np.empty(10))])


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names are text on this system")
@pytest.mark.parametrize("suffix", [b".wav", b".flac"])
def test_names_that_are_no_text(tmp_path: Path, suffix: bytes) -> None:
    """Bytes that are no UTF-8: read like any other."""
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/t\xff" + suffix))
    write_sound(tmp_path / ("plain" + suffix.decode()), noise(100)).rename(path)
    assert read_header(path).frames == 100
    assert _read(path, 0, 100, 0).shape == (100, 1)
