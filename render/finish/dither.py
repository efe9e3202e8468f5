"""The last step before the file: triangular dither and rounding to whole numbers of 16 or 24 bits."""

from __future__ import annotations

import sys
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals, Samples

# What 1.0 becomes on the grid on which dither is added: whole numbers of 32 bits.
FULL_SCALE = 2.0**31

# Frames worked on at a time: fewer stay in the cache of the core, but operations shorter than the hand-over between
# threads would make two threads no faster than one.
_CHUNK_FRAMES = 65536
# Dither is drawn in steps of 2**-16 of a least significant bit (LSB).
_STEP_BITS = 16
# Added to a double, it leaves no room for a fraction: what was there is rounded (to even when halfway), and the low
# half of the double's 64 bits is the rounded whole number, in two's complement.
_ROUND_TO_WHOLE = 1.5 * 2.0**52
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

    Signal and dither meet on a grid of 32-bit whole numbers, 2**-16 LSB at 16 bits and 2**-8 LSB at 24 bits. For a
    value on the grid the above holds exactly but for a mean of 2**-17 LSB (halfway is rounded up); a value between
    is first taken to the nearest, an error 53 dB below that of 24 bits.

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
        self._lsb = 1 << (32 - bit_depth)
        self._too_fine_bits = _STEP_BITS - (32 - bit_depth)
        self._swap = swap
        self._seed = np.random.SeedSequence(number)
        self._scaled = np.empty((2, _CHUNK_FRAMES))
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
        result = _checked(block, first_frame=first_frame, out=out)
        for first in range(0, len(block), _CHUNK_FRAMES):
            last = min(first + _CHUNK_FRAMES, len(block))
            scaled = self._scaled[:, : last - first]
            np.multiply(block[first:last].T, FULL_SCALE, out=scaled)
            self.quantise_scaled(scaled.T, first_frame=first_frame + first, out=result[first:last])
        return result

    def quantise_scaled(
        self, block: Samples, *, first_frame: int, out: NDArray[np.int32] | None = None
    ) -> NDArray[np.int32]:
        """As `quantise`, of a block made to be rounded: full scale is `FULL_SCALE`, and its memory is used up.

        Who multiplies by a gain anyway multiplies by `FULL_SCALE` with it: a power of two, so every bit stays.
        """
        result = _checked(block, first_frame=first_frame, out=out)
        words = np.random.PCG64DXSM(self._seed)
        words.advance(first_frame)  # one 64-bit word a frame
        for first in range(0, len(block), _CHUNK_FRAMES):
            last = min(first + _CHUNK_FRAMES, len(block))
            rows = block[first:last].T
            exact = rows if rows.strides[1] == rows.itemsize else np.ascontiguousarray(rows)
            noise = self._triangular(words.random_raw(last - first))
            self._round(exact, noise, into=result[first:last], first_frame=first_frame + first)
        return result

    def _round(
        self, exact: Reals, noise: NDArray[np.int32], *, into: NDArray[np.int32], first_frame: int
    ) -> None:
        """Add dither on the grid of 32 bits, round to the LSB; shapes (2, frames), used up, and (frames, 2)."""
        half, safe = self._lsb // 2, FULL_SCALE - 3.0 * self._lsb
        if exact.min() >= -safe and exact.max() <= safe:
            exact += _ROUND_TO_WHOLE + half
            low_words = exact.view(np.int32)[:, _LOW_WORD::2]
            into[:, 0], into[:, 1] = low_words  # transposed in one go it takes 5 times as long
            into += noise
        else:
            _refuse_non_finite(exact, first_frame)
            wide = np.rint(np.clip(exact, -2.0 * FULL_SCALE, 2.0 * FULL_SCALE)).T.astype(np.int64)
            wide += noise
            wide += half
            np.clip(wide, -(2**31), 2**31 - 1, out=into, casting="same_kind")
        into &= np.int32(-self._lsb)

    def _triangular(self, words: NDArray[np.uint64]) -> NDArray[np.int32]:
        """Two triangular values a word on the grid, shape ``(words, 2)``: differences of uniform 16-bit numbers.

        A difference, because it is symmetrical about zero without any correction. Where the grid is coarser than
        its steps they are rounded down: that puts the middle half a step of the grid below zero, where it has to be
        for halfway to be rounded up as often as down.
        """
        minus = self._subtrahend[: 2 * len(words)]
        if self._swap:
            right = np.left_shift(words, 32, out=minus.view(np.uint64))
            words >>= np.uint64(32)
            words |= right
        pairs = words.view(np.uint32)
        np.right_shift(pairs, 16, out=minus)
        pairs &= np.uint32(0xFFFF)
        pairs -= minus
        noise = pairs.view(np.int32)
        if self._too_fine_bits:
            noise >>= np.int32(self._too_fine_bits)
        return noise.reshape(-1, 2)


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


def _checked(block: AnySamples, *, first_frame: int, out: NDArray[np.int32] | None) -> NDArray[np.int32]:
    """Refuse what cannot be rounded; return where the result goes."""
    if block.ndim != 2 or block.shape[1] != 2:
        raise ValueError(f"block must have shape (frames, 2), not {block.shape}")
    if block.dtype not in (np.float64, np.float32):
        raise ValueError(f"block must be float64 or float32, not {block.dtype}")
    if first_frame < 0:
        raise ValueError(f"first_frame must be 0 or more, not {first_frame}")
    if out is None:
        return np.empty(block.shape, np.int32)
    if out.shape != block.shape or out.dtype != np.int32 or not out.flags.c_contiguous:
        raise ValueError(f"out must be int32 in C order, shape {block.shape}, not {out.dtype} {out.shape}")
    return out


def _refuse_non_finite(exact: Reals, first_frame: int) -> None:
    """Name the first frame that holds a value that is no number."""
    finite = np.isfinite(exact).all(axis=0)
    if not finite.all():
        frame = first_frame + int(np.argmin(finite))
        raise ValueError(f"block must be finite; it is not at frame {frame} of the take")
