"""Properties of files, takes and dither, over random samples, cuts and formats."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.audio.read import TakeReader
from render.audio.tags import LONGEST_TEXT, Tags
from render.audio.write import MixWriter
from render.errors import TakeError
from render.finish.dither import quantise
from render.finish.resample import Resampler, resample
from tests.helpers.sound_files import random_words, write_sound

seeds = st.integers(0, 2**31)
lossless: st.SearchStrategy[Any] = st.sampled_from(
    [("wav", 16), ("wav", 24), ("wav", "float"), ("flac", 16), ("flac", 24)]
)


def _edges(data: st.DataObject, frames: int) -> list[int]:
    """Where a take is cut: anything from not at all to twice at the same place."""
    return [0, *sorted(data.draw(st.lists(st.integers(0, frames), max_size=6))), frames]


@settings(max_examples=60)
@given(data=st.data(), kind=lossless, frames=st.integers(1, 40000), seed=seeds)
def test_what_is_written_is_read(data: st.DataObject, kind: Any, frames: int, seed: int) -> None:
    """To the bit, however it is cut for writing and for reading."""
    name, bit_depth = kind
    samples: NDArray[Any] = random_words(frames, bits=24 if bit_depth == "float" else bit_depth, seed=seed)
    wanted = samples / 2.0**31
    if bit_depth == "float":
        samples = wanted.astype(np.float32)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{name}"
        with MixWriter(path, sample_rate_hz=48000, format=name, bit_depth=bit_depth, frames=frames) as writer:
            for first, last in pairwise(_edges(data, frames)):
                writer.write(samples[first:last])
        first = data.draw(st.integers(-100, frames + 100))
        count = data.draw(st.integers(0, frames))
        around = np.zeros((frames + 2 * frames + 300, 2))
        around[frames + 100 : 2 * frames + 100] = wanted
        with TakeReader([path], dtype="float64") as reader:
            assert reader.frames_total == frames
            passage = reader.read(first, count)
            np.testing.assert_array_equal(passage, around[frames + 100 + first :][:count])
        np.testing.assert_array_equal(soundfile.read(path)[0], wanted)


@settings(max_examples=40)
@given(
    frames=st.integers(1, 30000),
    seed=seeds,
    place=st.floats(0, 1, exclude_max=True),
    channel=st.sampled_from([0, 1]),
    value=st.sampled_from([np.nan, np.inf, -np.inf]),
    name=st.sampled_from(["a.wav", "a.aiff"]),
)
def test_values_that_are_no_numbers_never_get_in(
    *, frames: int, seed: int, place: float, channel: int, value: float, name: str
) -> None:
    """Wherever one stands, it is found and its frame is named; the other channel alone may be read."""
    audio = np.random.default_rng(seed).standard_normal((frames, 2))
    frame = int(place * frames)
    audio[frame, channel] = value
    with tempfile.TemporaryDirectory() as folder:
        path = write_sound(Path(folder) / name, audio, subtype="FLOAT")
        with (
            TakeReader([path]) as reader,
            pytest.raises(TakeError, match=f"frame {frame} .* channel {channel + 1}"),
        ):
            reader.read(0, frames)
        with TakeReader([path], channels=(2 - channel, 2 - channel)) as reader:
            assert np.isfinite(reader.read(0, frames)).all()


@settings(max_examples=60)
@given(
    data=st.data(),
    frames=st.integers(1, 40000),
    first_frame=st.integers(0, 2**40),
    bit_depth=st.sampled_from([16, 24]),
    seed=seeds,
    swap=st.booleans(),
)
def test_dither_belongs_to_the_frame(
    *, data: st.DataObject, frames: int, first_frame: int, bit_depth: Literal[16, 24], seed: int, swap: bool
) -> None:
    """Cuts do not matter, exchanged channels come out exchanged, the error stays within 1.5 steps."""
    audio = np.random.default_rng(seed).uniform(-0.9, 0.9, (frames, 2))
    whole = quantise(audio, bit_depth=bit_depth, first_frame=first_frame, key=seed, swap=swap)
    for first, last in pairwise(_edges(data, frames)):
        part = quantise(
            audio[first:last], bit_depth=bit_depth, first_frame=first_frame + first, key=seed, swap=swap
        )
        np.testing.assert_array_equal(part, whole[first:last])
    mirrored = quantise(audio[:, ::-1], bit_depth=bit_depth, first_frame=first_frame, key=seed, swap=not swap)
    np.testing.assert_array_equal(mirrored[:, ::-1], whole)
    assert float(np.abs(whole / 2.0**31 - audio).max()) <= 1.5 * 2.0 ** (1 - bit_depth)


@settings(max_examples=40)
@given(
    data=st.data(),
    frames=st.integers(1, 30000),
    rates=st.lists(st.sampled_from([8000, 44100, 48000, 88200, 96000, 192000]), min_size=2, max_size=2),
    seed=seeds,
)
def test_resampling_does_not_see_cuts(data: st.DataObject, frames: int, rates: list[int], seed: int) -> None:
    """To the bit, and the length is that of the same time."""
    audio = np.random.default_rng(seed).standard_normal((frames, 2))
    from_hz, to_hz = rates
    whole = resample(audio, sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    assert abs(len(whole) - frames * to_hz / from_hz) <= 0.5
    stream = Resampler(sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    parts = [stream.process(audio[first:last]) for first, last in pairwise(_edges(data, frames))]
    np.testing.assert_array_equal(np.concatenate([*parts, stream.finish()]), whole)


@settings(max_examples=60)
@given(
    title=st.text(st.characters(codec=None), max_size=1200),
    comment=st.text(max_size=50),
    name=st.sampled_from(["wav", "flac"]),
)
def test_any_text_can_be_a_tag(title: str, comment: str, name: str) -> None:
    """Surrogates, control characters and all: the file is sound, and says what can be said."""
    tags = Tags(title=title, comment=comment)
    assert len(tags.title) <= LONGEST_TEXT
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{name}"
        with MixWriter(path, sample_rate_hz=48000, format=name, bit_depth=24, frames=10, tags=tags) as writer:
            writer.write(random_words(10))
        with soundfile.SoundFile(path) as file:
            assert file.frames == 10
            assert (file.title, file.comment) == (tags.title, tags.comment)
