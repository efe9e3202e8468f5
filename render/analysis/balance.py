"""How a take's two sources are balanced over frequency: what a first recipe is measured from.

Stands behind `frames` and `low_band`: spectra go in, and out come, for each source, its long-term power, the part of
it that the other source has as well, what is left in its quietest passages, and the power of the moments in which a
string is struck. All on one grid of frequencies, the same for every sample rate, so that takes can be put together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.frames import Spectra, SpectralFrames, each_spectra
from render.analysis.low_band import PADDED, LowFrames, Lows
from render.audio.array import AnySamples, Complexes, Reals

LOWEST_HZ, FINE_TOP_HZ, HIGHEST_HZ = 20.0, 600.0, 20_000.0
FINE_HZ = 0.5
"""Lines of the low part: a body resonance of Q 40 at 100 Hz is 2.5 Hz wide, neighbouring semitones at E2 are 4.9 Hz
apart."""

LINES_PER_OCTAVE = 24.0
"""Above, where no move is narrower than half an octave."""

EDGES_HZ: Reals = np.concatenate(
    [
        np.arange(LOWEST_HZ, FINE_TOP_HZ, FINE_HZ),
        FINE_TOP_HZ * 2.0 ** (np.arange(0.0, LINES_PER_OCTAVE * np.log2(HIGHEST_HZ / FINE_TOP_HZ)) / LINES_PER_OCTAVE),
        [HIGHEST_HZ],
    ]
)  # fmt: skip
"""Where lines begin and end, shape (lines + 1,)."""

LINES_HZ: Reals = np.sqrt(EDGES_HZ[:-1] * EDGES_HZ[1:])
"""Middle of each line, shape (lines,)."""

QUIET_WINDOWS = 12
"""Windows (1 s at 48 kHz) whose mean counts as one passage when the quietest is looked for."""

SILENT_POWER = 1e-15
"""A passage below -150 dBFS is digital silence: it says nothing of the noise."""

RISE = 4.0
"""A window in which both sources hold 6 dB more than two windows before, between 500 Hz and 5 kHz, is an onset."""

_ONSET_BAND_HZ = (500.0, 5000.0)
_HANN_SPREAD = 1.5  # equivalent noise bandwidth of a Hann window, in bins


@dataclass(frozen=True, eq=False)
class TakeBalance:
    """Spectra of one take on the common lines; source by source, mean squares, full scale 1.

    Attributes
    ----------
    power : float64, shape (2, lines)
        Long-term power.
    shared : float64, shape (2, lines)
        The part of it that a linear path from the other source explains: power times coherence.
    quiet : float64, shape (2, lines)
        Power of the quietest second, third octave by third octave: at most so much is noise.
    onset : float64, shape (2, lines)
        Mean power of the windows in which strings are struck; zeros without any.
    onsets : int
        How many such windows there were.
    sound_s : float
        Length of the take without digital silence.
    """

    power: Reals
    shared: Reals
    quiet: Reals
    onset: Reals
    onsets: int
    sound_s: float

    @property
    def guitar(self) -> Reals:
        """Power without noise, shape (2, lines): noise is what stays in quiet passages and is not shared."""
        return np.asarray(self.power - np.minimum(self.quiet, self.power - self.shared), np.float64)


class _Sums:
    """Welch sums of one part of the grid: lines of a transform, a range of the common lines."""

    def __init__(self, bin_hz: float, bins: int, *, low_hz: float, high_hz: float, scale: float) -> None:
        self.first, self.last = np.searchsorted(LINES_HZ, [low_hz, high_hz])
        top = bin_hz * (bins - 0.5)
        self._at = np.minimum(EDGES_HZ[self.first : self.last + 1], top) / bin_hz + 0.5
        self._thirds = _third_edges(self.first, self.last)
        self.scale = scale  # from bins to mean squares
        self.power = np.zeros((2, bins))
        self.cross: Complexes = np.zeros(bins, np.complex128)
        self.quiet = np.full((2, len(self._thirds) - 1), np.inf)
        self.count = 0

    def add(self, bins: Lows, power: Reals) -> None:
        """Take windows of both sources, shape (windows, 2, bins), and their powers."""
        self.power += power.sum(axis=0)
        self.cross += np.einsum("wb,wb->b", bins[:, 0].conj(), bins[:, 1])
        self.count += len(bins)

    def note_quiet(self, power: Reals) -> None:
        """Look whether one passage, mean power of shape (2, bins), is the quietest in any third octave."""
        thirds = np.add.reduceat(self.lines(power), self._thirds[:-1] - self.first, axis=-1)
        self.quiet = np.where(thirds > SILENT_POWER, np.minimum(self.quiet, thirds), self.quiet)

    def lines(self, power: Reals) -> Reals:
        """Power of bins, shape (..., bins), shared out to the common lines of this part, energy kept."""
        total = np.concatenate([np.zeros((*power.shape[:-1], 1)), np.cumsum(power, axis=-1)], axis=-1)
        below = np.minimum(self._at.astype(np.int64), power.shape[-1] - 1)
        part = self._at - below
        at = (1.0 - part) * total[..., below] + part * total[..., below + 1]
        return np.asarray(self.scale * np.diff(at, axis=-1), np.float64)

    def shared(self, averages: float) -> Reals:
        """Mean power times coherence, the coherence that chance alone shows taken off; shape (2, lines)."""
        first, second = self.power
        both = first * second
        squared = self.cross.real**2 + self.cross.imag**2
        coherence = np.divide(squared, both, out=np.zeros_like(both), where=both > 0.0)
        chance = 1.0 / max(averages, 1.0 + 1e-9)
        fair = np.clip((coherence - chance) / (1.0 - chance), 0.0, 1.0)
        return self.lines(fair * self.power) / max(self.count, 1)

    def quiet_lines(self) -> Reals:
        """The quietest passage with every third octave spread evenly over its lines, shape (2, lines)."""
        known = np.where(np.isfinite(self.quiet), self.quiet, 0.0)
        width_hz = np.diff(EDGES_HZ)[self.first : self.last]
        lines = np.diff(self._thirds)
        third_hz = np.add.reduceat(width_hz, self._thirds[:-1] - self.first)
        return np.asarray(np.repeat(known / third_hz, lines, axis=-1) * width_hz, np.float64)


def _third_edges(first: int, last: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Numbers of the lines at which third octaves begin, between two lines, both included."""
    octaves = np.floor(3.0 * np.log2(LINES_HZ[first:last] / 1000.0) + 0.5)
    starts = np.flatnonzero(np.diff(octaves, prepend=-np.inf)) + first
    return np.append(starts, last).astype(np.int64)


class BalanceGauge:
    """Adds up the balance of a take.

    Parameters
    ----------
    frames : SpectralFrames
        Whose spectra will come, of two channels.
    low : LowFrames
        Whose frames will come beside them.
    """

    def __init__(self, frames: SpectralFrames, low: LowFrames) -> None:
        if frames.channels != 2:
            raise ValueError(f"channels = {frames.channels}: must be 2")
        bin_hz = frames.sample_rate_hz / frames.size
        top_hz = min(HIGHEST_HZ, 0.5 * frames.sample_rate_hz)
        split_hz = min(FINE_TOP_HZ, 0.45 * low.rate_hz)
        self._high = _Sums(
            bin_hz, frames.hop + 1, low_hz=split_hz, high_hz=top_hz,
            scale=2.0 / (frames.size * frames.window_energy),
        )  # fmt: skip
        self._low = _Sums(
            low.bin_hz, len(low.frequency_hz), low_hz=LOWEST_HZ, high_hz=split_hz,
            scale=1.0 / (_HANN_SPREAD * PADDED),
        )  # fmt: skip
        self._onset = _Sums(
            bin_hz,
            frames.hop + 1,
            low_hz=LOWEST_HZ,
            high_hz=top_hz,
            scale=self._high.scale,
        )
        first, last = np.searchsorted(frames.frequency_hz, _ONSET_BAND_HZ)
        self._struck = slice(int(first), max(int(last), int(first) + 1))
        self._before: list[Reals] = []  # of the last two windows: power of both sources in the band of onsets
        self._passage: list[Reals] = []
        self._hop_s = frames.hop / frames.sample_rate_hz
        self._sounding = 0

    def add(self, spectra: Spectra, lows: Lows) -> None:
        """Take the next windows, and the frames of the low band that they completed."""
        power = (spectra.bins.real**2 + spectra.bins.imag**2).astype(np.float64)
        self._high.add(spectra.bins, power)
        for window in power:
            self._take(window)
        if len(lows):
            fine = (lows.real**2 + lows.imag**2).astype(np.float64)
            self._low.add(lows, fine)
            for frame in fine:
                self._low.note_quiet(frame)

    def result(self) -> TakeBalance:
        """Balance of what has come."""
        low, high, onset = self._low, self._high, self._onset

        def joined(lower: Reals, upper: Reals) -> Reals:
            whole = np.zeros((2, len(LINES_HZ)))
            whole[:, low.first : low.last] = lower
            whole[:, high.first : high.last] = upper
            return whole

        means = [sums.lines(sums.power) / max(sums.count, 1) for sums in (low, high)]
        struck = np.zeros((2, len(LINES_HZ)))
        struck[:, onset.first : onset.last] = onset.lines(onset.power) / max(onset.count, 1)
        return TakeBalance(
            power=joined(*means),
            # half-overlapping Hann windows: 0.95 independent ones each
            shared=joined(low.shared(0.95 * low.count), high.shared(0.95 * high.count)),
            quiet=joined(low.quiet_lines(), high.quiet_lines()),
            onset=struck,
            onsets=onset.count,
            sound_s=self._sounding * self._hop_s,
        )

    def _take(self, window: Reals) -> None:
        """One window: is it an onset, does it end a passage."""
        if window.sum() * self._high.scale > SILENT_POWER:
            self._sounding += 1
        now = window[:, self._struck].sum(axis=-1)
        if len(self._before) == 2:
            if np.all(now > RISE * self._before[0]) and np.all(now > 0.0):
                self._onset.power += window
                self._onset.count += 1
            self._before.pop(0)
        self._before.append(now)
        self._passage.append(window)
        if len(self._passage) == QUIET_WINDOWS:
            self._high.note_quiet(np.mean(self._passage, axis=0))
            self._passage.clear()


def measure_balance(audio: AnySamples, *, sample_rate_hz: float) -> TakeBalance:
    """Balance of a whole take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, 2)
    sample_rate_hz : float

    Returns
    -------
    TakeBalance
    """
    frames = SpectralFrames(sample_rate_hz=sample_rate_hz)
    low = LowFrames(sample_rate_hz=sample_rate_hz)
    gauge = BalanceGauge(frames, low)
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(spectra, low.add(spectra))
    return gauge.result()
