"""Overlap-save convolution of a take with a compiled recipe: the whole linear part of a mix in one pass.

The blocks lie on a grid anchored at frame 0 of the take, and two neighbouring blocks (a *pair*) always go through
the transforms together, as one complex signal (see `two_step`). So a passage, or one worker's share of a long take,
is the same to the bit as that part of the whole [1]_.

References
----------
.. [1] A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, 3rd ed., 2010, section 8.7 (overlap-save).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Reals, Samples
from render.engine.spares import Spares
from render.finish.k_weighting import k_weighting_run_in_frames
from render.finish.slots import (
    SlotPowers,
    measure_block_peaks,
    measure_plain_slots,
    slot_frames,
    sum_products,
)
from render.finish.two_step import Spectrum, TwoStep, choose_sides, two_step
from render.finish.weigh import weigh_pairs

SHORTEST_FFT_FRAMES = 65_536
FFT_PER_TAP = 4.2
# What is worked on stays in the cache of the core, of the spectra and of the output; but a single operation must take
# longer than threads need to hand the interpreter to each other, some 50 microseconds, or two are slower than one.
TILE_BINS = 32_768
TILE_SLOTS = 240


class SourceReader(Protocol):
    """What convolution needs of a take: any stretch of it, zero where there is nothing."""

    def read_into(self, out: AnySamples, *, first_frame: int) -> None:
        """Fill `out`, shape (frames, 2), with the two sources from `first_frame` on."""
        ...


@dataclass(frozen=True)
class ConvolutionPlan:
    """A compiled response, transformed once for a whole batch; read-only, shared by all workers.

    ``spectrum`` has shape (2 out, 2 in, rows, columns); see `two_step` for the order of its bins.
    """

    transform: TwoStep
    spectrum: Spectrum
    hop_frames: int
    lead_frames: int
    sample_rate_hz: int

    @property
    def fft_frames(self) -> int:
        """Frames of one block with what its response spoils."""
        return self.transform.frames

    @property
    def pair_frames(self) -> int:
        """Frames of output that one step of the grid gives."""
        return 2 * self.hop_frames

    @property
    def dtype(self) -> np.dtype[np.float32] | np.dtype[np.float64]:
        """Precision in which blocks stream."""
        return np.dtype(np.float32) if self.spectrum.dtype == np.complex64 else np.dtype(np.float64)


@dataclass(frozen=True)
class Measured:
    """What the pass measures on its way: powers per slot and peaks per block, from the first frame rendered.

    ``source_sums`` is of the capture instead, shape (pairs, 3): first x first, second x second, first x second.
    """

    slots: SlotPowers
    block_peaks: NDArray[np.float32]
    source_sums: Reals


def plan_convolution(
    response: Samples,
    *,
    lead_frames: int,
    sample_rate_hz: int,
    double_precision: bool = False,
) -> ConvolutionPlan:
    """Transform a compiled response for streaming.

    Parameters
    ----------
    response : float64, shape (taps, 2 out, 2 in)
    lead_frames : int
        How many taps lie before time zero; output comes out aligned with input.
    sample_rate_hz : int
    double_precision : bool
        Blocks in float64 (error about -300 dB of the signal) instead of float32 (about -131 dB).
    """
    grid, run_in = slot_frames(sample_rate_hz), k_weighting_run_in_frames(sample_rate_hz)
    rows, columns, hop_frames = choose_sides(
        len(response) + run_in,
        grid_frames=grid,
        shortest=SHORTEST_FFT_FRAMES,
        frames_per_need=FFT_PER_TAP,
    )
    precise = two_step(rows, columns, double_precision=True)
    transform = precise if double_precision else precise.in_single_precision()
    spectrum = np.empty((2, 2, rows, columns), transform.back.dtype)
    by_source = np.empty((2, rows * columns), np.complex128)
    for out in range(2):
        by_source[:, : len(response)] = response[:, out].T
        by_source[:, len(response) :] = 0.0
        precise.forward(by_source.reshape(2, rows, columns))
        spectrum[out] = by_source.reshape(2, rows, columns)
    spectrum.flags.writeable = False
    return ConvolutionPlan(transform, spectrum, hop_frames, lead_frames, sample_rate_hz)


def convolve_pairs(
    reader: SourceReader,
    plan: ConvolutionPlan,
    *,
    first_frame: int,
    stop_frame: int,
    store: AnySamples | None,
    on_pair: Callable[[int], None] | None = None,
    spares: Spares | None = None,
) -> Measured:
    """Render frames `first_frame` to `stop_frame` of the linear mix into `store`, and measure them.

    Parameters
    ----------
    reader : SourceReader
    plan : ConvolutionPlan
    first_frame, stop_frame : int
        In frames of the take. `first_frame` must lie on the grid (a multiple of ``plan.pair_frames``).
    store : array, shape (stop_frame - first_frame, 2), or None
        Where the mix goes; None only measures.
    on_pair : callable, optional
        Called with the number of frames done after every pair: progress, and the place to stop from.
    spares : Spares, optional
        Where the memory to work in comes from, and goes back to.

    Returns
    -------
    Measured
        Slots and peaks begin at `first_frame`; what lies past `stop_frame` is not in them. Sums of the sources are of
        whole pairs, so that they are the same whatever passage or share they are of.
    """
    if first_frame % plan.pair_frames:
        raise ValueError(f"first_frame must be a multiple of {plan.pair_frames}, not {first_frame}")
    memory = Spares() if spares is None else spares
    with (
        memory.lend((2, plan.fft_frames + plan.hop_frames), plan.dtype) as input_frames,
        memory.lend((2, plan.transform.rows, plan.transform.columns), plan.spectrum.dtype) as pair,
    ):
        window = _Window(reader, plan, input_frames, pair)
        return _convolve(
            window, plan, first_frame=first_frame, stop_frame=stop_frame, store=store, on_pair=on_pair
        )


def _convolve(
    window: _Window,
    plan: ConvolutionPlan,
    *,
    first_frame: int,
    stop_frame: int,
    store: AnySamples | None,
    on_pair: Callable[[int], None] | None,
) -> Measured:
    """Pair after pair, tile after tile."""
    length, hop, rate = plan.fft_frames, plan.hop_frames, plan.sample_rate_hz
    tile_frames = TILE_SLOTS * slot_frames(rate)
    scratch = np.empty((2, tile_frames), plan.dtype).T
    powers: list[NDArray[np.float64]] = []
    weighted: list[NDArray[np.float64]] = []
    peaks: list[NDArray[np.float32]] = []
    sources: list[Reals] = []
    for start in range(first_frame, stop_frame, plan.pair_frames):
        pair = window.pair(start)
        sources.append(window.source_sums())
        plan.transform.forward(pair)
        _mix_spectra(pair, plan.spectrum)
        weighted.append(
            weigh_pairs(
                pair[:, np.newaxis],
                sample_rate_hz=rate,
                first_valid_frame=length - hop,
                valid_frames=hop,
            )
        )
        plan.transform.backward(pair)
        mixed = pair.reshape(2, length)[:, length - hop :]
        for block, output in enumerate((mixed.real, mixed.imag)):
            frames = min(hop, stop_frame - start - block * hop)
            at = start - first_frame + block * hop
            for low in range(0, frames, tile_frames):
                high = min(low + tile_frames, frames)
                piece = scratch[: high - low] if store is None else store[at + low : at + high]
                piece.T[...] = output[:, low:high]
                powers.append(measure_plain_slots(piece, sample_rate_hz=rate))
                peaks.append(measure_block_peaks(piece, sample_rate_hz=rate))
        if on_pair is not None:
            on_pair(min(plan.pair_frames, stop_frame - start))
    plain = np.concatenate(powers)
    return Measured(
        slots=SlotPowers(
            weighted=np.concatenate(weighted)[: len(plain)],
            plain=plain,
            frames=stop_frame - first_frame,
            sample_rate_hz=rate,
        ),
        block_peaks=np.concatenate(peaks),
        source_sums=np.stack(sources),
    )


def join_measured(parts: list[Measured]) -> Measured:
    """Put the measurements of neighbouring stretches together, in order."""
    return Measured(
        slots=SlotPowers(
            weighted=np.concatenate([part.slots.weighted for part in parts]),
            plain=np.concatenate([part.slots.plain for part in parts]),
            frames=sum(part.slots.frames for part in parts),
            sample_rate_hz=parts[0].slots.sample_rate_hz,
        ),
        block_peaks=np.concatenate([part.block_peaks for part in parts]),
        source_sums=np.concatenate([part.source_sums for part in parts]),
    )


class _Window:
    """The stretch of input under the transforms of one pair; moves along without reading a frame twice."""

    def __init__(
        self, reader: SourceReader, plan: ConvolutionPlan, input_frames: AnySamples, pair: Spectrum
    ) -> None:
        self._reader = reader
        self._plan = plan
        self._buffer = input_frames
        self._pair = pair
        self._stop: int | None = None

    def pair(self, start: int) -> Spectrum:
        """Input of the pair whose output begins at `start`, shape (2 sources, rows, columns), to be worked on.

        Block 1 is the real part, block 2 the imaginary part.
        """
        plan, buffer = self._plan, self._buffer
        frames = buffer.shape[1]
        stop = start + plan.lead_frames + plan.pair_frames
        kept = frames - plan.pair_frames if self._stop == stop - plan.pair_frames else 0
        if kept:
            buffer[:, :kept] = buffer[:, plan.pair_frames :]
        self._reader.read_into(buffer[:, kept:].T, first_frame=stop - frames + kept)
        self._stop = stop
        blocks = self._pair.view(plan.dtype).reshape(2, plan.fft_frames, 2)
        second = buffer[:, plan.hop_frames :]
        for low in range(0, plan.fft_frames, TILE_BINS):  # both go to the same lines of the cache
            high = min(low + TILE_BINS, plan.fft_frames)
            blocks[:, low:high, 0] = buffer[:, low:high]
            blocks[:, low:high, 1] = second[:, low:high]
        return self._pair

    def source_sums(self) -> Reals:
        """Sums of squares and of the product of both sources where the pair's output lies, shape (3,)."""
        stop = self._buffer.shape[1] - self._plan.lead_frames
        sums = np.zeros(3)
        for low in range(stop - self._plan.pair_frames, stop, TILE_BINS):
            tile = self._buffer[:, np.newaxis, low : min(low + TILE_BINS, stop)]
            sums += sum_products(tile[0], tile[1])[0]
        return sums


def _mix_spectra(sources: Spectrum, response: Spectrum) -> None:
    """Both outputs from both sources, in place; (2, rows, columns).

    Each output is the same sum of the same products in memory of its own, so swapping what is left and right in the
    response swaps the outputs to the bit.
    """
    first, second = sources.reshape(2, -1)
    factors = response.reshape(2, 2, -1)
    scratch = np.empty((3, TILE_BINS), sources.dtype)
    for low in range(0, len(first), TILE_BINS):
        tile = slice(low, min(low + TILE_BINS, len(first)))
        one, other, part = scratch[:, : tile.stop - tile.start]
        for target, (by_first, by_second) in zip((one, other), factors, strict=True):
            np.multiply(first[tile], by_first[tile], out=target)
            np.multiply(second[tile], by_second[tile], out=part)
            np.add(target, part, out=target)
        first[tile], second[tile] = one, other
