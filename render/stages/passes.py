"""High-pass and low-pass: take away what lies below or above.

First linear stages of most chains; everything here is an analogue Butterworth prototype, see `minimum_phase`
for how it is made to sound the same at every sample rate.
"""

from __future__ import annotations

import cmath
import math

from render.stages.prototype import Prototype, angular_frequency

SLOPES_DB_PER_OCTAVE = (6, 12, 18, 24)


def high_pass(*, cutoff_hz: float, slope_db_per_octave: int) -> Prototype:
    """Butterworth high-pass: what lies below the cut-off falls by 6, 12, 18 or 24 dB per octave.

    Parameters
    ----------
    cutoff_hz : float
        Half-power point (-3.01 dB at every slope), 0.1 Hz to 1 MHz.
    slope_db_per_octave : int
        6, 12, 18 or 24: order 1 to 4.

    Returns
    -------
    Prototype
        Unity gain far above the cut-off; no peak anywhere (maximally flat).

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] S. Butterworth, "On the theory of filter amplifiers", *Experimental Wireless* 7, 1930, 536-541:
       ``|H|^2 = 1 / (1 + (cutoff / f)^(2 n))``.
    """
    poles = _butterworth_poles(cutoff_hz, slope_db_per_octave)
    return Prototype(zeros=(0j,) * len(poles), poles=poles, gain=1.0)


def low_pass(*, cutoff_hz: float, slope_db_per_octave: int) -> Prototype:
    """Butterworth low-pass: what lies above the cut-off falls by 6, 12, 18 or 24 dB per octave.

    Parameters
    ----------
    cutoff_hz : float
        Half-power point (-3.01 dB at every slope), 0.1 Hz to 1 MHz.
    slope_db_per_octave : int
        6, 12, 18 or 24: order 1 to 4.

    Returns
    -------
    Prototype
        Unity gain at 0 Hz; no peak anywhere (maximally flat).

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] S. Butterworth, "On the theory of filter amplifiers", *Experimental Wireless* 7, 1930, 536-541:
       ``|H|^2 = 1 / (1 + (f / cutoff)^(2 n))``.
    """
    poles = _butterworth_poles(cutoff_hz, slope_db_per_octave)
    return Prototype(poles=poles, gain=(2.0 * math.pi * cutoff_hz) ** len(poles))


def _butterworth_poles(cutoff_hz: float, slope_db_per_octave: int) -> tuple[complex, ...]:
    """Poles at equal angles on the left half of a circle; complex pairs are exact conjugates."""
    radius = angular_frequency("cutoff_hz", cutoff_hz)
    if slope_db_per_octave not in SLOPES_DB_PER_OCTAVE:
        allowed = ", ".join(str(slope) for slope in SLOPES_DB_PER_OCTAVE)
        raise ValueError(f"slope_db_per_octave = {slope_db_per_octave}: must be one of {allowed}")
    order = int(slope_db_per_octave) // 6
    poles: list[complex] = []
    for pair in range(order // 2):
        pole = cmath.rect(radius, math.pi * (0.5 + (2 * pair + 1) / (2 * order)))
        poles += [pole, pole.conjugate()]
    if order % 2:
        poles.append(complex(-radius))
    return tuple(poles)
