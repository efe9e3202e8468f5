"""The interpolators behind the true peak, and what they can make of given samples at most.

Which interpolator? Below 0.45 of the sample rate every good one reads the same. Above it they differ, because a
waveform with strong content next to half the sample rate has no peak that all filters agree on. So four are kept:
the first, 256 taps and flat to 0.49, is the one whose reading is reported; the others stand for what other people's
meters do (64 taps; the 20 taps that are common for resampling; one that rolls off before half the rate). The limiter
goes by the highest of the four plus half of their disagreement, the *guarded* reading. On music they agree within
a few hundredths of a decibel, on white noise the guard is what keeps an unknown meter under the ceiling.

The bounds that save the work. Let the interpolated value at time t, n <= t < n + 1, be y(t) = sum h_t[k] x[k].

1. With S = max over t of sum |h_t[k]|:  |y(t)| <= S max|x|, over the samples that h_t reaches.
2. Every h_t is scaled to sum h_t[k] = 1. Take the linear interpolation away, e_t = h_t - (1 - t + n) d[n] -
   (t - n) d[n + 1]. Then sum e_t = 0, and r_t = sum (k - n) e_t[k] is small but not zero. Put it into one first
   difference, e_t[k] - r_t (d[n + 1] - d[n]): this has neither sum nor first moment, so it is the second difference
   of a sequence v_t that ends on both sides, and
       |y(t)| <= max(|x[n]|, |x[n + 1]|) + 2 R max|x| + B max|x[k - 1] - 2 x[k] + x[k + 1]|
   with R = max |r_t| and B = max over t of sum |v_t[k]|. On music the last term is small, so the bound is tight.
3. The largest of eight values per sample is refined by a parabola through its neighbours. That adds at most an
   eighth of their second difference, which is again a sum over x without sum and first moment; S and B include it.
4. The guard is half of a difference of two interpolations of the same samples; the same two bounds hold for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from render.audio.array import AnySamples, Reals, Samples32

HALF_FRAMES = 128
PHASES = 8
_GUARD_FRACTION = 0.5
# Taps, shape of the Kaiser window, cut-off as a fraction of half the sample rate.
_INTERPOLATORS = ((256, 8.0, 1.0), (64, 8.0, 1.0), (20, 5.0, 1.0), (200, 8.0, 0.95))
# float32 products and sums err by less than this, relative to the largest sample in reach.
ROUNDING = 4e-6


@dataclass(frozen=True)
class Bounds:
    """Constants of the bounds above, for the guarded reading of any interpolator.

    `peak` times the largest sample; or the nearest samples plus `ramp` times the largest sample plus `bend` times
    the largest second difference.
    """

    peak: float
    ramp: float
    bend: float


def _kernel(offset_frames: Reals, *, taps: int, shape: float, cut_off: float) -> Reals:
    """Windowed sinc at a distance from its centre."""
    half = taps / 2
    inside = np.abs(offset_frames) <= half
    window = np.i0(shape * np.sqrt(np.clip(1.0 - (offset_frames / half) ** 2, 0.0, 1.0))) / np.i0(shape)
    return np.where(inside, cut_off * np.sinc(cut_off * offset_frames) * window, 0.0)


@lru_cache(maxsize=1)
def _taps() -> Reals:
    """All interpolators at the phases -1/8 to 8/8: `(interpolators, phases + 2, taps)`, taps from -128 to 128."""
    phase = np.arange(-1, PHASES + 1) / PHASES
    offset = phase[:, np.newaxis] - np.arange(-HALF_FRAMES, HALF_FRAMES + 1)
    taps = np.stack([_kernel(offset, taps=t, shape=b, cut_off=c) for t, b, c in _INTERPOLATORS])
    return np.asarray(taps / taps.sum(axis=-1, keepdims=True))


def _without_ramp(weights: Reals) -> tuple[Reals, Reals]:
    """Split sequences of sum zero: size of the first moment, and sum of |v| of what is left (bound 2)."""
    index = np.arange(-HALF_FRAMES, HALF_FRAMES + 1)
    moment = (weights * index).sum(axis=-1)
    rest = weights.copy()
    rest[..., HALF_FRAMES + 1] -= moment
    rest[..., HALF_FRAMES] += moment
    twice = np.cumsum(np.cumsum(rest, axis=-1), axis=-1)
    return np.abs(moment), np.abs(twice).sum(axis=-1)


@lru_cache(maxsize=1)
def interpolation_bounds() -> Bounds:
    """Constants of the bounds, computed from the interpolators themselves; derived in the module's docstring."""
    taps = _taps()
    inner = slice(1, PHASES + 1)
    phase = np.arange(-1, PHASES + 1) / PHASES
    linear = np.zeros(taps.shape[1:])
    linear[:, HALF_FRAMES] = 1.0 - phase
    linear[:, HALF_FRAMES + 1] = phase
    ramp, bend = _without_ramp((taps - linear)[:, inner])
    fine = taps[:, 2:] - 2.0 * taps[:, 1:-1] + taps[:, :-2]
    fine_ramp, fine_bend = _without_ramp(fine)
    fine_peak = np.abs(fine).sum(axis=-1)
    apart = (taps[:, np.newaxis] - taps[np.newaxis])[:, :, inner]
    apart_ramp, apart_bend = _without_ramp(apart)
    apart_peak = np.abs(apart).sum(axis=-1)
    guard, eighth = _GUARD_FRACTION, (1.0 + _GUARD_FRACTION) / 8.0
    return Bounds(
        peak=float(
            np.abs(taps[:, inner]).sum(axis=-1).max() + guard * apart_peak.max() + eighth * fine_peak.max()
        ),
        ramp=2.0 * float(ramp.max() + guard * apart_ramp.max() + eighth * fine_ramp.max()) + ROUNDING,
        bend=float(bend.max() + guard * apart_bend.max() + eighth * fine_bend.max()),
    )


@lru_cache(maxsize=16)
def _matrix(cell_frames: int, single: bool) -> AnySamples:
    """From a window around a cell to its interpolated values: `(cell + 256, interpolators * (cell * 8 + 2))`.

    Values run from an eighth of a frame before the cell to its end, one interpolator after the other.
    """
    taps = _taps()
    points = cell_frames * PHASES + 2
    matrix = np.zeros(
        (cell_frames + 2 * HALF_FRAMES, len(taps), points), np.float32 if single else np.float64
    )
    for point in range(points):
        # Phase -1/8 of frame 0 comes first; then the phases 0 to 7/8 of each frame; then the end.
        frame = max(point - 1, 0) // PHASES
        column = taps[:, point - frame * PHASES].T
        room = min(len(column), len(matrix) - frame)
        matrix[frame : frame + room, :, point] = column[:room]
    matrix.setflags(write=False)
    return matrix.reshape(len(matrix), -1)


def read_windows(rows: Samples32, cell_frames: int, *, least: float = 0.0) -> tuple[Reals, Reals]:
    """Interpolate in windows around cells.

    Parameters
    ----------
    rows : float32, shape (rows, cell_frames + 256)
        From 128 frames before the cell to 128 after it.
    cell_frames : int
    least : float
        Rows whose guarded reading stays below this are not read to the last digit.

    Returns
    -------
    reading, guarded : float64, shape (rows,)

    Notes
    -----
    In float64, although the samples are float32: the last bits of a matrix product depend on how the library shares
    it out among processors, and in float32 that would be heard of in the last bit of a file. What is too low in
    float32 already is left at that.
    """
    if not least:
        return _read(rows.astype(np.float64) @ _matrix(cell_frames, single=False))
    reading, guarded = _read(rows @ _matrix(cell_frames, single=True))
    high = np.flatnonzero(
        guarded >= least * (1.0 - ROUNDING) - ROUNDING * np.abs(rows).max(axis=1, initial=0.0)
    )
    reading[high], guarded[high] = _read(rows[high].astype(np.float64) @ _matrix(cell_frames, single=False))
    return reading, guarded


def _read(values: AnySamples) -> tuple[Reals, Reals]:
    """Reading and guarded reading of what `_matrix` makes; `values` is used up."""
    points = values.shape[1] // len(_INTERPOLATORS)
    sizes = np.abs(values, out=values).reshape(len(values), len(_INTERPOLATORS), points)
    top = sizes[:, :, 1:-1].argmax(axis=-1)[:, :, np.newaxis] + 1
    before, at, after = (
        np.take_along_axis(sizes, top + step, axis=-1)[:, :, 0].astype(np.float64) for step in (-1, 0, 1)
    )
    # A parabola only where the middle is the highest: elsewhere the true top lies in the next cell.
    curve = 2.0 * at - before - after
    slope = np.where((before <= at) & (after <= at), after - before, 0.0)
    highest = at + np.divide(slope * slope, 8.0 * curve, out=np.zeros_like(at), where=curve > 0.0)
    most = highest.max(axis=1)
    return highest[:, 0], most + _GUARD_FRACTION * (most - highest.min(axis=1))
