"""How much of the two sources of a take is the same sound, frequency by frequency.

Stands behind `cross`: its segments are added up over the whole take, and coherence is read from the sums, freed of
what chance alone would show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.analysis.cross import ADJACENT_CORRELATION, BIN_CORRELATION, CrossSpectra
from render.analysis.decay import band_centres_hz, band_edges_hz
from render.audio.array import Complexes, Reals

Flags = NDArray[np.bool_]

LOWEST_HZ = 50.0
"""Below the lowest note of a retuned guitar (B1 is 61.7 Hz) lie rumble, steps and DC only."""

HIGHEST_FRACTION = 0.98
"""Of half the sample rate: what is above is a matter of the converters' filters."""

LOUDEST_SEGMENT = 4.0
"""A segment counts at most this many times the median one (6 dB): one blow on the body must not outweigh the music."""

SMOOTHED_BINS = 5
"""A steady note is a line four bins wide between the zeros of the Hann window."""

SMOOTHED_CORRELATION = 25.0 * (35.0 / 18.0) / (5.0 + 2.0 * (4.0 * 16.0 / 36.0 + 3.0 / 36.0))
"""So many smoothed neighbours count as one: the square of the sum of the kernel, times `BIN_CORRELATION`, over the
variance of a mean of five bins whose products correlate by (2/3)**2 with the next and (1/6)**2 with the one after."""

BEYOND_CHANCE = 10.0
"""Raw coherence over that of chance for a bin to count: the sum of many complex products is Gaussian, so independent
noise passes with a probability of exp(-10), one bin in 22000."""

PERHAPS_CHANCE = 4.0
"""The same where noise buries nearly everything (exp(-4), 1.8 %): many bins together still agree on a delay."""

_LEAST_OF_LOUDEST = 1e-6
_SMOOTHED_BINS = 9
_CLOSEST_TO_ONE = 1e-6  # single-precision transforms cannot tell a coherence nearer to 1


@dataclass(frozen=True, eq=False)
class Pooled:
    """Auto spectra, cross spectrum and coherence of a take.

    Attributes
    ----------
    frequency_hz : float64, shape (bins,)
    first, second : float64, shape (bins,)
        Auto spectra, in units of their own (sums of windows).
    cross : complex128, shape (bins,)
        Sum of conj(first) * second.
    coherence : float64, shape (bins,)
        Magnitude squared, 0 to 1, what chance brings on average taken off.
    chance : float64, shape (bins,)
        What the raw coherence of two sources that have nothing in common would come to, on average: one by the number
        of averages, more where the sound is a few short events.
    chance_sum : float64, shape (bins,)
        The same, not normalised.
    bin_correlation : float
        So many neighbouring bins count as one.
    usable : bool, shape (bins,)
        Whether a bin lies between `LOWEST_HZ` and what the converters pass, and its coherence is beyond chance.
    """

    frequency_hz: Reals
    first: Reals
    second: Reals
    cross: Complexes
    coherence: Reals
    chance: Reals
    chance_sum: Reals
    usable: Flags
    bin_correlation: float

    @property
    def phasor(self) -> Complexes:
        """The cross spectrum, whitened: of length 1, or 0 where there is nothing."""
        length = np.abs(self.cross)
        return np.asarray(self.cross / np.where(length > 0.0, length, 1.0), np.complex128)


def segment_weights(spectra: CrossSpectra) -> Reals:
    """How much each segment counts: all alike, but one far louder than the median is held down."""
    band = spectra.frequency_hz >= LOWEST_HZ
    power = np.sqrt(
        np.einsum("sb,b->s", spectra.first, band, dtype=np.float64)
        * np.einsum("sb,b->s", spectra.second, band, dtype=np.float64)
    )
    per_window = power / np.maximum(spectra.windows, 1)
    sounding = per_window[per_window > _LEAST_OF_LOUDEST * per_window.max(initial=0.0)]
    if not len(sounding):
        return np.ones(len(per_window))
    most = LOUDEST_SEGMENT * float(np.median(sounding))
    return np.asarray(np.minimum(1.0, most / np.maximum(per_window, most)), np.float64)


def pool(spectra: CrossSpectra, *, weights: Reals, later_s: Reals | None = None) -> Pooled:
    """Add up segments.

    Parameters
    ----------
    spectra : CrossSpectra
    weights : float64, shape (segments,)
    later_s : float64, shape (segments,), optional
        By how much the second source is later in each segment than where it is wanted: taken out before adding.

    Returns
    -------
    Pooled
    """
    first = weights @ spectra.first
    second = weights @ spectra.second
    cross = np.zeros(len(spectra.frequency_hz), np.complex128)
    for segment, weight in enumerate(weights):
        part = weight * spectra.cross[segment]
        if later_s is not None and later_s[segment]:
            part = part * np.exp(2j * np.pi * later_s[segment] * spectra.frequency_hz)
        cross += part
    return make_pooled(spectra.frequency_hz, first, second, cross, weights**2 @ spectra.chance)


def smooth_about(pooled: Pooled, *, delay_s: float) -> Pooled:
    """Each bin with its neighbours, after a delay has been taken out: what stands far from it in lag is let go.

    A window holds a steady note as a line some bins wide, and all of them show the phase of the note, not of their
    own frequency: steps instead of a slope. With the delay taken out, the steps stand evenly on both sides of nothing,
    and a mean over the line cancels them, however long the delay. The delay is put back afterwards.
    """
    turn = np.exp(2j * np.pi * pooled.frequency_hz * delay_s)
    kernel = np.ones(SMOOTHED_BINS)

    def smoothed(values: Reals) -> Reals:
        return np.asarray(np.convolve(values, kernel, "same"), np.float64)

    turned = pooled.cross * turn
    cross = smoothed(turned.real) + 1j * smoothed(turned.imag)
    return make_pooled(
        pooled.frequency_hz,
        smoothed(pooled.first),
        smoothed(pooled.second),
        cross * turn.conj(),
        SMOOTHED_BINS * BIN_CORRELATION / SMOOTHED_CORRELATION * smoothed(pooled.chance_sum),
        bin_correlation=SMOOTHED_CORRELATION,
    )


def make_pooled(
    frequency_hz: Reals,
    first: Reals,
    second: Reals,
    cross: Complexes,
    chance_sum: Reals,
    *,
    bin_correlation: float = BIN_CORRELATION,
) -> Pooled:
    """Coherence of sums that have been added up.

    Notes
    -----
    With W windows of Gaussian noise the raw coherence of independent sources averages 1 / W [1]_, and for any
    envelope sum(abs2(X) abs2(Y)) / (sum abs2(X) sum abs2(Y)); where the sources are coherent that quotient is larger
    by 1 + coherence, the fourth moment of Gaussian noise. Half-overlapping windows are a little less than independent.

    References
    ----------
    .. [1] G. C. Carter, "Coherence and time delay estimation", Proc. IEEE 75(2), 1987, 236-255.
    """
    both = first * second
    sounds = both > 0.0
    safe = np.where(sounds, both, 1.0)
    raw = np.where(sounds, np.minimum(np.abs(cross) ** 2 / safe, 1.0), 0.0)
    quotient = np.where(sounds, chance_sum / safe, 0.0)
    kernel = np.ones(_SMOOTHED_BINS)
    count = np.convolve(sounds.astype(np.float64), kernel, "same")
    quotient = np.convolve(quotient, kernel, "same") / np.maximum(count, 1.0)
    chance = np.clip((1.0 + 2.0 * ADJACENT_CORRELATION) * quotient / (1.0 + raw), 0.0, 1.0)
    coherence = np.clip(
        (raw - chance) / np.maximum(1.0 - chance, _CLOSEST_TO_ONE), 0.0, 1.0 - _CLOSEST_TO_ONE
    )
    spacing_hz = frequency_hz[1] - frequency_hz[0]
    nyquist_hz = frequency_hz[-1] + spacing_hz  # of what was kept
    heard = sounds & (frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_FRACTION * nyquist_hz)
    return Pooled(
        frequency_hz=frequency_hz,
        first=first,
        second=second,
        cross=cross,
        coherence=coherence,
        chance=chance,
        chance_sum=chance_sum,
        usable=_beyond_chance(raw, coherence, chance, heard),
        bin_correlation=bin_correlation,
    )


def _beyond_chance(raw: Reals, coherence: Reals, chance: Reals, heard: Flags) -> Flags:
    """Bins whose coherence is no chance: strictly, unless that would throw away most of what is there."""
    strict = heard & (raw > BEYOND_CHANCE * chance)
    loose = heard & (raw > PERHAPS_CHANCE * chance)
    all_there = float(np.sum((raw - chance)[heard]))  # chance cancels on average
    kept = float(np.sum(coherence[strict]))
    return strict if kept >= 0.5 * all_there else loose


@dataclass(frozen=True, eq=False)
class ThirdOctaves:
    """Bands of a third of an octave: their middles, mean coherence, and the mean whitened phasor.

    Attributes
    ----------
    centre_hz, coherence : float64, shape (bands,)
    """

    centre_hz: Reals
    coherence: Reals
    low_hz: Reals
    high_hz: Reals


def third_octaves(pooled: Pooled) -> ThirdOctaves:
    """Mean coherence per third octave, from 63 Hz to what was kept."""
    top_hz = float(pooled.frequency_hz[-1])
    centres, values, edges = [], [], []
    for centre_hz in band_centres_hz(63.0, max(63.0, top_hz), bands_per_octave=3):
        low_hz, high_hz = band_edges_hz(float(centre_hz), bands_per_octave=3)
        if high_hz > top_hz * 1.01:
            break
        begin, end = np.searchsorted(pooled.frequency_hz, (low_hz, high_hz))
        if end > begin:
            centres.append(float(centre_hz))
            values.append(float(np.mean(pooled.coherence[begin:end])))
            edges.append((low_hz, high_hz))
    low_high = np.array(edges).reshape(-1, 2)
    return ThirdOctaves(
        centre_hz=np.array(centres), coherence=np.array(values), low_hz=low_high[:, 0], high_hz=low_high[:, 1]
    )
