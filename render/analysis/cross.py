"""What two sources of a take have in common, frequency by frequency and stretch by stretch.

Stands behind `frames`: spectra of windows go in, and per stretch of some seconds (a *segment*) the auto spectra of
both sources and their cross spectrum are added up, after Welch. `delay` reads relative delay, polarity and likeness
from them; the balance of the two sources and the resonances of one against the other can be read as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from render.analysis.frames import Spectra, SpectralFrames
from render.audio.array import Reals, Samples32

Spectrum32 = NDArray[np.complex64]
Counts = NDArray[np.int64]

SEGMENT_WINDOWS = 32
"""Windows of a segment: 2.7 s at 48 kHz. Two recorders 100 ppm apart, more than any two have, drift by a quarter of a
millisecond in that time: up to 2 kHz the sources still add up."""

MOST_SEGMENTS = 704
"""Then neighbouring segments are joined. Reached after 32 minutes at 48 kHz; 58 MB."""

HIGHEST_HZ = 24000.0
"""Nothing above is kept: what an instrument sounds up there is below the noise of a source."""

ADJACENT_CORRELATION = 1.0 / 36.0
"""Squared correlation of the spectra of two half-overlapping Hann windows of noise: (1/6)**2 [1]_.

.. [1] P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans. Audio
   Electroacoust. 15(2), 1967, 70-73; the overlap of a window with itself, shifted by half: 1/6 for Hann.
"""

BIN_CORRELATION = 35.0 / 18.0
"""Neighbouring bins of a Hann window are not independent: so many count as one, 1 + 2 ((2/3)**2 + (1/6)**2)."""


@dataclass(frozen=True, eq=False)
class CrossSpectra:
    """Welch sums of a take, segment by segment.

    Attributes
    ----------
    frequency_hz : float64, shape (bins,)
    first, second : float32, shape (segments, bins)
        Sums of the squared spectra of both sources.
    cross : complex64, shape (segments, bins)
        Sums of conj(first) * second: its angle falls with frequency where the second source is later.
    chance : float32, shape (segments, bins)
        Sums of abs2(first) * abs2(second): what abs2(cross) would come to, on average, if the sources had nothing to
        do with each other but the same loud and quiet moments.
    windows : int64, shape (segments,)
        Windows added up in each segment; all segments but the last have the same number.
    middle_s : float64, shape (segments,)
        Middle of each segment in the take.
    hop_s : float
        From the beginning of one window to the next.
    size_s : float
        Length of a window.
    power_scale : float
        Times the sum of an auto spectrum over its bins, by the number of windows: mean square of the sound.
    """

    frequency_hz: Reals
    first: Samples32
    second: Samples32
    cross: Spectrum32
    chance: Samples32
    windows: Counts
    middle_s: Reals
    hop_s: float
    size_s: float
    power_scale: float

    def without(self, spans: Sequence[tuple[float, float]], *, fewest: int) -> CrossSpectra:
        """The same without the segments that touch some stretches of the take.

        Parameters
        ----------
        spans : sequence of (float, float)
            From when to when, in seconds.
        fewest : int
            If fewer segments would be left, all of them stay.
        """
        half_s = 0.5 * (self.hop_s * (self.windows - 1) + self.size_s)
        touched = np.zeros(len(self.windows), np.bool_)
        for from_s, to_s in spans:
            touched |= (self.middle_s + half_s > from_s) & (self.middle_s - half_s < to_s)
        kept = ~touched
        if np.all(kept) or np.count_nonzero(kept) < fewest:
            return self
        return replace(
            self,
            first=self.first[kept],
            second=self.second[kept],
            cross=self.cross[kept],
            chance=self.chance[kept],
            windows=self.windows[kept],
            middle_s=self.middle_s[kept],
        )


def averages(windows: float) -> float:
    """How many independent spectra so many half-overlapping windows are worth."""
    return windows / (1.0 + 2.0 * ADJACENT_CORRELATION * (windows - 1.0) / windows) if windows > 0 else 0.0


class CrossGauge:
    """Adds up auto spectra and cross spectrum of two sources, segment by segment.

    Parameters
    ----------
    frames : SpectralFrames
        Whose spectra will come: gives rate, size and hop.
    most_segments : int
        An even number, at least 2.
    """

    def __init__(self, frames: SpectralFrames, *, most_segments: int = MOST_SEGMENTS) -> None:
        if frames.channels != 2:
            raise ValueError(f"channels = {frames.channels}: must be 2")
        if most_segments < 2 or most_segments % 2:
            raise ValueError(f"most_segments = {most_segments}: must be an even number of at least 2")
        self._frames = frames
        self._bins = int(np.searchsorted(frames.frequency_hz, HIGHEST_HZ, side="right"))
        self._most = most_segments
        self._per_segment = SEGMENT_WINDOWS
        # All of it at once: memory that is zero and never touched is not taken from the system.
        self._power = np.zeros((3, most_segments, self._bins), np.float32)  # first, second, chance
        self._cross = np.zeros((most_segments, self._bins), np.complex64)
        self._windows = 0

    def add(self, spectra: Spectra) -> None:
        """Take the next windows."""
        bins, power = spectra.bins[:, :, : self._bins], spectra.power[:, :, : self._bins]
        taken = 0
        while taken < len(bins):
            segment, within = divmod(self._windows, self._per_segment)
            if segment == self._most:
                self._join()
                continue
            count = min(len(bins) - taken, self._per_segment - within)
            self._add_to(segment, bins[taken : taken + count], power[taken : taken + count])
            self._windows += count
            taken += count

    def result(self) -> CrossSpectra:
        """What has been added up so far."""
        segments = -(-self._windows // self._per_segment)
        windows = np.full(segments, self._per_segment, np.int64)
        if segments:
            windows[-1] = self._windows - (segments - 1) * self._per_segment
        hop_s = self._frames.hop / self._frames.sample_rate_hz
        size_s = self._frames.size / self._frames.sample_rate_hz
        first = self._per_segment * np.arange(segments)
        return CrossSpectra(
            frequency_hz=self._frames.frequency_hz[: self._bins],
            first=self._power[0, :segments],
            second=self._power[1, :segments],
            cross=self._cross[:segments],
            chance=self._power[2, :segments],
            windows=windows,
            middle_s=hop_s * (first + 0.5 * (windows - 1)) + 0.5 * size_s,
            hop_s=hop_s,
            size_s=size_s,
            power_scale=2.0 / (self._frames.size * self._frames.window_energy),
        )

    def _add_to(self, segment: int, bins: Spectrum32, power: Samples32) -> None:
        # One window at a time: the sums of a segment and one window stay in the cache.
        sums, cross = self._power[:, segment], self._cross[segment]
        for both, now in zip(bins, power, strict=True):
            sums[:2] += now
            sums[2] += now[0] * now[1]
            cross += both[0].conj() * both[1]

    def _join(self) -> None:
        """Join neighbouring segments: half as many, each twice as long."""
        half = self._most // 2
        for sums in (*self._power, self._cross):
            np.add(sums[0::2], sums[1::2], out=sums[:half])
            sums[half:] = 0.0
        self._per_segment *= 2
