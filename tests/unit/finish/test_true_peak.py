"""The search for high cells: nothing is left out, and the ends are silence."""

from __future__ import annotations

import numpy as np
import pytest

from render.finish.passage import Passage
from render.finish.slots import cell_frames, measure_block_peaks, peak_block_frames
from render.finish.true_peak import find_peaks, measure_passage_peaks, read_cells, true_peak_gain
from tests.helpers.signals import noise, plucks, sine


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000])
@pytest.mark.parametrize("kind", ["plucks", "noise", "clicks"])
def test_search_finds_what_a_full_reading_finds(rate: int, kind: str) -> None:
    """Every cell, from before the first frame to after the last, compared with all cells read one by one."""
    if kind == "plucks":
        audio = plucks(0.4, sample_rate_hz=rate, seed=3)
    elif kind == "noise":
        audio = noise(7_001, seed=4)
    else:
        audio = np.zeros((9_000, 2))
        audio[[0, 100, 4_000, 8_999], [0, 1, 1, 0]] = (0.9, -0.7, 1.0, -1.0)
    store = np.asfortranarray(audio, np.float32)
    passage = Passage(store, 0, len(store))
    peaks = measure_block_peaks(store, sample_rate_hz=rate)
    cells = np.arange(-20, len(store) // cell_frames(rate) + 20)
    full = read_cells(passage, cells, sample_rate_hz=rate)
    for fraction in (1.0 - 1e-9, 0.7, 0.2):
        threshold = fraction * full.highest_guarded
        found = find_peaks(passage, sample_rate_hz=rate, block_peaks=peaks, threshold=threshold)
        high = full.guarded >= threshold
        assert np.array_equal(found.cell, cells[high])
        assert found.guarded == pytest.approx(full.guarded[high], rel=1e-12)
        assert found.reading.max() == pytest.approx(full.reading[high].max(), rel=1e-12)
    assert true_peak_gain(store, sample_rate_hz=rate) == pytest.approx(full.highest_reading, rel=1e-12)


def test_search_can_be_kept_to_some_blocks() -> None:
    """Cells of other blocks are not told of."""
    store = np.asfortranarray(noise(10_000, seed=5), np.float32)
    peaks = measure_block_peaks(store, sample_rate_hz=48_000)
    passage = Passage(store, 0, len(store))
    everywhere = find_peaks(passage, sample_rate_hz=48_000, block_peaks=peaks, threshold=0.2)
    some = find_peaks(
        passage,
        sample_rate_hz=48_000,
        block_peaks=peaks,
        threshold=0.2,
        blocks=np.array([-1, 3, 7, len(peaks)]),
    )
    within = np.isin(everywhere.cell // 15, (-1, 3, 7, len(peaks)))
    assert np.array_equal(some.cell, everywhere.cell[within])


def test_a_cut_wave_rises_beyond_its_end() -> None:
    """A wave near half the rate that begins and ends abruptly peaks outside its samples."""
    wave = np.tile([1.0, -1.0], 200)[:, np.newaxis] * np.ones(2)
    store = np.asfortranarray(0.5 * wave)
    found = find_peaks(
        Passage(store, 0, 400),
        sample_rate_hz=48_000,
        block_peaks=measure_block_peaks(store, sample_rate_hz=48_000),
        threshold=0.5,
    )
    assert found.cell[0] == -1
    assert found.cell[-1] >= 400 // 16 - 1


def test_a_range_is_read_as_a_file_of_its_own() -> None:
    """What lies around it in the store does not count; nor does the grid on which its block peaks were made."""
    store = np.asfortranarray(noise(20_000, seed=6))
    store[:5_003] *= 3.0
    store[12_000:] *= 3.0
    part = np.asfortranarray(store[5_003:12_000])
    expected = true_peak_gain(part, sample_rate_hz=48_000)
    found = true_peak_gain(store, sample_rate_hz=48_000, first_frame=5_003, stop_frame=12_000)
    assert found == pytest.approx(expected, rel=1e-12)
    assert true_peak_gain(
        part, sample_rate_hz=48_000, block_peaks=measure_block_peaks(part, sample_rate_hz=48_000)
    ) == pytest.approx(expected, rel=1e-12)


def test_silence_has_no_peak() -> None:
    """Zero, also for nothing at all."""
    assert true_peak_gain(np.zeros((3_000, 2)), sample_rate_hz=48_000) == 0.0
    assert true_peak_gain(np.zeros((0, 2)), sample_rate_hz=48_000) == 0.0


@pytest.mark.parametrize(("first", "stop"), [(0, 30_000), (240 * 5, 29_999), (77, 20_000)])
@pytest.mark.parametrize("fades", [(0, 0), (300, 5_000), (29_000, 29_000)])
def test_block_peaks_of_a_passage(first: int, stop: int, fades: tuple[int, int]) -> None:
    """With its fades; known ones are used on their grid and not changed."""
    store = np.asfortranarray(noise(30_000, seed=7), np.float32)
    known = measure_block_peaks(store, sample_rate_hz=48_000)
    known.setflags(write=False)
    passage = Passage(store, first, stop, *fades)
    block = peak_block_frames(48_000)
    starts = np.arange(0, passage.frames, block)
    expected = np.abs(passage.windows(starts, block)).max(axis=-1)
    for given in (None, known):
        found = measure_passage_peaks(passage, sample_rate_hz=48_000, store_peaks=given)
        assert np.array_equal(found, expected)


def test_a_threshold_of_nothing_is_refused() -> None:
    """Every cell would be found."""
    store = np.asfortranarray(sine(1000.0, duration_s=0.1, sample_rate_hz=48_000))
    with pytest.raises(ValueError, match="threshold must be greater than 0, not 0"):
        find_peaks(
            Passage(store, 0, len(store)),
            sample_rate_hz=48_000,
            block_peaks=measure_block_peaks(store, sample_rate_hz=48_000),
            threshold=0.0,
        )
