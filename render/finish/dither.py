"""The last step before the file: triangular dither and rounding to whole numbers of 16 or 24 bits."""

from __future__ import annotations

import sys
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals

# Frames worked on at a time: fewer stay in the cache of the core, but operations shorter than the hand-over between
# threads would make two threads no faster than one.
_CHUNK_FRAMES = 65536
# The dither is drawn in steps of 2**-16 of a least significant bit (LSB).
_STEP_BITS = 16
# Added to a double, it leaves no room for anything below 2**16: what was there is rounded (to even when
# halfway), and the low half of the double's 64 bits is the rounded whole number, in two's complement.
_ROUND_TO_LSB = 1.5 * 2.0 ** (52 + _STEP_BITS)
_LOW_WORD = 0 if sys.byteorder == "little" else 1


class Quantiser:
    """Round a take to 16 or 24 bits under triangular dither: the error becomes a steady, even hiss.

    Parameters
    ----------
    bit_depth : 16 or 24
        Width of the numbers.
    key : int (0 or more) or bytes
        Which noise: the same key gives the same noise, another key an independent one.
    swap : bool
        Exchange the noise of the two channels. A mix whose left and right are exchanged, rounded with
        ``swap`` the other way round, has left and right exchanged to the bit.

    Raises
    ------
    ValueError
        If a parameter is out of range.

    Notes
    -----
    Each channel has its own dither, the sum of two independent uniform values: triangular between -1 and
    +1 LSB, not subtracted afterwards. Mean and variance (LSB squared / 4) of the total error are then
    independent of the signal [1]_. The noise belongs to the frame's place in the take and to nothing else,
    so it does not matter how a take is cut into blocks, in which order, or who renders them. It stays on in
    digital silence: a hiss that came and went with the notes would be heard before a steady one is (at 16
    bits it lies at -96.3 dB of full scale, at 24 bits at -144.5 dB).

    What lies past full scale is held there, before it is rounded. Dither can lift a peak by 1.5 LSB.
    An object keeps its buffers, so every thread needs its own.
    Checked by tests/reference/test_dither.py.

    References
    ----------
    .. [1] S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, "Quantization and Dither: A Theoretical
       Survey", J. Audio Eng. Soc. 40(5), 1992, pp. 355-375.
    """

    def __init__(self, *, bit_depth: Literal[16, 24], key: int | bytes, swap: bool = False) -> None:
        if bit_depth not in (16, 24):
            raise ValueError(f"bit_depth must be 16 or 24, not {bit_depth}")
        number = int.from_bytes(key, "big") if isinstance(key, bytes) else key
        if number < 0:
            raise ValueError(f"key must be 0 or more, not {number}")
        self._bit_depth = bit_depth
        self._steps_per_unit = 2.0 ** (bit_depth - 1 + _STEP_BITS)
        self._swap = swap
        self._seed = np.random.SeedSequence(number)
        self._buffers = np.empty((2, 2, _CHUNK_FRAMES))
        self._subtrahend = np.empty(2 * _CHUNK_FRAMES, np.uint32)

    def quantise(
        self, block: AnySamples, *, first_frame: int, out: NDArray[np.int32] | None = None
    ) -> NDArray[np.int32]:
        """Dither and round one block.

        Parameters
        ----------
        block : float64 (or float32), shape (frames, 2)
            Full scale is 1.0. Fastest in Fortran order (each channel contiguous); not changed.
        first_frame : int
            Where the block begins in the take, 0 or more.
        out : int32, shape (frames, 2), C order, optional
            Where the result goes; a new array is slower, because its memory has to be fetched first.

        Returns
        -------
        int32, shape (frames, 2)
            C order, shifted to the top bits: the form in which sound-file libraries take them.

        Raises
        ------
        ValueError
            If a parameter is out of range or a sample is not finite.
        """
        result = np.empty(block.shape, np.int32) if out is None else out
        _check(block, first_frame=first_frame, out=result)
        words = np.random.PCG64DXSM(self._seed)
        words.advance(first_frame)  # one 64-bit word a frame
        for first in range(0, len(block), _CHUNK_FRAMES):
            last = min(first + _CHUNK_FRAMES, len(block))
            exact, noise = self._buffers[:, :, : last - first]
            np.multiply(block[first:last].T, self._steps_per_unit, out=exact)
            triangular = self._triangular(words.random_raw(last - first)).T
            np.copyto(noise, triangular[::-1] if self._swap else triangular)
            exact += noise
            self._hold_at_full_scale(exact, first_frame + first)
            exact += _ROUND_TO_LSB
            low_words = exact.view(np.int32)[:, _LOW_WORD::2]
            whole = result[first:last]
            whole[:, 0], whole[:, 1] = low_words  # transposed in one go it takes 5 times as long
            np.left_shift(whole, 32 - self._bit_depth, out=whole)
        return result

    def _triangular(self, words: NDArray[np.uint64]) -> NDArray[np.int32]:
        """Two triangular values a word, shape ``(words, 2)``: differences of uniform 16-bit numbers.

        A difference, because it is symmetrical about zero without any correction.
        """
        pairs = words.view(np.uint32)
        minus = np.right_shift(pairs, 16, out=self._subtrahend[: len(pairs)])
        pairs &= np.uint32(0xFFFF)
        pairs -= minus
        return pairs.view(np.int32).reshape(-1, 2)

    def _hold_at_full_scale(self, steps: Reals, first_frame: int) -> None:
        """Clip in place to the whole numbers that exist; a value that is not finite is refused."""
        lowest, highest = -self._steps_per_unit, self._steps_per_unit - 2.0**_STEP_BITS
        if steps.min() >= lowest and steps.max() <= highest:
            return
        finite = np.isfinite(steps)
        if not finite.all():
            frame = first_frame + int(np.argmin(finite.all(axis=0)))
            raise ValueError(f"block must be finite; it is not at frame {frame} of the take")
        np.clip(steps, lowest, highest, out=steps)


def quantise(
    block: AnySamples,
    *,
    bit_depth: Literal[16, 24],
    first_frame: int,
    key: int | bytes,
    swap: bool = False,
) -> NDArray[np.int32]:
    """Round a single block under triangular dither: `Quantiser` in one call.

    Returns
    -------
    int32, shape (frames, 2)
        C order, shifted to the top bits.
    """
    return Quantiser(bit_depth=bit_depth, key=key, swap=swap).quantise(block, first_frame=first_frame)


def _check(block: AnySamples, *, first_frame: int, out: NDArray[np.int32]) -> None:
    if block.ndim != 2 or block.shape[1] != 2:
        raise ValueError(f"block must have shape (frames, 2), not {block.shape}")
    if block.dtype not in (np.float64, np.float32):
        raise ValueError(f"block must be float64 or float32, not {block.dtype}")
    if first_frame < 0:
        raise ValueError(f"first_frame must be 0 or more, not {first_frame}")
    if out.shape != block.shape or out.dtype != np.int32 or not out.flags.c_contiguous:
        raise ValueError(f"out must be int32 in C order, shape {block.shape}, not {out.dtype} {out.shape}")
