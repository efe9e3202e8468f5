"""K-weighted energy per slot out of spectra, against the filter itself."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from render.finish.k_weighting import design_k_weighting, k_weighting_run_in_frames
from render.finish.loudness import measure_slots
from render.finish.slots import slot_frames
from render.finish.two_step import Spectrum, choose_sides, two_step
from render.finish.weigh import weigh_pairs
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000
Audio = NDArray[np.float64]


def _weighted(audio: Audio, rate: int) -> Audio:
    for section in design_k_weighting(rate):
        audio = signal.lfilter(section.b, (1.0, *section.a), audio, axis=0)
    return audio


def _sums(audio: Audio, frames: int) -> Audio:
    rows = audio[: len(audio) // frames * frames].reshape(-1, frames, 2)
    left, right = rows[:, :, 0], rows[:, :, 1]
    return np.stack([(left * left).sum(1), (right * right).sum(1), (left * right).sum(1)], axis=1)


def _spectra(blocks: list[Audio], dtype: type, *, rows: int = 1) -> Spectrum:
    """Blocks of shape (frames, 2), two and two as one complex signal."""
    pairs = [first + 1j * second for first, second in zip(blocks[0::2], blocks[1::2], strict=True)]
    spectra: NDArray[Any] = np.stack([pair.T for pair in pairs], axis=1).astype(dtype)
    spectra = np.ascontiguousarray(spectra.reshape(2, len(pairs), rows, -1))
    two_step(rows, spectra.shape[-1], double_precision=dtype == np.complex128).forward(spectra)
    spectra.setflags(write=False)
    return spectra


@pytest.mark.parametrize("dtype", [np.complex64, np.complex128])
@pytest.mark.parametrize(
    ("rate", "bright"),
    [(48_000, 0.0), (48_000, 0.006), (48_000, 1.0), (44_100, 0.0), (22_050, 0.1), (11_025, 0.0)],
)
def test_slots_are_those_of_the_filter(rate: int, bright: float, dtype: type) -> None:
    """Two pairs; narrow, wider and full band, as the brightness needs; sums of the pieces and of the whole."""
    slot, run_in = slot_frames(rate), k_weighting_run_in_frames(rate)
    valid, first = 20 * slot, run_in + 4 * slot
    length = first + valid + slot
    length += length % 2
    audio = plucks(4 * length / rate, sample_rate_hz=rate, seed=2)
    audio += bright * noise(len(audio), seed=3, rms=0.05)
    blocks = [audio[start : start + length] for start in range(0, 4 * length, length)]
    found = weigh_pairs(
        _spectra(blocks, dtype), sample_rate_hz=rate, first_valid_frame=first, valid_frames=valid
    )
    expected = np.concatenate(
        [_sums(_weighted(block, rate)[first : first + valid], slot) for block in blocks]
    )
    assert found.shape == (80, 3)
    scale = float(expected[:, :2].max())
    assert np.abs(found - expected).max() < 0.004 * scale
    assert found.sum(axis=0) == pytest.approx(expected.sum(axis=0), rel=5e-4, abs=1e-4 * scale)


@pytest.mark.parametrize("bright", [False, True], ids=["strings", "noise"])
def test_the_order_of_the_bins_does_not_matter(bright: bool) -> None:
    """A long transform in two steps weighs as short ones in plain order do, whatever the share of the treble."""
    run_in, slot = k_weighting_run_in_frames(RATE_HZ), slot_frames(RATE_HZ)
    rows, columns, hop = choose_sides(run_in, grid_frames=slot, shortest=131_072, frames_per_need=4.0)
    frames = rows * columns
    sound = noise(2 * hop) if bright else plucks(2 * hop / RATE_HZ, sample_rate_hz=RATE_HZ)[: 2 * hop]
    padded = np.concatenate([np.zeros((frames - hop, 2)), sound])

    sums = weigh_pairs(
        _spectra([padded[:frames], padded[hop : hop + frames]], np.complex128, rows=rows),
        sample_rate_hz=RATE_HZ,
        first_valid_frame=frames - hop,
        valid_frames=hop,
    )

    expected = measure_slots(sound, sample_rate_hz=RATE_HZ).weighted
    assert sums.shape == expected.shape
    assert np.allclose(sums[:, :2].sum(axis=0), expected[:, :2].sum(axis=0), rtol=2e-4)
    assert np.abs(sums - expected)[:, :2].max() < 0.01 * expected[:, :2].max()


@pytest.mark.parametrize("rows", [1, 96])
def test_silence_weighs_nothing(rows: int) -> None:
    """Nothing is divided by nothing; a silent pair beside a loud one stays silent."""
    frames, valid = 96 * 160, 10 * slot_frames(RATE_HZ)
    loud, silent = noise(frames), np.zeros((frames, 2))

    sums = weigh_pairs(
        _spectra([silent, silent, loud, loud], np.complex64, rows=rows),
        sample_rate_hz=RATE_HZ,
        first_valid_frame=frames - valid,
        valid_frames=valid,
    )

    assert not sums[:20].any()
    assert sums[20:, :2].all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"spectra": np.zeros((3, 1, 1, 9600), np.complex64)}, "spectra must have shape"),
        ({"spectra": np.zeros((2, 1, 9600), np.complex64)}, "spectra must have shape"),
        ({"valid_frames": 961}, "valid_frames must be a multiple of 960, not 961"),
        ({"valid_frames": 0}, "valid_frames must be a multiple of 960, not 0"),
        ({"first_valid_frame": 2879}, "first_valid_frame must be 2880 to 8640, not 2879"),
        ({"first_valid_frame": 8641}, "first_valid_frame must be 2880 to 8640, not 8641"),
    ],
)
def test_what_does_not_fit_is_refused(change: dict[str, Any], message: str) -> None:
    """Each message names the parameter."""
    arguments: dict[str, Any] = {"spectra": np.zeros((2, 1, 1, 9600), np.complex64)}
    arguments |= {"sample_rate_hz": RATE_HZ, "first_valid_frame": 2880, "valid_frames": 960} | change
    with pytest.raises(ValueError, match=message):
        weigh_pairs(arguments.pop("spectra"), **arguments)
