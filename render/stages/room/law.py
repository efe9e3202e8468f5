"""The decay that is asked for: three points on log-log axes, and the absorption that brings it about."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.audio.array import Complexes, Reals

NEPERS_PER_60_DB = 3.0 * math.log(10.0)
LOW_HZ, MIDDLE_HZ, HIGH_HZ = 125.0, 1000.0, 8000.0

_FINER = 8


@dataclass(frozen=True)
class DecayLaw:
    """Time to fall by 60 dB: straight on log-log axes between 125 Hz, 1 kHz and 8 kHz, constant outside."""

    decay_1khz_s: float
    decay_125hz_ratio: float
    decay_8khz_ratio: float

    @property
    def longest_s(self) -> float:
        """Of all frequencies."""
        return self.decay_1khz_s * max(1.0, self.decay_125hz_ratio, self.decay_8khz_ratio)

    @property
    def shortest_s(self) -> float:
        """Of all frequencies."""
        return self.decay_1khz_s * min(1.0, self.decay_125hz_ratio, self.decay_8khz_ratio)

    def decay_s(self, frequency_hz: Reals) -> Reals:
        """Decay at each frequency (any shape, 0 allowed)."""
        points = [self.decay_125hz_ratio, 1.0, self.decay_8khz_ratio]
        position = np.log(np.clip(frequency_hz, LOW_HZ, HIGH_HZ))
        corners = np.log([LOW_HZ, MIDDLE_HZ, HIGH_HZ])
        return np.asarray(self.decay_1khz_s * np.exp(np.interp(position, corners, np.log(points))))

    def exponent(self, bins: int, *, sample_rate_hz: int) -> Complexes:
        """What one frame of travel does to a sound, as the exponent: response exp(-exponent), minimum phase.

        A travel of n frames is exp(-n exponent): its magnitude falls by 60 dB in the decay time of each frequency, and
        nothing of it comes before its time.

        Parameters
        ----------
        bins : int
            Of a real transform: half its size plus one.
        sample_rate_hz : int

        Returns
        -------
        complex128, shape (bins,)
            Real part in nepers per frame.

        Notes
        -----
        The phase is found on a grid 8 times finer, so that the corners of the law do not fold over in time.
        """
        fine = _FINER * (bins - 1)
        decay_s = self.decay_s(np.linspace(0.0, 0.5 * sample_rate_hz, fine + 1))
        return causal_spectrum(NEPERS_PER_60_DB / (decay_s * sample_rate_hz))[::_FINER]


def causal_spectrum(real_part: Reals) -> Complexes:
    """Complete a real part to the spectrum of a causal response, by the discrete Hilbert transform.

    Of a logarithmic magnitude this makes the logarithm of the minimum-phase response [1]_; of a gain that varies
    slowly with frequency, the gentlest causal filter that has it.

    Parameters
    ----------
    real_part : float64, shape (..., bins)
        From zero to half the sample rate, both included; bins - 1 even.

    Returns
    -------
    complex128, shape (..., bins)

    References
    ----------
    .. [1] A. V. Oppenheim and R. W. Schafer, *Discrete-Time Signal Processing*, chapter on the cepstrum.
    """
    size = 2 * (real_part.shape[-1] - 1)
    even = fft.irfft(real_part, size, axis=-1)
    even[..., 1 : size // 2] *= 2.0
    even[..., size // 2 + 1 :] = 0.0
    return np.asarray(fft.rfft(even, axis=-1), dtype=np.complex128)
