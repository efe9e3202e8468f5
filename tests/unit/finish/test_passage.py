"""Reading a range of a store in windows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from render.finish.ends import fade_gain
from render.finish.passage import Passage
from tests.helpers.signals import noise


@pytest.mark.parametrize("length", [1, 100, 700])
@pytest.mark.parametrize("fades", [(0, 0), (50, 300), (2000, 2000)])
def test_windows_are_the_faded_range_with_silence_around(length: int, fades: tuple[int, int]) -> None:
    """Short and long windows, inside, across the ends and outside."""
    store = np.asfortranarray(noise(3_000, seed=1), np.float32)
    store.setflags(write=False)
    passage = Passage(store, 200, 2_700, *fades)
    gain = fade_gain(0, 2_500, frames=2_500, fade_in_frames=fades[0], fade_out_frames=fades[1])
    whole = np.zeros((2_500 + 4_000, 2))
    whole[2_000:4_500] = store[200:2_700] * gain[:, np.newaxis]
    starts = np.array([-1_500, -50, 0, 30, 60, 1_000, 2_200, 2_450, 2_499, 2_600])
    windows = passage.windows(starts, length)
    assert windows.dtype == np.float32
    for start, window in zip(starts, windows, strict=True):
        assert pytest.approx(whole[start + 2_000 : start + 2_000 + length], abs=1e-7) == window.T


def test_a_memory_map_is_read_like_an_array(tmp_path: Path) -> None:
    """Also when it may only be read."""
    audio = noise(2_000, seed=2).astype(np.float32)
    np.asfortranarray(audio).T.tofile(tmp_path / "store.f32")
    store = np.memmap(tmp_path / "store.f32", np.float32, "r", shape=(2_000, 2), order="F")
    starts = np.array([-5, 100, 1_950])
    mapped = Passage(store, 0, 2_000).windows(starts, 60)
    assert np.array_equal(mapped, Passage(audio, 0, 2_000).windows(starts, 60))


def test_wrong_stores_and_ranges_are_refused() -> None:
    """Shape, range and fades."""
    with pytest.raises(ValueError, match=r"store must have shape \(frames, 2\), not \(10,\)"):
        Passage(np.zeros(10), 0, 10)
    with pytest.raises(ValueError, match="must be in order and within 0 to 10, not 3 and 11"):
        Passage(np.zeros((10, 2)), 3, 11)
    with pytest.raises(ValueError, match="fade_out_frames must be 0 or more, not -1"):
        Passage(np.zeros((10, 2)), 0, 10, 0, -1)
