"""Delay: moves a source in time, by fractions of a frame too; never rounded.

Sits in a source's chain, or behind it as the source's own `delay_ms`.
"""

from __future__ import annotations

import math

import numpy as np
import scipy.special

from render.stages.fir import Fir
from render.stages.prototype import checked

HALF_WIDTH_FRAMES = 80
"""A fractional delay reaches so far to both sides of the moment it moves to."""

_KAISER_BETA = 22.0
_WHOLE_FRAMES = 1e-9


def fractional_delay(*, delay_frames: float) -> Fir:
    """Later by so many frames, or earlier where negative; what is heard does not change otherwise.

    Parameters
    ----------
    delay_frames : float
        -10 million to 10 million.
        Within 1e-9 of a whole number it is taken as that: products of milliseconds and rates are.

    Returns
    -------
    Fir
        One channel.
        A whole number of frames is exact: a single one among zeros.
        Otherwise a sinc under a Kaiser window, 160 frames long, that begins before time zero if it must;
        from 0 Hz to 0.4536 of the sample rate (20 kHz at 44.1 kHz) flat within 1e-8 dB and late by what was
        asked within 1e-8 frames.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    Notes
    -----
    Checked by tests/unit/stages/test_delay.py and tests/reference/test_filters.py.

    References
    ----------
    .. [1] T. I. Laakso, V. Valimaki, M. Karjalainen, U. K. Laine, "Splitting the unit delay", *IEEE Signal
       Processing Magazine* 13(1), 1996, 30-60: the windowed sinc.
    .. [2] J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", *Proc. IEEE
       International Symposium on Circuits and Systems*, 1974, 20-23.
    """
    moment = checked("delay_frames", delay_frames, lowest=-1e7, highest=1e7, unit="frames")
    whole = math.floor(moment + 0.5)
    if abs(moment - whole) <= _WHOLE_FRAMES:
        instants = np.array([whole])
        weights = np.ones(1)
    else:
        below = math.floor(moment)
        instants = np.arange(below - HALF_WIDTH_FRAMES + 1, below + HALF_WIDTH_FRAMES + 1)
        distance = instants - moment
        window = scipy.special.i0(_KAISER_BETA * np.sqrt(1.0 - (distance / HALF_WIDTH_FRAMES) ** 2))
        weights = np.sinc(distance) * window
        weights /= weights.sum()
    lead_frames = max(0, -int(instants[0]))
    taps = np.zeros((lead_frames + max(int(instants[-1]), 0) + 1, 1))
    taps[instants + lead_frames, 0] = weights
    return Fir(taps=taps, lead_frames=lead_frames)


def delay_response(*, delay_ms: float, sample_rate_hz: int) -> Fir:
    """Later by so many milliseconds, or earlier where negative.

    Parameters
    ----------
    delay_ms : float
        -10000 to 10000 ms.
    sample_rate_hz : int
        Above 0 Hz.

    Returns
    -------
    Fir
        See `fractional_delay`.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    checked("delay_ms", delay_ms, lowest=-10000.0, highest=10000.0, unit="ms")
    checked("sample_rate_hz", sample_rate_hz, lowest=1.0, highest=1e9, unit="Hz")
    return fractional_delay(delay_frames=delay_ms * sample_rate_hz / 1000.0)
