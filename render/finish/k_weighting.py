"""K-weighting of ITU-R BS.1770 at any sample rate.

Sits beside the signal: nothing here is heard. What it makes of a sound is measured by `weigh`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.audio.array import Complexes, Reals
from render.finish.slots import slot_frames, time_grid
from render.units import db_from_gain

# Analogue prototypes behind the two biquads that BS.1770-5 Annex 1 prints for 48 kHz (tables 1 and 2): the inverse
# bilinear transform of the tables, each section pre-warped at its own corner.
SHELF_HZ = 1681.974450955532
SHELF_Q = 0.7071752369554
SHELF_HIGH_GAIN = 1.5848647011309
SHELF_BAND_GAIN = 1.2587209302326
HIGH_PASS_HZ = 38.1354708761
HIGH_PASS_Q = 0.500327037325
HIGH_PASS_GAIN = 1.0049948987  # the table's numerator is 1, -2, 1, which is 0.0433 dB more than unity

RUN_IN_SLOTS = 3


@dataclass(frozen=True)
class Biquad:
    """Second-order section `(b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2)`."""

    b: tuple[float, float, float]
    a: tuple[float, float]


def design_k_weighting(sample_rate_hz: int) -> tuple[Biquad, Biquad]:
    """Shelf (the head) and high-pass of the K-weighting at a sample rate.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.

    Returns
    -------
    tuple of two Biquad
        Shelf, high-pass. At 48 kHz they are the printed tables.

    Raises
    ------
    ValueError
        If the sample rate is outside its range.

    Notes
    -----
    The standard asks for the same response at other rates. The numerator of the high-pass is therefore scaled
    with the prototype, not copied as 1, -2, 1, which would be off by up to 0.04 dB.

    References
    ----------
    .. [1] ITU-R BS.1770-5 (11/2023), Annex 1, tables 1 and 2.
    """
    time_grid(sample_rate_hz)
    k = math.tan(math.pi * SHELF_HZ / sample_rate_hz)
    a0 = 1.0 + k / SHELF_Q + k * k
    shelf = Biquad(
        b=(
            (SHELF_HIGH_GAIN + SHELF_BAND_GAIN * k / SHELF_Q + k * k) / a0,
            2.0 * (k * k - SHELF_HIGH_GAIN) / a0,
            (SHELF_HIGH_GAIN - SHELF_BAND_GAIN * k / SHELF_Q + k * k) / a0,
        ),
        a=(2.0 * (k * k - 1.0) / a0, (1.0 - k / SHELF_Q + k * k) / a0),
    )
    k = math.tan(math.pi * HIGH_PASS_HZ / sample_rate_hz)
    a0 = 1.0 + k / HIGH_PASS_Q + k * k
    b0 = HIGH_PASS_GAIN / a0
    high_pass = Biquad(
        b=(b0, -2.0 * b0, b0), a=(2.0 * (k * k - 1.0) / a0, (1.0 - k / HIGH_PASS_Q + k * k) / a0)
    )
    return shelf, high_pass


def k_weighting_response(frequency_hz: Reals, *, sample_rate_hz: int) -> Complexes:
    """Response of the digital K-weighting, exact.

    Parameters
    ----------
    frequency_hz : float64, shape (bins,)
        0 to half the sample rate.
    sample_rate_hz : int

    Returns
    -------
    complex128, shape (bins,)

    Raises
    ------
    ValueError
        If the sample rate is outside its range.
    """
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz, np.float64) / sample_rate_hz)
    response = np.ones_like(z)
    for section in design_k_weighting(sample_rate_hz):
        (b0, b1, b2), (a1, a2) = section.b, section.a
        response *= (b0 + z * (b1 + z * b2)) / (1.0 + z * (a1 + z * a2))
    return np.asarray(response, np.complex128)


def two_practices_lu(sample_rate_hz: int) -> float:
    """How much lower than here a meter reads that copies the numerator 1, -2, 1 at every sample rate.

    Both practices are in use, libebur128 has the copy. At 48 kHz they are one; at 96 kHz they are 0.022 LU apart,
    at 192 kHz 0.032 LU. A file that aims half of this above its target is right to 0.016 LU by either.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 768000.

    Returns
    -------
    float
        LU; below 0 under 48 kHz.
    """
    _, high_pass = design_k_weighting(sample_rate_hz)
    return db_from_gain(high_pass.b[0])


def k_weighting_run_in_frames(sample_rate_hz: int) -> int:
    """Frames that a block must carry before its first valid one: what rings longer is below -125 dB.

    Three slots, 60 ms. An overlap-save block whose spectrum goes to `weigh.weigh_pairs` needs an overlap of
    the response's taps plus this.
    """
    return RUN_IN_SLOTS * slot_frames(sample_rate_hz)
