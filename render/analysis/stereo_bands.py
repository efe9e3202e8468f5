"""A stereo sound in bands: its spectrum, how wide it is and how alike its sides are, octave by octave.

Beside the chain: versions of an excerpt are compared by it. Frequencies are those of IEC 61260-1, base ten.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.bands import BandGauge, Bands
from render.analysis.frames import BLOCK_FRAMES, SpectralFrames
from render.audio.array import AnySamples, Reals

LEAST_RATIO = 1e-9
"""A side 90 dB below the mid is rounding, not width."""

LOWEST_OCTAVE_HZ = 60.0


@dataclass(frozen=True, eq=False)
class StereoBands:
    """A stereo sound in bands.

    Attributes
    ----------
    band_hz, octave_hz : float64, shape (bands,), (octaves,)
        Exact mid-band frequencies; an octave is made of three third octaves.
    power : float64, shape (bands,)
        Mean square of both channels, added.
    side_to_mid : float64, shape (octaves,)
        Ratio of powers of (left - right) / 2 and (left + right) / 2; not-a-number where either is silent.
    correlation : float64, shape (octaves,)
        -1 to 1; not-a-number where a channel is silent.
    """

    band_hz: Reals
    octave_hz: Reals
    power: Reals
    side_to_mid: Reals
    correlation: Reals


def measure_stereo_bands(audio: AnySamples, *, sample_rate_hz: float) -> StereoBands:
    """Spectrum, width and correlation of a stereo sound.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, 2)
    sample_rate_hz : float

    Returns
    -------
    StereoBands

    Raises
    ------
    ValueError
        If there are not two channels.

    Notes
    -----
    Left x right is mid x mid - side x side: what the sides have in common follows from four powers.
    """
    if audio.ndim != 2 or audio.shape[1] != 2:
        raise ValueError(f"audio must have shape (frames, 2), not {audio.shape}")
    bands = _bands_of(audio, sample_rate_hz=sample_rate_hz)
    mean = np.asarray(bands.power, np.float64).mean(axis=0) if len(bands.power) else np.zeros((4, 0))
    first = int(np.searchsorted(bands.centre_hz, LOWEST_OCTAVE_HZ))
    middles = np.arange(first, len(bands.centre_hz) - 1, 3)
    octaves = mean[:, middles - 1] + mean[:, middles] + mean[:, middles + 1]
    one, other, mid, side = octaves
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((mid > 0.0) & (side > LEAST_RATIO * mid), side / mid, np.nan)
        alike = np.where((one > 0.0) & (other > 0.0), (mid - side) / np.sqrt(one * other), np.nan)
    return StereoBands(
        band_hz=bands.centre_hz,
        octave_hz=bands.centre_hz[middles],
        power=np.asarray(mean[0] + mean[1], np.float64),
        side_to_mid=np.asarray(ratio, np.float64),
        correlation=np.clip(alike, -1.0, 1.0),
    )


def _bands_of(audio: AnySamples, *, sample_rate_hz: float) -> Bands:
    """Third octaves of left, right, mid and side; of any length, block by block."""
    windows = SpectralFrames(sample_rate_hz=sample_rate_hz, channels=4)
    gauge = BandGauge(sample_rate_hz=sample_rate_hz, channels=4)
    rows = np.empty((4, min(len(audio), BLOCK_FRAMES)), np.float32)
    for first in range(0, len(audio), BLOCK_FRAMES):
        block = audio[first : first + BLOCK_FRAMES]
        left, right, some = block[:, 0], block[:, 1], rows[:, : len(block)]
        some[0], some[1], some[2], some[3] = left, right, 0.5 * (left + right), 0.5 * (left - right)
        spectra = windows.add(some.T)
        if spectra is not None:
            gauge.add(spectra)
    spectra = windows.finish()
    if spectra is not None:
        gauge.add(spectra)
    return gauge.result()


def waveform_columns(audio: AnySamples, *, columns: int) -> Reals:
    """Lowest and highest sample of either channel in each of so many columns, fewer for fewer frames.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
        At least one frame.
    columns : int
        1 or more.

    Returns
    -------
    float64, shape (columns, 2)

    Raises
    ------
    ValueError
        If there is no frame or no column.
    """
    if not len(audio) or columns < 1:
        raise ValueError(
            f"audio and columns must be 1 frame and 1 column or more, not {len(audio)}, {columns}"
        )
    columns = min(columns, len(audio))
    begins = np.arange(columns) * len(audio) // columns
    low = np.minimum.reduceat(audio, begins, axis=0).min(axis=1)
    high = np.maximum.reduceat(audio, begins, axis=0).max(axis=1)
    return np.asarray(np.stack([low, high], axis=1), np.float64)
