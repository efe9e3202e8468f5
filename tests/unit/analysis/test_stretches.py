from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.stretches import Stretch, Stretches, count_true, each_stretch, slot_grid
from tests.helpers.signals import noise


@pytest.mark.parametrize(
    ("sample_rate_hz", "slot_frames", "slots_per_step"),
    [
        (8000, 40, 20),
        (44100, 210, 21),
        (48000, 240, 20),
        (96000, 480, 20),
        (192000, 960, 20),
        (11025, 55, 20),
    ],
)
def test_slots_make_a_tenth_of_a_second(sample_rate_hz: int, slot_frames: int, slots_per_step: int) -> None:
    """A slot lasts about 5 ms, and a whole number of slots a tenth of a second."""
    grid = slot_grid(sample_rate_hz)
    assert (grid.slot_frames, grid.slots_per_step) == (slot_frames, slots_per_step)


@pytest.mark.parametrize("sample_rate_hz", [0.0, 999.0, float("nan"), float("inf")])
def test_refuses_a_rate(sample_rate_hz: float) -> None:
    """A rate that is none is named."""
    with pytest.raises(ValueError, match="sample_rate_hz"):
        slot_grid(sample_rate_hz)


def test_refuses_other_channels() -> None:
    """The number of channels is fixed at the beginning."""
    with pytest.raises(ValueError, match="channels"):
        Stretches(sample_rate_hz=48000, channels=0)
    with pytest.raises(ValueError, match="shape"):
        list(Stretches(sample_rate_hz=48000).add(np.zeros((10, 3), np.float32)))


def _cores(stretches: list[tuple[NDArray[Any], ...]]) -> tuple[NDArray[Any], ...]:
    return tuple(np.concatenate(parts, axis=1) for parts in zip(*stretches, strict=True))


def _core(stretch: Stretch) -> tuple[NDArray[Any], ...]:
    begin, end = stretch.core_frames
    figures = (
        stretch.highest, stretch.lowest, stretch.sums, stretch.squares, stretch.repeats, stretch.bend_peaks,
        stretch.bend_squares,
    )  # fmt: skip
    return (stretch.sound[:, begin:end].copy(), *(figure[:, stretch.core].copy() for figure in figures))


@pytest.mark.parametrize("frames", [1, 239, 240, 70_000, 65_520, 150_001])
def test_cores_make_the_take_and_its_figures(frames: int) -> None:
    """The cores one after the other are the take, and every figure is what plain sums of it say."""
    audio = np.asarray(noise(frames, seed=3, rms=0.1), np.float32)
    audio[: frames // 2] = np.abs(audio[: frames // 2])  # slots without a negative sample
    audio[frames // 3 : frames // 3 + 50] = 0.25
    sound, highest, lowest, sums, squares, repeats, bend_peaks, bend_squares = _cores(
        [_core(stretch) for stretch in each_stretch(audio, sample_rate_hz=48000)]
    )
    np.testing.assert_array_equal(sound, audio.T)
    slots = -(-frames // 240)
    padded = np.concatenate([audio, np.repeat(audio[-1:], slots * 240 - frames, axis=0)]).T
    rows = padded.reshape(2, slots, 240)
    np.testing.assert_array_equal(highest, rows.max(-1))
    np.testing.assert_array_equal(lowest, rows.min(-1))
    whole = np.zeros((2, slots * 240))
    whole[:, :frames] = audio.T
    np.testing.assert_allclose(sums, whole.reshape(2, slots, 240).sum(-1), rtol=2e-5, atol=1e-5)
    np.testing.assert_allclose(squares, (whole**2).reshape(2, slots, 240).sum(-1), rtol=2e-5)
    before = np.concatenate([np.repeat(padded[:, :1], 4, axis=1), padded], axis=1)
    np.testing.assert_array_equal(repeats, (before[:, 4:] == before[:, 3:-1]).reshape(2, slots, 240).sum(-1))
    bends = np.diff(before.astype(np.float64), n=4, axis=1).reshape(2, slots, 240)
    np.testing.assert_allclose(bend_peaks, np.abs(bends).max(-1), rtol=1e-4, atol=1e-6)
    np.testing.assert_allclose(bend_squares, (bends**2).sum(-1), rtol=1e-3, atol=1e-9)


def test_stretches_do_not_depend_on_blocks() -> None:
    """However the take is cut into blocks, the stretches are the same."""
    audio = np.asarray(noise(140_000, seed=4), np.float32)
    cut = Stretches(sample_rate_hz=44100)
    found = []
    for part in np.split(audio, [1, 2, 700, 66_000, 66_001, 139_000]):
        found += [_core(stretch) for stretch in cut.add(part)]
    found += [_core(stretch) for stretch in cut.finish()]
    whole = [_core(stretch) for stretch in each_stretch(audio, sample_rate_hz=44100)]
    for one, other in zip(_cores(found), _cores(whole), strict=True):
        np.testing.assert_array_equal(one, other)


def test_nothing_of_nothing() -> None:
    """A take without frames has no stretch."""
    assert not list(each_stretch(np.zeros((0, 2), np.float32), sample_rate_hz=48000))


def test_counts_long_rows() -> None:
    """Rows longer than a byte can count are counted."""
    flags = np.ones((3, 960), bool)
    flags[1, 5:] = False
    assert count_true(flags).tolist() == [960, 5, 960]
