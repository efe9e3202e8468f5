"""Level of each source over time, every 20 ms, and its strongest low tone: what the ends of a take are told from.

Beside the chain. An hour takes 1.5 MB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.frames import Spectra, window_frames
from render.audio.array import AnySamples, Samples32

SLOT_S = 0.02
"""Shorter than a syllable, longer than a period of the lowest string."""

TONE_HZ = (70.0, 700.0)
"""Where the first partials of all strings lie."""


@dataclass(frozen=True, eq=False)
class Envelope:
    """Mean square over time.

    Attributes
    ----------
    slot_s : float
        Length of a slot.
    power : float32, shape (slots, channels)
        Mean square about the slot's own mean, so constant voltage and what moves slowly do not count.
    """

    slot_s: float
    power: Samples32


class EnvelopeGauge:
    """Mean square of successive slots; a last slot that is not full is left out unless it is the only one.

    Parameters
    ----------
    sample_rate_hz : float
        Greater than 0.
    channels : int
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0.0):
            raise ValueError(f"sample_rate_hz = {sample_rate_hz}: must be greater than 0")
        self._slot = max(1, round(SLOT_S * sample_rate_hz))
        self._slot_s = self._slot / sample_rate_hz
        self._channels = channels
        self._rest = np.zeros((0, channels), np.float32)
        self._power: list[Samples32] = []

    def add(self, block: AnySamples) -> None:
        """Take the next block, shape (frames, channels)."""
        first = 0
        if len(self._rest):
            first = min(self._slot - len(self._rest), len(block))
            self._rest = np.concatenate([self._rest, block[:first]]).astype(np.float32)
            if len(self._rest) < self._slot:
                return
            self._power.append(self._mean_squares(self._rest))
        last = first + (len(block) - first) // self._slot * self._slot
        if last > first:
            self._power.append(self._mean_squares(block[first:last]))
        self._rest = np.array(block[last:], dtype=np.float32)

    def _mean_squares(self, block: AnySamples) -> Samples32:
        size = min(self._slot, len(block))
        values = np.empty((len(block) // size, self._channels), np.float32)
        for channel in range(self._channels):
            rows = np.ascontiguousarray(block[:, channel], dtype=np.float32).reshape(-1, size)
            square = np.matmul(rows[:, np.newaxis, :], rows[:, :, np.newaxis])[:, 0, 0] / size
            mean = rows @ np.full(size, 1.0 / size, np.float32)
            values[:, channel] = np.maximum(square - mean * mean, 0.0)
        return values

    def result(self) -> Envelope:
        """Everything so far."""
        power = list(self._power)
        if not power and len(self._rest):
            power = [self._mean_squares(self._rest)]
        none = np.zeros((0, self._channels), np.float32)
        return Envelope(slot_s=self._slot_s, power=np.concatenate(power) if power else none)


@dataclass(frozen=True, eq=False)
class Tones:
    """The strongest tone between 70 and 700 Hz, window by window.

    Attributes
    ----------
    hop_s : float
    frequency_hz, power : float32, shape (windows, channels)
        Power is not scaled; 0 in silence, and then the frequency means nothing.
    """

    hop_s: float
    frequency_hz: Samples32
    power: Samples32


class ToneGauge:
    """Follows the strongest tone through the shared spectra: a parabola through three bins of log power.

    Good to about a fiftieth of a bin (a tenth of a hertz) for a tone that stands alone.

    Parameters
    ----------
    sample_rate_hz : float
        Greater than 0.
    channels : int
    """

    def __init__(self, *, sample_rate_hz: float, channels: int = 2) -> None:
        size = window_frames(sample_rate_hz)
        self._bin_hz = sample_rate_hz / size
        self._hop_s = 0.5 * size / sample_rate_hz
        self._first = max(1, round(TONE_HZ[0] / self._bin_hz))
        self._last = min(round(TONE_HZ[1] / self._bin_hz), size // 2 - 1)
        self._channels = channels
        self._frequency: list[Samples32] = []
        self._power: list[Samples32] = []

    def add(self, spectra: Spectra) -> None:
        """Take the next spectra."""
        if self._last <= self._first:
            return
        power = spectra.power[..., self._first - 1 : self._last + 2]
        at = np.argmax(power[..., 1:-1], axis=-1)[..., np.newaxis] + 1
        around = np.concatenate([at - 1, at, at + 1], axis=-1)
        three = np.log(np.maximum(np.take_along_axis(power, around, axis=-1), np.float32(1e-30)))
        below, middle, above = three[..., 0], three[..., 1], three[..., 2]
        bend = np.minimum(below - 2.0 * middle + above, np.float32(-1e-6))
        offset = np.clip(0.5 * (below - above) / bend, -0.5, 0.5)
        frequency = (at[..., 0] + (self._first - 1) + offset) * self._bin_hz
        self._frequency.append(frequency.astype(np.float32))
        self._power.append(np.take_along_axis(power, at, axis=-1)[..., 0])

    def result(self) -> Tones:
        """Everything so far."""
        none = np.zeros((0, self._channels), np.float32)
        return Tones(
            hop_s=self._hop_s,
            frequency_hz=np.concatenate(self._frequency) if self._frequency else none,
            power=np.concatenate(self._power) if self._power else none,
        )
