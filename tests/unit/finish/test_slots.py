"""The time grid and the plain sums on it."""

from __future__ import annotations

import numpy as np
import pytest

from render.audio.array import AnySamples
from render.finish.slots import (
    SlotPowers,
    cell_frames,
    check_range,
    measure_block_peaks,
    measure_plain_slots,
    peak_block_frames,
    slot_frames,
    time_grid,
)
from tests.helpers.signals import noise


@pytest.mark.parametrize(
    ("rate", "cell", "block", "slot"),
    [
        (44_100, 14, 294, 882),
        (48_000, 16, 240, 960),
        (88_200, 28, 252, 1764),
        (96_000, 30, 240, 1920),
        (192_000, 64, 256, 3840),
        (22_050, 7, 147, 441),
    ],
)
def test_grid_at_usual_rates(rate: int, cell: int, block: int, slot: int) -> None:
    """Slots are 20 ms exactly."""
    assert (cell_frames(rate), peak_block_frames(rate), slot_frames(rate)) == (cell, block, slot)
    assert slot * 50 == rate


@pytest.mark.parametrize(
    "rate", [8_000, 11_025, 16_000, 37_800, 44_056, 47_952, 50_000, 64_000, 384_000, 768_000]
)
def test_grid_nests_at_odd_rates(rate: int) -> None:
    """Each step divides the next, and none is far from what it should last."""
    grid = time_grid(rate)
    assert grid.slot_frames % grid.block_frames == 0
    assert grid.block_frames % grid.cell_frames == 0
    assert grid.block_frames <= 300
    assert grid.slot_frames / rate == pytest.approx(0.02, rel=0.01)
    assert grid.cell_frames / rate == pytest.approx(1 / 3000, rel=0.55)


@pytest.mark.parametrize("rate", [7_999, 768_001])
def test_rates_out_of_range_are_refused(rate: int) -> None:
    """The message names the range."""
    with pytest.raises(ValueError, match="sample_rate_hz must be 8000 to 768000, not"):
        time_grid(rate)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("frames", [0, 1, 960, 5000])
def test_plain_slots_are_sums_of_squares(dtype: type, frames: int) -> None:
    """A last part of a slot is a slot of its own."""
    audio: AnySamples = np.asfortranarray(noise(frames), dtype)
    sums = measure_plain_slots(audio, sample_rate_hz=48_000)
    assert sums.shape == (-(-frames // 960), 3)
    for index, row in enumerate(sums):
        piece = audio[index * 960 : (index + 1) * 960].astype(np.float64)
        expected = [piece[:, 0] @ piece[:, 0], piece[:, 1] @ piece[:, 1], piece[:, 0] @ piece[:, 1]]
        assert row == pytest.approx(expected, rel=1e-5, abs=1e-5)


@pytest.mark.parametrize(("first", "stop"), [(0, None), (100, 5000), (7, 247), (3, 3)])
def test_block_peaks_are_largest_absolute_samples(first: int, stop: int | None) -> None:
    """Over any range, the last part of a block included."""
    audio = np.asfortranarray(noise(5_003, seed=3))
    peaks = measure_block_peaks(audio, sample_rate_hz=48_000, first_frame=first, stop_frame=stop)
    piece = np.abs(audio[first:stop])
    expected = [piece[start : start + 240].max(axis=0) for start in range(0, len(piece), 240)]
    assert peaks.dtype == np.float32
    assert peaks == pytest.approx(np.array(expected).reshape(-1, 2), rel=1e-7)


def test_powers_know_their_slots() -> None:
    """The last slot may be a part."""
    powers = SlotPowers(
        weighted=np.zeros((3, 3)), plain=np.zeros((3, 3)), sample_rate_hz=48_000, frames=2_000
    )
    assert (powers.slot_frames, powers.whole_slots) == (960, 2)


def test_powers_of_another_length_are_refused() -> None:
    """Shape and frames must belong together."""
    with pytest.raises(ValueError, match=r"plain must have shape \(3, 3\) for 2000 frames, not \(2, 3\)"):
        SlotPowers(weighted=np.zeros((3, 3)), plain=np.zeros((2, 3)), sample_rate_hz=48_000, frames=2_000)


@pytest.mark.parametrize(("first", "stop"), [(-1, 5), (5, 4), (0, 11)])
def test_ranges_outside_are_refused(first: int, stop: int) -> None:
    """Both ends are named."""
    with pytest.raises(ValueError, match="first_frame and stop_frame must be in order and within 0 to 10"):
        check_range(first, stop, 10)


def test_mono_is_refused() -> None:
    """The finish is about stereo."""
    with pytest.raises(ValueError, match=r"audio must have shape \(frames, 2\), not \(5, 1\)"):
        measure_plain_slots(np.zeros((5, 1)), sample_rate_hz=48_000)
