"""The digital all-pass: the one stage of `minimum_phase` whose phase is not that of its magnitude.

Bilinear and prewarped at the centre, where it has the phase of its prototype; the bilinear transform would
stretch the group delay there by angle / sin(angle), and the q is lowered by as much.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from render.audio.array import Complexes, Reals
from render.stages.prototype import Prototype, checked, quadratic_roots

MAX_CENTRE_FRACTION = 0.4536
"""Highest centre, as a fraction of the sample rate: 20 kHz at 44.1 kHz."""


def is_all_pass(prototype: Prototype) -> bool:
    """Whether a prototype is one, as `equaliser.all_pass` makes it.

    Raises
    ------
    ValueError
        If zeros lie right of the imaginary axis in anything else: there is no response of minimum phase then.
    """
    if not any(complex(zero).real > 0.0 for zero in prototype.zeros):
        return False
    mirrored = tuple(-complex(pole).conjugate() for pole in prototype.poles)
    if len(mirrored) != 2 or prototype.zeros != mirrored:
        raise ValueError(f"zeros = {prototype.zeros}: only those of an all-pass may have a real part above 0")
    return True


def all_pass_poles(prototype: Prototype, sample_rate_hz: float) -> tuple[complex, ...]:
    """Poles in rad/s whose ``exp(s T)`` are those of the digital all-pass."""
    tangent, q = _tangent_and_q(prototype, sample_rate_hz)
    return tuple(
        cmath.log((1.0 + root) / (1.0 - root)) * sample_rate_hz
        for root in quadratic_roots(tangent / q, tangent * tangent)
    )


def apply_all_pass(
    response: Complexes, prototype: Prototype, sample_rate_hz: float, grid: tuple[Reals, Reals]
) -> None:
    """Multiply a response, in place, by an all-pass.

    Parameters
    ----------
    response : complex128, shape (bins,)
        Changed.
    prototype : Prototype
        For which `is_all_pass` holds.
    sample_rate_hz : float
        Above zero.
    grid : two float64, shape (bins,)
        ``sin(angle / 2)^2`` and ``sin(angle)``, angle being 2 pi frequency / sample rate.

    Raises
    ------
    ValueError
        If the centre is above `MAX_CENTRE_FRACTION` of the sample rate.
    """
    half_sine_squared, sine = grid
    tangent, q = _tangent_and_q(prototype, sample_rate_hz)
    # the denominator b, turned by one frame so that its coefficients are real; the numerator is its conjugate
    below: Complexes = np.empty(len(sine), dtype=np.complex128)
    below.real = 2.0 * tangent - 2.0 * (tangent + 1.0 / tangent) * half_sine_squared
    below.imag = sine / q
    response *= prototype.gain * np.conj(below)
    response /= below


def _tangent_and_q(prototype: Prototype, sample_rate_hz: float) -> tuple[float, float]:
    """Tangent of half the centre's angle, and the q that gives the prototype's group delay there."""
    first, second = prototype.poles
    centre = math.sqrt((first * second).real)
    highest_hz = MAX_CENTRE_FRACTION * sample_rate_hz
    checked("centre_hz (all-pass)", centre / (2.0 * math.pi), lowest=0.0, highest=highest_hz, unit="Hz")
    angle = centre / sample_rate_hz
    return math.tan(0.5 * angle), -centre / (first + second).real * math.sin(angle) / angle
