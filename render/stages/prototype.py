"""Analogue prototypes: what every equaliser and pass stage is, before any sample rate is known.

A prototype is its zeros, poles and gain in the s-plane.
`passes` and `equaliser` make prototypes from the numbers of a recipe; `minimum_phase` turns them into sound.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from render.audio.array import Complexes


@dataclass(frozen=True)
class Prototype:
    """A rational transfer function ``gain * prod(s - zeros) / prod(s - poles)``.

    Parameters
    ----------
    zeros, poles : tuple of complex
        In rad/s.
        Complex ones come in pairs, each followed or preceded by its exact conjugate, so that the response is
        real; poles lie strictly left of the imaginary axis, so that it dies away.
    gain : float
        Factor in front, not zero.

    Raises
    ------
    ValueError
        If one of this does not hold.
    """

    zeros: tuple[complex, ...] = ()
    poles: tuple[complex, ...] = ()
    gain: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what cannot be a real, stable response."""
        for name, roots in (("zeros", self.zeros), ("poles", self.poles)):
            if not all(cmath.isfinite(root) for root in roots):
                raise ValueError(f"{name} = {roots}: must be finite")
            if _order(roots) != _order(tuple(complex(root).conjugate() for root in roots)):
                raise ValueError(f"{name} = {roots}: complex ones must come with their conjugates")
        if any(complex(pole).real >= 0.0 for pole in self.poles):
            raise ValueError(f"poles = {self.poles}: must have a real part below 0")
        if not math.isfinite(self.gain) or self.gain == 0.0:
            raise ValueError(f"gain = {self.gain}: must be finite and not 0")


def _order(roots: tuple[complex, ...]) -> list[tuple[float, float]]:
    """Roots as a sorted list of pairs of real numbers, for comparison."""
    return sorted((complex(root).real, complex(root).imag + 0.0) for root in roots)


def analogue_response(prototype: Prototype, frequency_hz: ArrayLike) -> Complexes:
    """Exact response of a prototype: what the discrete one is measured against, and what is drawn.

    Parameters
    ----------
    prototype : Prototype
        A stage.
    frequency_hz : float64, any shape
        Where the response is asked for; zero allowed.

    Returns
    -------
    complex128, shape of `frequency_hz`
    """
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    response = np.full(s.shape, complex(prototype.gain))
    # factors alternate, so that neither product leaves the range of a float
    for index in range(max(len(prototype.zeros), len(prototype.poles))):
        if index < len(prototype.zeros):
            response = response * (s - prototype.zeros[index])
        if index < len(prototype.poles):
            response = response / (s - prototype.poles[index])
    return response


def inverse(prototype: Prototype) -> Prototype:
    """The prototype that undoes this one: zeros and poles change places, to the bit.

    Raises
    ------
    ValueError
        If a zero is not strictly left of the imaginary axis (a notch, a pass, an all-pass).
    """
    return Prototype(zeros=prototype.poles, poles=prototype.zeros, gain=1.0 / prototype.gain)


def quadratic_roots(linear: float, constant: float) -> tuple[complex, complex]:
    """Roots of ``s^2 + linear * s + constant`` for positive coefficients, without cancellation."""
    discriminant = 0.25 * linear * linear - constant
    if discriminant < 0.0:
        root = complex(-0.5 * linear, math.sqrt(-discriminant))
        return root, root.conjugate()
    far = -0.5 * linear - math.sqrt(discriminant)
    return complex(far), complex(constant / far)


def checked(name: str, value: float, *, lowest: float, highest: float, unit: str = "") -> float:
    """Return the value as float, or refuse it by name, value and range."""
    number = float(value)
    if not lowest <= number <= highest:  # also refuses NaN
        raise ValueError(f"{name} = {value}: must be {lowest:g} to {highest:g}{unit and ' ' + unit}")
    return number


def angular_frequency(name: str, frequency_hz: float) -> float:
    """2 pi f, refusing what is no frequency of a stage (0.1 Hz to 1 MHz)."""
    return 2.0 * math.pi * checked(name, frequency_hz, lowest=0.1, highest=1e6, unit="Hz")
