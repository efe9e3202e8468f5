"""The decay: laid over the lossless responses exactly as if every delay line absorbed in proportion to its length.

Jot's principle [1]_: if each line of m frames has the filter g(z)**m, the response of the network is the lossless
one with 1/z replaced by g(z)/z. So every sound that took n frames has passed g(z)**n, whatever way it took, and it
is enough to pass the lossless response through a filter that grows with time: at frame n, g(z)**n. That is done
here. Two things are gained over filters inside the loop: the decay law is met at every frequency to the precision
of a transform, while in a loop the short lines make the errors of their filters large [2]_; and all modes of a
frequency decay alike.

The filter is minimum phase, so nothing comes early. It is applied in pieces that cross-fade on straight lines. A piece
is so short that the fastest frequency falls by a quarter of a neper in it: 0.07 dB of ripple, there only.

Before that, chance is evened out (`measure_steadiness`). The lossless energy in a band ought to be the same for ever;
in a narrow band and a short time it is not, and by that alone a decay of 0.4 s is misread by 10 % at 125 Hz, as it
is for real noise. The energy of every half octave (octave below 500 Hz) is measured through the longest decay time,
and its scatter is brought down to a third.

References
----------
.. [1] J.-M. Jot and A. Chaigne, "Digital delay networks for designing artificial reverberators", AES 90th Convention,
   1991.
.. [2] S. J. Schlecht and E. A. P. Habets, "Accurate reverberation time control in feedback delay networks", DAFx-17,
   2017.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.audio.array import Complexes, Reals, Samples
from render.stages.room.law import NEPERS_PER_60_DB, causal_spectrum

TRAVEL_S = 0.08
NEPERS_PER_PIECE = 0.25

_CELL_S = 0.04
_CELL_BANDWIDTH_TIME = 5.0
_CELL_OF_DECAY = 0.03
_WIDEST_CORRECTION = 2.0


@dataclass(frozen=True)
class Steadiness:
    """Gains that make the lossless energy of every band steady.

    Attributes
    ----------
    every_frames : int
        From one moment to the next; the first is frame 0.
    gain : float64, shape (moments, responses, bands)
        After the last moment: 1.
    centres_hz : float64, shape (bands,)
    """

    every_frames: int
    gain: Reals
    centres_hz: Reals


def steady_centres_hz(sample_rate_hz: float) -> Reals:
    """Octaves up to 500 Hz, half octaves above; the outermost bands take in all that lies beyond."""
    count = math.floor(2.0 * math.log2(0.8 * sample_rate_hz / 500.0))
    return np.concatenate([[62.5, 125.0, 250.0], 500.0 * np.exp2(0.5 * np.arange(count))])


def soft_bands(frequency_hz: Reals, centres_hz: Reals) -> Reals:
    """Overlapping bands on a logarithmic axis, raised cosine, that add up to 1 everywhere.

    Parameters
    ----------
    frequency_hz : float64, shape (bins,)
        Zero allowed.
    centres_hz : float64, shape (bands,)
        Rising.

    Returns
    -------
    float64, shape (bands, bins)
    """
    position = np.interp(
        np.log2(np.maximum(frequency_hz, 1e-3)), np.log2(centres_hz), np.arange(len(centres_hz))
    )
    distance = np.abs(position - np.arange(len(centres_hz))[:, np.newaxis])
    return np.where(distance < 1.0, 0.5 + 0.5 * np.cos(np.pi * distance), 0.0)


def measure_steadiness(rows: Samples, *, sample_rate_hz: int, band_decay_s: Reals) -> Steadiness:
    """Measure band energies of the lossless responses, and the gains that would make them steady.

    Parameters
    ----------
    rows : float64, shape (responses, frames)
        Unit variance is what ought to be.
    sample_rate_hz : int
    band_decay_s : float64, shape (bands,)
        Asked decay at each of `steady_centres_hz`; energies are averaged over 3 % of it, but not over less time than
        5 / bandwidth.

    Returns
    -------
    Steadiness
    """
    centres_hz = steady_centres_hz(sample_rate_hz)
    every = max(1, round(0.25 * _CELL_S * sample_rate_hz))
    size = 4 * every
    frames = min(rows.shape[1], math.ceil(float(band_decay_s.max()) * sample_rate_hz))
    moments = frames // every + 1
    window = np.hanning(size + 1)[:size]
    padded = np.zeros((len(rows), (moments + 3) * every))
    part = rows[:, : padded.shape[1] - 2 * every]
    padded[:, 2 * every : 2 * every + part.shape[1]] = part
    views = np.lib.stride_tricks.sliding_window_view(padded, size, axis=1)[:, ::every]
    bands = soft_bands(np.linspace(0.0, 0.5 * sample_rate_hz, size // 2 + 1), centres_hz)
    energy = np.empty((moments, len(rows), len(centres_hz)))
    for first in range(0, moments, 64):
        power = np.abs(fft.rfft(views[:, first : first + 64] * window, axis=-1)) ** 2
        energy[first : first + 64] = np.einsum("rmf,bf->mrb", power, bands)
    ones = np.zeros(padded.shape[1])
    ones[2 * every : 2 * every + part.shape[1]] = 1.0
    share = (np.lib.stride_tricks.sliding_window_view(ones, size)[::every] * window**2).sum(axis=1)
    wanted = share[:, np.newaxis] * bands.sum(axis=1)
    gain = np.ones_like(energy)
    for band, (centre_hz, decay_s) in enumerate(zip(centres_hz, band_decay_s, strict=True)):
        cell_s = max(_CELL_BANDWIDTH_TIME / (centre_hz / math.sqrt(2.0)), _CELL_OF_DECAY * float(decay_s))
        half = max(1, round(cell_s * sample_rate_hz / every))
        kernel = np.hanning(2 * half + 3)[1:-1]
        ought = _smoothed(wanted[:, band], kernel)
        for row in range(len(rows)):
            ratio = ought / np.maximum(_smoothed(energy[:, row, band], kernel), 1e-30)
            gain[:, row, band] = np.sqrt(np.clip(ratio, _WIDEST_CORRECTION**-2, _WIDEST_CORRECTION**2))
    return Steadiness(every_frames=every, gain=gain, centres_hz=centres_hz)


def _smoothed(values: Reals, kernel: Reals) -> Reals:
    half = len(kernel) // 2
    return np.asarray(np.convolve(values, kernel)[half : half + len(values)])


def travel_bins(sample_rate_hz: int) -> int:
    """Bins of the transforms in which absorption is applied: a power of two of at least 80 ms."""
    return (1 << math.ceil(math.log2(TRAVEL_S * sample_rate_hz))) // 2 + 1


def piece_frames(shortest_decay_s: float, *, sample_rate_hz: int) -> int:
    """Frames in which the fastest frequency falls by a quarter of a neper, at most a quarter of a transform."""
    wanted = NEPERS_PER_PIECE * shortest_decay_s * sample_rate_hz / NEPERS_PER_60_DB
    return max(1, min((travel_bins(sample_rate_hz) - 1) // 2, int(wanted)))


def apply_absorption(
    rows: Samples, *, exponent: Complexes, piece: int, steadiness: Steadiness, sample_rate_hz: int
) -> None:
    """Lay the decay over the lossless responses, in place.

    Parameters
    ----------
    rows : float64, shape (responses, frames)
    exponent : complex128, shape (bins,)
        Of one frame of travel (`law.DecayLaw.exponent`), for transforms of 2 (bins - 1).
    piece : int
        Frames of a cross-fade, at most a quarter of the transform.
    steadiness : Steadiness
    sample_rate_hz : int
    """
    size = 2 * (len(exponent) - 1)
    frequency_hz = np.linspace(0.0, 0.5 * sample_rate_hz, len(exponent))
    bands = causal_spectrum(soft_bands(frequency_hz, steadiness.centres_hz))
    onward = np.exp(-piece * exponent)
    rise = np.arange(piece) / piece
    window = np.concatenate([rise, 1.0 - rise])
    frames = rows.shape[1]
    so_far = np.ones_like(exponent)
    carried = np.zeros((len(rows), size))
    segment = np.zeros((len(rows), 2 * piece))
    segment[:, piece:] = _piece(rows, 0, piece)
    for start in range(0, frames + piece, piece):
        # The segment is centred on `start`; its filter is that of a travel of `start` frames.
        spectrum = fft.rfft(segment * window, size, axis=1)
        spectrum *= so_far
        gain = _gain_at(steadiness, start)
        if gain is not None:
            spectrum *= np.einsum("rb,bf->rf", gain, bands)
        carried += fft.irfft(spectrum, size, axis=1)
        segment[:, :piece] = segment[:, piece:]
        segment[:, piece:] = _piece(rows, start + piece, piece)
        _write(rows, start - piece, carried[:, :piece])
        carried[:, :-piece] = carried[:, piece:]
        carried[:, -piece:] = 0.0
        so_far = so_far * onward


def _piece(rows: Samples, start: int, length: int) -> Samples:
    part = rows[:, start : start + length]
    if part.shape[1] == length:
        return part
    return np.pad(part, ((0, 0), (0, length - part.shape[1])))


def _write(rows: Samples, start: int, values: Samples) -> None:
    if start >= 0:
        target = rows[:, start : start + values.shape[1]]
        target[:] = values[:, : target.shape[1]]


def _gain_at(steadiness: Steadiness, frame: int) -> Reals | None:
    place = frame / steadiness.every_frames
    before = int(place)
    if before + 1 >= len(steadiness.gain):
        return None
    share = place - before
    return np.asarray((1.0 - share) * steadiness.gain[before] + share * steadiness.gain[before + 1])
