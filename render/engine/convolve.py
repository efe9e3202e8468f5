"""Overlap-save convolution of a take with a compiled recipe: the whole linear part of a mix in one pass.

The blocks lie on a grid anchored at frame 0 of the take, and two neighbouring blocks (a *pair*) always go through
the transforms together, four rows at a time. So a passage, or one worker's share of a long take, is the same to
the bit as that part of the whole [1]_. Two blocks at once is also what makes single precision fast: the FFT of
scipy works on four rows in one register.

References
----------
.. [1] A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, 3rd ed., 2010, section 8.7 (overlap-save).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Samples
from render.finish.k_weighting import k_weighting_run_in_frames, weighted_slots_from_spectrum
from render.finish.slots import SlotPowers, measure_block_peaks, measure_plain_slots, slot_frames

SHORTEST_FFT_FRAMES = 65_536
FFT_PER_TAP = 4.0
TILE_BINS = 8_192  # of the spectra, so that a product stays in the cache of the core


class SourceReader(Protocol):
    """What convolution needs of a take: any stretch of it, zero where there is nothing."""

    def read_into(self, out: AnySamples, *, first_frame: int) -> None:
        """Fill `out`, shape (frames, 2), with the two sources from `first_frame` on."""
        ...


@dataclass(frozen=True)
class ConvolutionPlan:
    """A compiled response, transformed once for a whole batch; read-only, shared by all workers."""

    spectrum: NDArray[np.complex64] | NDArray[np.complex128]
    fft_frames: int
    hop_frames: int
    lead_frames: int
    sample_rate_hz: int

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
    """What the pass measures on its way: powers per slot and peaks per block, from the first frame rendered."""

    slots: SlotPowers
    block_peaks: NDArray[np.float32]


def choose_fft_frames(taps: int, *, run_in_frames: int, grid_frames: int) -> tuple[int, int]:
    """Length of the transform and of the output of one block for a response of `taps`.

    The cheapest length up to four times the taps, by operations per frame of output: past that the rows of a pair
    fall out of the cache. It depends on nothing but the numbers given, so it is the same on every machine.
    """
    need = taps + run_in_frames
    limit = max(SHORTEST_FFT_FRAMES, int(FFT_PER_TAP * need), need + 8 * grid_frames)
    best = (math.inf, 0, 0)
    for threes in range(4):
        for fives in range(5):
            length = 16 * 3**threes * 5**fives
            while length <= limit:
                hop = (length - need) // grid_frames * grid_frames
                if hop > 0:
                    best = min(best, (length * math.log2(length) / hop, length, hop))
                length *= 2
    return best[1], best[2]


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
    import scipy.fft

    fft_frames, hop_frames = choose_fft_frames(
        len(response),
        run_in_frames=k_weighting_run_in_frames(sample_rate_hz),
        grid_frames=slot_frames(sample_rate_hz),
    )
    rows = np.ascontiguousarray(response.transpose(1, 2, 0))
    spectrum = scipy.fft.rfft(rows, fft_frames, axis=-1)
    precise = spectrum if double_precision else spectrum.astype(np.complex64)
    precise.flags.writeable = False
    return ConvolutionPlan(precise, fft_frames, hop_frames, lead_frames, sample_rate_hz)


def convolve_pairs(
    reader: SourceReader,
    plan: ConvolutionPlan,
    *,
    first_frame: int,
    stop_frame: int,
    store: AnySamples | None,
    on_pair: Callable[[int], None] | None = None,
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

    Returns
    -------
    Measured
        Slots and peaks begin at `first_frame`; what lies past `stop_frame` is not in them.
    """
    import scipy.fft

    if first_frame % plan.pair_frames:
        raise ValueError(f"first_frame must be a multiple of {plan.pair_frames}, not {first_frame}")
    length, hop = plan.fft_frames, plan.hop_frames
    window = _Window(reader, plan)
    powers: list[NDArray[np.float64]] = []
    weighted: list[NDArray[np.float64]] = []
    peaks: list[NDArray[np.float32]] = []
    for start in range(first_frame, stop_frame, plan.pair_frames):
        mixed = _mix_spectra(scipy.fft.rfft(window.rows(start), axis=-1), plan.spectrum)
        weighted.append(
            weighted_slots_from_spectrum(
                mixed.reshape(4, -1),
                fft_frames=length,
                first_valid_frame=length - hop,
                valid_frames=hop,
                sample_rate_hz=plan.sample_rate_hz,
            )
        )
        output = scipy.fft.irfft(mixed, length, axis=-1, overwrite_x=True)[:, :, length - hop :]
        for block in range(2):
            frames = min(hop, stop_frame - start - block * hop)
            if frames <= 0:
                break
            piece = output[block, :, :frames]
            if store is not None:
                at = start - first_frame + block * hop
                store[at : at + frames] = piece.T
            powers.append(measure_plain_slots(piece.T, sample_rate_hz=plan.sample_rate_hz))
            peaks.append(measure_block_peaks(piece.T, sample_rate_hz=plan.sample_rate_hz))
        del mixed, output, piece  # before the next transforms: these are most of what a worker needs
        if on_pair is not None:
            on_pair(min(plan.pair_frames, stop_frame - start))
    plain = np.concatenate(powers)
    return Measured(
        slots=SlotPowers(
            weighted=np.concatenate(weighted)[: len(plain)],
            plain=plain,
            frames=stop_frame - first_frame,
            sample_rate_hz=plan.sample_rate_hz,
        ),
        block_peaks=np.concatenate(peaks),
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
    )


class _Window:
    """The stretch of input under the transforms of one pair; moves along without reading a frame twice."""

    def __init__(self, reader: SourceReader, plan: ConvolutionPlan) -> None:
        self._reader = reader
        self._plan = plan
        self._buffer = np.zeros((2, plan.fft_frames + plan.hop_frames), plan.dtype)
        self._stop: int | None = None

    def rows(self, start: int) -> AnySamples:
        """Input of the pair whose output begins at `start`, shape (2 blocks, 2 sources, fft_frames), a view."""
        plan, buffer = self._plan, self._buffer
        frames = buffer.shape[1]
        stop = start + plan.lead_frames + plan.pair_frames
        kept = frames - plan.pair_frames if self._stop == stop - plan.pair_frames else 0
        if kept:
            buffer[:, :kept] = buffer[:, plan.pair_frames :]
        self._reader.read_into(buffer[:, kept:].T, first_frame=stop - frames + kept)
        self._stop = stop
        row, item = buffer.strides
        return np.lib.stride_tricks.as_strided(
            buffer,
            (2, 2, plan.fft_frames),
            (plan.hop_frames * item, row, item),
            writeable=False,
        )


def _mix_spectra(
    sources: NDArray[np.complex64] | NDArray[np.complex128],
    response: NDArray[np.complex64] | NDArray[np.complex128],
) -> NDArray[np.complex64] | NDArray[np.complex128]:
    """Both outputs of both blocks from both sources; (2 blocks, 2, bins) in and out."""
    mixed = np.empty_like(sources)
    second = np.empty((2, TILE_BINS), sources.dtype)
    bins = sources.shape[-1]
    for low in range(0, bins, TILE_BINS):
        high = min(low + TILE_BINS, bins)
        for out in range(2):
            target = mixed[:, out, low:high]
            np.multiply(sources[:, 0, low:high], response[out, 0, low:high], out=target)
            part = second[:, : high - low]
            np.multiply(sources[:, 1, low:high], response[out, 1, low:high], out=part)
            target += part
    return mixed
