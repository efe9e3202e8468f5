"""Peaking, shelves, notch and all-pass: the second-order stages that shape a source.

Analogue prototypes with the meaning of the Audio EQ Cookbook [1]_: its s-domain forms, before its bilinear
transform, which is what would squeeze them near the top of the band.
See `minimum_phase` for how they sound the same at every sample rate.

References
----------
.. [1] R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 2021.
"""

from __future__ import annotations

import math

from render.stages.prototype import Prototype, angular_frequency, checked, inverse, quadratic_roots


def peaking(*, centre_hz: float, gain_db: float, q: float) -> Prototype:
    """Lift or lower a band around a centre; far from it nothing changes.

    Parameters
    ----------
    centre_hz : float
        Where the full gain is reached, 0.1 Hz to 1 MHz.
    gain_db : float
        Gain at the centre, -120 to 120 dB; 0 is a wire.
        A cut is the exact inverse of the boost by as much.
    q : float
        Centre over bandwidth, the bandwidth taken between the points of half the gain in dB, 0.01 to 1000.
        1.414 is one octave, 4.318 a third of one.

    Returns
    -------
    Prototype
        ``(s^2 + s w A / q + w^2) / (s^2 + s w / (A q) + w^2)``, ``A = 10^(gain_db / 40)``.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 2021, peakingEQ, H(s).
    """
    frequency = angular_frequency("centre_hz", centre_hz)
    root_gain, q = _root_gain(gain_db), _checked_q(q)
    if root_gain == 1.0:
        return Prototype()
    boost = Prototype(
        zeros=quadratic_roots(frequency * root_gain / q, frequency * frequency),
        poles=quadratic_roots(frequency / (root_gain * q), frequency * frequency),
    )
    return boost if gain_db > 0.0 else inverse(boost)


def low_shelf(*, corner_hz: float, gain_db: float, q: float) -> Prototype:
    """Lift or lower everything below a corner.

    Parameters
    ----------
    corner_hz : float
        Where half the gain in dB is reached, 0.1 Hz to 1 MHz.
    gain_db : float
        Gain far below the corner, -120 to 120 dB; 0 is a wire.
        A cut is the exact inverse of the boost by as much.
    q : float
        Steepness, 0.01 to 1000: 0.707 is the steepest that rises without a bump at every gain.

    Returns
    -------
    Prototype
        ``A (s^2 + s w sqrt(A) / q + A w^2) / (A s^2 + s w sqrt(A) / q + w^2)``, ``A = 10^(gain_db / 40)``.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 2021, lowShelf, H(s).
    """
    near, far = _shelf_roots(corner_hz, gain_db, q)
    boost = Prototype(zeros=far, poles=near)
    return boost if gain_db > 0.0 else inverse(boost)


def high_shelf(*, corner_hz: float, gain_db: float, q: float) -> Prototype:
    """Lift or lower everything above a corner.

    Parameters
    ----------
    corner_hz : float
        Where half the gain in dB is reached, 0.1 Hz to 1 MHz.
    gain_db : float
        Gain far above the corner, -120 to 120 dB; 0 is a wire.
        A cut is the exact inverse of the boost by as much.
    q : float
        Steepness, 0.01 to 1000: 0.707 is the steepest that rises without a bump at every gain.

    Returns
    -------
    Prototype
        ``A (A s^2 + s w sqrt(A) / q + w^2) / (s^2 + s w sqrt(A) / q + A w^2)``, ``A = 10^(gain_db / 40)``.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 2021, highShelf, H(s).
    """
    near, far = _shelf_roots(corner_hz, gain_db, q)
    boost = Prototype(zeros=near, poles=far, gain=_root_gain(gain_db) ** 2)
    return boost if gain_db > 0.0 else inverse(boost)


def notch(*, centre_hz: float, q: float) -> Prototype:
    """Take out one frequency altogether, and little else.

    Parameters
    ----------
    centre_hz : float
        The frequency that vanishes, 0.1 Hz to 1 MHz.
    q : float
        Centre over the width between the points of -3.01 dB, 0.01 to 1000.

    Returns
    -------
    Prototype
        ``(s^2 + w^2) / (s^2 + s w / q + w^2)``; unity gain far from the centre.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 2021, notch, H(s).
    """
    frequency = angular_frequency("centre_hz", centre_hz)
    return Prototype(
        zeros=(complex(0.0, frequency), complex(0.0, -frequency)),
        poles=quadratic_roots(frequency / _checked_q(q), frequency * frequency),
    )


def all_pass(*, centre_hz: float, q: float) -> Prototype:
    """Turn the phase, by 180 degrees at the centre and 360 far above it, and leave every level alone.

    The one stage that is not minimum phase.

    Parameters
    ----------
    centre_hz : float
        Where the phase has turned by 180 degrees, 0.1 Hz to 1 MHz; below half the sample rate to be heard.
    q : float
        How quickly the phase turns, 0.01 to 1000; the group delay at the centre is ``2 q / (pi centre_hz)``.

    Returns
    -------
    Prototype
        ``(s^2 - s w / q + w^2) / (s^2 + s w / q + w^2)``.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 2021, APF, H(s).
    """
    frequency = angular_frequency("centre_hz", centre_hz)
    poles = quadratic_roots(frequency / _checked_q(q), frequency * frequency)
    return Prototype(zeros=tuple(-pole.conjugate() for pole in poles), poles=poles)


def _shelf_roots(
    corner_hz: float, gain_db: float, q: float
) -> tuple[tuple[complex, ...], tuple[complex, ...]]:
    """Roots of both sides of a boosting shelf, on circles below and above the corner; none for 0 dB."""
    frequency = angular_frequency("corner_hz", corner_hz)
    root_gain, q = _root_gain(gain_db), _checked_q(q)
    if root_gain == 1.0:
        return (), ()
    near = quadratic_roots(frequency / (math.sqrt(root_gain) * q), frequency * frequency / root_gain)
    far = quadratic_roots(frequency * math.sqrt(root_gain) / q, frequency * frequency * root_gain)
    return near, far


def _root_gain(gain_db: float) -> float:
    """A of the Cookbook, of the boost: the square root of its amplitude factor."""
    boost_db = abs(checked("gain_db", gain_db, lowest=-120.0, highest=120.0, unit="dB"))
    return math.pow(10.0, boost_db / 40.0)


def _checked_q(q: float) -> float:
    return checked("q", q, lowest=0.01, highest=1000.0)
