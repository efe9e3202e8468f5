"""Overlap-save convolution: exact, aligned, and the same to the bit wherever it begins."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.engine.capture import StoredReader
from render.engine.convolve import (
    ConvolutionPlan,
    Measured,
    convolve_pairs,
    join_measured,
    plan_convolution,
)
from render.finish.loudness import measure_slots
from render.finish.slots import measure_block_peaks, slot_frames
from render.finish.two_step import choose_sides
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


def _response(taps: int, *, seed: int = 3) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    decay = np.exp(-np.arange(taps) / (taps / 8.0))[:, np.newaxis, np.newaxis]
    return random.standard_normal((taps, 2, 2)) * decay


def _plan(
    response: NDArray[np.float64], *, lead_frames: int = 0, double_precision: bool = True
) -> ConvolutionPlan:
    return plan_convolution(
        response, lead_frames=lead_frames, sample_rate_hz=RATE_HZ, double_precision=double_precision
    )


def _convolve(
    audio: NDArray[np.float64], plan: ConvolutionPlan, *, first: int = 0, stop: int | None = None
) -> tuple[NDArray[np.float32] | NDArray[np.float64], Measured]:
    stop = len(audio) if stop is None else stop
    store = np.empty((2, stop - first), plan.dtype).T
    reader = StoredReader(np.asfortranarray(audio.astype(plan.dtype)))
    return store, convolve_pairs(reader, plan, first_frame=first, stop_frame=stop, store=store)


def _direct(audio: NDArray[np.float64], response: NDArray[np.float64], lead: int) -> NDArray[np.float64]:
    whole = np.stack(
        [sum(np.convolve(audio[:, i], response[:, o, i]) for i in range(2)) for o in range(2)], axis=1
    )
    return np.asarray(whole[lead : lead + len(audio)])


@pytest.mark.parametrize("lead_frames", [0, 1, 37])
def test_equals_the_direct_sum(lead_frames: int) -> None:
    """Double precision equals numpy's direct convolution; what lies before time zero is compensated."""
    audio, response = noise(9_000), _response(300)

    store, _ = _convolve(audio, _plan(response, lead_frames=lead_frames))

    assert np.abs(store - _direct(audio, response, lead_frames)).max() < 1e-12


def test_single_precision_errs_at_minus_120_db() -> None:
    """Blocks in float32 stay 120 dB below the signal."""
    audio, response = noise(400_000), _response(20_000)

    exact, _ = _convolve(audio, _plan(response))
    single, _ = _convolve(audio, _plan(response, double_precision=False))

    assert 20 * np.log10((single - exact).std() / exact.std()) < -125.0


@pytest.mark.parametrize("double_precision", [False, True])
def test_a_stretch_is_that_part_of_the_whole_to_the_bit(double_precision: bool) -> None:
    """Beginning at any pair of the grid gives the same bits as running from frame 0."""
    plan = _plan(_response(2_000), double_precision=double_precision)
    audio = noise(3 * plan.pair_frames + 12_345)
    whole, measured = _convolve(audio, plan)

    parts = []
    for first, stop in ((0, plan.pair_frames), (plan.pair_frames, len(audio))):
        store, part = _convolve(audio, plan, first=first, stop=stop)
        assert np.array_equal(store, whole[first:stop])
        parts.append(part)

    joined = join_measured(parts)
    assert np.array_equal(joined.slots.weighted, measured.slots.weighted)
    assert np.array_equal(joined.slots.plain, measured.slots.plain)
    assert np.array_equal(joined.block_peaks, measured.block_peaks)


def test_what_is_measured_on_the_way_is_what_is_in_the_store() -> None:
    """Powers and peaks out of the pass equal those measured from the store afterwards."""
    audio = plucks(16.0, sample_rate_hz=RATE_HZ)
    store, measured = _convolve(audio, _plan(_response(5_000), double_precision=False))

    again = measure_slots(store, sample_rate_hz=RATE_HZ)

    assert np.allclose(measured.slots.plain, again.plain, rtol=1e-4)
    sums, sums_again = measured.slots.weighted.sum(axis=0), again.weighted.sum(axis=0)
    assert np.allclose(
        sums, sums_again, rtol=1e-3, atol=1e-4 * sums[:2].sum()
    )  # left times right may nearly cancel
    assert np.array_equal(measured.block_peaks, measure_block_peaks(store, sample_rate_hz=RATE_HZ))


def test_off_the_grid_is_refused() -> None:
    """A stretch that does not begin on the grid would not be the same to the bit."""
    plan = _plan(_response(10))
    with pytest.raises(ValueError, match="first_frame must be a multiple of"):
        convolve_pairs(StoredReader(noise(10)), plan, first_frame=1, stop_frame=10, store=np.empty((2, 9)).T)


@pytest.mark.parametrize("taps", [1, 100, 5_000, 96_000, 500_000, 3_000_000])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_block_lengths_fit(taps: int, rate_hz: int) -> None:
    """A block holds the taps, the run-in and at least one slot, and costs no more than a few times the taps."""
    grid = slot_frames(rate_hz)
    rows, columns, hop_frames = choose_sides(
        taps + 3 * grid, grid_frames=grid, shortest=65_536, frames_per_need=4.2
    )

    fft_frames = rows * columns
    assert hop_frames > 0
    assert hop_frames % grid == 0
    assert hop_frames + taps + 3 * grid <= fft_frames
    assert fft_frames <= max(65_536, 4.2 * (taps + 3 * grid), taps + 11 * grid)
    assert rows % 16 == columns % 16 == 0
