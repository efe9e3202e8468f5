"""Dither and rounding: the form of the result, independence of cuts, clipping, refusals."""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from render.finish.dither import FULL_SCALE, Quantiser, quantise
from tests.helpers.signals import noise

DEPTHS: tuple[Literal[16, 24], ...] = (16, 24)


def _slow_twin(
    audio: NDArray[np.float64], *, bit_depth: int, first_frame: int, key: int
) -> NDArray[np.int64]:
    """The same in Python's whole numbers: the sample to 32 bits, noise from four 16-bit numbers a frame, both added."""
    words = np.random.PCG64DXSM(key)
    words.random_raw(first_frame, output=False)
    lsb = 2 ** (32 - bit_depth)
    rows: list[list[int]] = []
    for frame in audio:
        word = int(words.random_raw())
        row = []
        for channel, sample in enumerate(frame):
            pair = word >> (32 * channel)
            triangular = Fraction((pair & 0xFFFF) - ((pair >> 16) & 0xFFFF), 65536)
            wanted = Fraction(round(Fraction(float(sample)) * 2**31), lsb) + triangular
            row.append(
                max(-(2 ** (bit_depth - 1)), min(2 ** (bit_depth - 1) - 1, floor(wanted + Fraction(1, 2))))
            )
        rows.append(row)
    return np.array(rows)


@pytest.mark.parametrize("bit_depth", DEPTHS)
def test_agrees_with_a_slow_twin(bit_depth: Literal[16, 24]) -> None:
    """To the last bit, shifted to the top, from any first frame."""
    audio = noise(3000, seed=3, rms=0.2)
    for first_frame in (0, 12345):
        fast = quantise(audio, bit_depth=bit_depth, first_frame=first_frame, key=9)
        slow = _slow_twin(audio, bit_depth=bit_depth, first_frame=first_frame, key=9)
        np.testing.assert_array_equal(fast.astype(np.int64), slow << (32 - bit_depth))


def test_result_is_what_a_sound_file_library_takes() -> None:
    """int32 in C order, the unused low bits zero; the block itself is left alone."""
    block = noise(1000)
    block.flags.writeable = False
    result = quantise(block, bit_depth=24, first_frame=0, key=1)
    assert result.dtype == np.int32
    assert result.shape == (1000, 2)
    assert result.flags.c_contiguous
    assert not (result & 0xFF).any()
    assert not (quantise(block, bit_depth=16, first_frame=0, key=1) & 0xFFFF).any()


def test_cuts_and_order_do_not_matter() -> None:
    """Blocks of any length, rendered in any order, are parts of the whole."""
    audio = np.asfortranarray(noise(70000, seed=2))
    whole = quantise(audio, bit_depth=24, first_frame=0, key=b"take")
    rounding = Quantiser(bit_depth=24, key=b"take")
    for first, last in ((50000, 70000), (0, 1), (1, 16385), (16384, 50000), (69999, 70000)):
        np.testing.assert_array_equal(
            rounding.quantise(audio[first:last], first_frame=first), whole[first:last]
        )


def test_memory_order_and_single_precision_do_not_matter() -> None:
    """The same samples give the same numbers."""
    audio = noise(20000).astype(np.float32)
    results = [
        quantise(form, bit_depth=24, first_frame=5, key=1)
        for form in (audio, np.asfortranarray(audio), audio.astype(np.float64))
    ]
    np.testing.assert_array_equal(results[0], results[1])
    np.testing.assert_array_equal(results[0], results[2])


def test_another_key_is_another_noise() -> None:
    """And the same number as bytes is the same key."""
    silence = np.zeros((5000, 2))
    one, two, as_bytes = (quantise(silence, bit_depth=16, first_frame=0, key=key) for key in (1, 2, b"\x01"))
    assert (one != two).mean() > 0.3
    np.testing.assert_array_equal(one, as_bytes)


def test_swap_mirrors_a_mirrored_mix_to_the_bit() -> None:
    """Left and right exchanged with their noise."""
    audio = noise(40000, seed=4)
    plain = quantise(audio, bit_depth=24, first_frame=7, key=1)
    mirrored = quantise(audio[:, ::-1], bit_depth=24, first_frame=7, key=1, swap=True)
    np.testing.assert_array_equal(mirrored[:, ::-1], plain)


@pytest.mark.parametrize("bit_depth", DEPTHS)
@pytest.mark.parametrize("level", [1.0, 1.5, 300.0, 1e12])
def test_full_scale_holds_without_turning_over(bit_depth: Literal[16, 24], level: float) -> None:
    """The largest and the smallest number, however far past them the mix is."""
    block = np.full((100, 2), level) * [1.0, -1.0]
    whole = quantise(block, bit_depth=bit_depth, first_frame=0, key=1) >> (32 - bit_depth)
    highest = 2 ** (bit_depth - 1) - 1
    assert whole[:, 0].min() >= highest - 1
    assert whole[:, 0].max() == highest
    assert whole[:, 1].max() <= -highest
    assert whole[:, 1].min() == -highest - 1


def test_dither_stays_on_in_silence() -> None:
    """One step at most, and both channels their own."""
    whole = quantise(np.zeros((10000, 2)), bit_depth=16, first_frame=0, key=1) >> 16
    assert set(np.unique(whole)) == {-1, 0, 1}
    assert (whole[:, 0] != whole[:, 1]).any()


def test_results_go_where_they_are_wanted() -> None:
    """`out` is filled and returned."""
    out = np.empty((100, 2), np.int32)
    block = noise(100)
    rounding = Quantiser(bit_depth=24, key=1)
    assert rounding.quantise(block, first_frame=0, out=out) is out
    np.testing.assert_array_equal(out, quantise(block, bit_depth=24, first_frame=0, key=1))


def test_a_block_may_come_scaled() -> None:
    """Multiplied already and in memory that is used up: the same numbers, in either memory order."""
    block = noise(70000) * [3.0, 1.0]  # one side past full scale
    plain = quantise(block, bit_depth=24, first_frame=3, key=1)
    for form in (np.asfortranarray(block), block.copy()):
        scaled = form * FULL_SCALE
        np.testing.assert_array_equal(
            Quantiser(bit_depth=24, key=1).quantise_scaled(scaled, first_frame=3), plain
        )


def test_nothing_in_nothing_out() -> None:
    """A block of no frames is fine."""
    assert quantise(np.empty((0, 2)), bit_depth=24, first_frame=10, key=1).shape == (0, 2)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bit_depth": 20}, "bit_depth must be 16 or 24, not 20"),
        ({"first_frame": -1}, "first_frame must be 0 or more, not -1"),
        ({"key": -5}, "key must be 0 or more, not -5"),
        ({"block": np.zeros((10, 1))}, r"block must have shape \(frames, 2\)"),
        ({"block": np.zeros(10)}, r"block must have shape \(frames, 2\)"),
        ({"block": np.zeros((10, 2), np.int16)}, "block must be float64 or float32, not int16"),
    ],
)
def test_refuses_what_is_out_of_range(change: dict[str, Any], message: str) -> None:
    """Parameter, value and range are named."""
    arguments: dict[str, Any] = {"block": np.zeros((10, 2)), "bit_depth": 24, "first_frame": 0, "key": 1}
    arguments |= change
    with pytest.raises(ValueError, match=message):
        quantise(arguments.pop("block"), **arguments)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_refuses_what_is_no_number(value: float) -> None:
    """And names the frame within the take."""
    block = np.zeros((20000, 2))
    block[17000, 1] = value
    with pytest.raises(ValueError, match="frame 18000 of the take"):
        quantise(block, bit_depth=24, first_frame=1000, key=1)


@pytest.mark.parametrize(
    "out", [np.empty((9, 2), np.int32), np.empty((10, 2), np.int64), np.empty((2, 10), np.int32).T]
)
def test_refuses_a_place_that_does_not_fit(out: NDArray[np.int32]) -> None:
    """Shape, kind and memory order of `out`."""
    with pytest.raises(ValueError, match="out must be int32 in C order"):
        Quantiser(bit_depth=24, key=1).quantise(np.zeros((10, 2)), first_frame=0, out=out)
