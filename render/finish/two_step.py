"""Long transforms in two steps that stay in the cache, two blocks at a time as one complex signal.

A block of N = rows x columns frames is laid out row by row. Transforming the columns, turning every value by its
twiddle factor and transforming the rows gives all N bins [1]_, in an order of their own: bin k1 + rows * k2 stands in
row k1 and column k2. A product of spectra does not mind the order, and the way back undoes it. Every step works on
transforms of some hundred points, in place and many at a time, which takes little more than half the time of the long
transform.

With one row the bins are in plain order, and a transform is an ordinary one.

A real response treats real and imaginary part alike, so two neighbouring blocks (a *pair*) go through as one complex
signal [2]_: block 1 is the real part, block 2 the imaginary part, before and after.

References
----------
.. [1] D. H. Bailey, "FFTs in external or hierarchical memory", J. Supercomputing 4, 1990, pp. 23-35.
.. [2] W. H. Press et al., *Numerical Recipes*, 3rd ed., Cambridge, 2007, section 12.3: two real signals at once.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Spectrum: TypeAlias = NDArray[np.complexfloating[Any, Any]]

# Both sides are multiples of this: whole registers on every processor, so that both channels round alike.
_SIDE = 16
# A row of so many values falls on the same lines of the cache as the next one.
_BAD_STRIDE = 512
_MOST_COLUMNS_PER_ROW = 16
_FACTORS = tuple(2**a * 3**b * 5**c for a in range(12) for b in range(5) for c in range(5))


@dataclass(frozen=True)
class TwoStep:
    """Transforms of one length and precision; read-only, shared by all workers."""

    rows: int
    columns: int
    forth: Spectrum
    back: Spectrum

    @property
    def frames(self) -> int:
        """Length of the transform."""
        return self.rows * self.columns

    def forward(self, signals: Spectrum) -> None:
        """Transform signals of shape (..., rows, columns) in place."""
        import scipy.fft

        if self.rows > 1:
            _in_place(scipy.fft.fft, signals, axis=-2)
            for signal in signals:
                np.multiply(signal, self.forth, out=signal)
        _in_place(scipy.fft.fft, signals, axis=-1)

    def backward(self, spectra: Spectrum) -> None:
        """Undo `forward`, in place."""
        import scipy.fft

        _in_place(scipy.fft.ifft, spectra, axis=-1)
        if self.rows > 1:
            for spectrum in spectra:
                np.multiply(spectrum, self.back, out=spectrum)
            _in_place(scipy.fft.ifft, spectra, axis=-2)

    def in_single_precision(self) -> TwoStep:
        """The same in single precision."""
        return _read_only(self.rows, self.columns, self.back.astype(np.complex64))

    def bins(self) -> NDArray[np.int64]:
        """Number of the bin in every place, -frames / 2 to frames / 2 - 1; shape (rows, columns)."""
        number = np.arange(self.rows)[:, np.newaxis] + self.rows * np.arange(self.columns)
        return np.where(number < self.frames // 2, number, number - self.frames)


def two_step(rows: int, columns: int, *, double_precision: bool) -> TwoStep:
    """Prepare transforms of `rows` times `columns` frames."""
    if rows == 1:
        return _read_only(
            1, columns, np.ones((1, columns), np.complex128 if double_precision else np.complex64)
        )
    angles = np.arange(rows)[:, np.newaxis] * np.arange(columns) * (2.0 * np.pi / (rows * columns))
    back = np.empty((rows, columns), np.complex128)
    np.cos(angles, out=back.real)
    np.sin(angles, out=back.imag)
    return _read_only(rows, columns, back if double_precision else back.astype(np.complex64))


def _read_only(rows: int, columns: int, back: Spectrum) -> TwoStep:
    forth = back.conj()
    for table in (back, forth):
        table.flags.writeable = False
    return TwoStep(rows, columns, forth, back)


def choose_sides(
    need: int, *, grid_frames: int, shortest: int, frames_per_need: float
) -> tuple[int, int, int]:
    """Rows, columns and frames of output of the cheapest transform for blocks that spoil `need` frames.

    The cost of a frame is frames transformed over frames of output: past a few times `need` little is gained, and a
    pair grows longer than takes are. It depends on nothing but the numbers given, so it is the same everywhere.
    """
    limit = max(shortest, int(frames_per_need * need), need + 8 * grid_frames)
    smooth = sorted(_SIDE * factor for factor in _FACTORS)
    best = (np.inf, 0, 0, 0)
    for rows in (side for side in smooth if side * side <= limit):
        widest = min(limit // rows, _MOST_COLUMNS_PER_ROW * rows)
        for columns in smooth[bisect_left(smooth, rows) : bisect_right(smooth, widest)]:
            hop = (rows * columns - need) // grid_frames * grid_frames
            if hop > 0:
                cost = rows * columns / hop * (1.2 if columns % _BAD_STRIDE == 0 else 1.0)
                # Of equal cost the squarest.
                best = min(best, (round(cost, 3), columns / rows, rows, columns))
    _, _, rows, columns = best
    return rows, columns, (rows * columns - need) // grid_frames * grid_frames


def _in_place(transform: Any, values: Spectrum, *, axis: int) -> None:
    """Transform into the same memory; a library that does not is copied back."""
    result = transform(values, axis=axis, overwrite_x=True)
    if result is not values and not np.shares_memory(result, values):
        values[...] = result
