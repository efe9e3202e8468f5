"""From an analogue prototype to sound: a causal, minimum-phase response with the prototype's own magnitude.

Between the prototypes of `passes` and `equaliser` and the compiler, which multiplies responses.

A stage is made of two parts.
Its *matched part* D(z) has the poles and zeros ``exp(s T)`` of the prototype: known in closed form, minimum
phase, with every resonance, notch and zero at 0 Hz exactly where it belongs.
What the matched part lacks towards the top of the band is smooth, and is made good by one short minimum-phase
FIR for the whole chain, found by the real cepstrum from ``ln |H analogue| - ln |D|``.
A bilinear transform would squeeze the top of the band; this does not.

Accuracy: within 0.001 dB of the prototype (1e-7 dB as a rule) from 0 Hz to 0.4536 of the sample rate, which
is 20 kHz at 44.1 kHz; above that the correction levels off, so that it has no kink at half the sample rate
and dies away within some hundred frames.
The phase follows from the magnitude and causality.
An all-pass has no magnitude to follow: it becomes a digital all-pass whose phase and group delay at the
centre are the prototype's own.

References
----------
.. [1] A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, 3rd ed., Pearson, 2010, ch. 13
   (minimum phase from the real cepstrum).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy.fft
import scipy.special

from render.audio.array import Complexes, Reals
from render.stages.all_pass import all_pass_poles, apply_all_pass, is_all_pass
from render.stages.prototype import Prototype, checked

CORRECTION_FRAMES = 2048
"""Length of the correcting FIR; it is below -200 dB long before its end."""

EXACT_FRACTION = 0.454
"""Up to here, as a fraction of the sample rate, the magnitude is the prototype's own."""

_CEPSTRUM_FRAMES = 4096


def discrete_response(prototype: Prototype, *, sample_rate_hz: float, fft_frames: int) -> Complexes:
    """Response of one stage at a sample rate; see `chain_response`.

    Parameters
    ----------
    prototype : Prototype
        The stage.
    sample_rate_hz : float
        8000 to 1536000 Hz.
    fft_frames : int
        Even; from `response_frames`, or more.

    Returns
    -------
    complex128, shape (fft_frames // 2 + 1,)
    """
    return chain_response((prototype,), sample_rate_hz=sample_rate_hz, fft_frames=fft_frames)


def chain_response(prototypes: Sequence[Prototype], *, sample_rate_hz: float, fft_frames: int) -> Complexes:
    """Response of stages one after the other: their sound at this sample rate, causal.

    Parameters
    ----------
    prototypes : sequence of Prototype
        The chain; order does not matter to a linear chain. Empty: a wire.
    sample_rate_hz : float
        8000 to 1536000 Hz.
    fft_frames : int
        Length of the transform, even; from `chain_frames`, or more.
        What the response still holds after it is folded back to its beginning.

    Returns
    -------
    complex128, shape (fft_frames // 2 + 1,)
        On the grid of a real FFT; its inverse is the impulse response, frame 0 being time zero.
        Zero delay: nothing has to be compensated.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range; also for an all-pass whose centre is above
        0.4536 of the sample rate.

    Notes
    -----
    Checked by tests/reference/test_filters.py.
    A circuit goes on falling above half the sample rate, which this does not; so in phase a low-pass is ahead of
    its circuit, by 0.38 frames for each 6 dB per octave (8 microseconds at 48 kHz).
    An all-pass is exact in magnitude, and in phase and group delay at its centre; elsewhere its phase must
    reach 360 degrees at half the sample rate, which the prototype does not. Up to its centre it is off by at
    most 0.1 degrees for 1 kHz and 2 degrees for 5 kHz (q 0.5 to 3, 44.1 kHz), at 20 kHz by 9 and 32 degrees.
    """
    rate = _checked_rate(sample_rate_hz)
    frames = _checked_frames(fft_frames)
    response: Complexes = scipy.fft.rfft(_correction(prototypes, rate), frames)
    angle = (2.0 * np.pi / frames) * np.arange(frames // 2 + 1)
    grid = (np.sin(0.5 * angle) ** 2, np.sin(angle))
    turns = 0
    for prototype in prototypes:
        if is_all_pass(prototype):
            apply_all_pass(response, prototype, rate, grid)
        else:
            turns += _apply_matched(response, prototype, rate, grid)
    if turns:
        response *= np.exp(1j * (turns * angle))
    response[0] = response[0].real
    response[-1] = response[-1].real
    return response


def response_frames(prototype: Prototype, *, sample_rate_hz: float, floor_db: float = -150.0) -> int:
    """How long one stage sounds, in frames; see `chain_frames`."""
    return chain_frames((prototype,), sample_rate_hz=sample_rate_hz, floor_db=floor_db)


def chain_frames(prototypes: Sequence[Prototype], *, sample_rate_hz: float, floor_db: float = -150.0) -> int:
    """How long stages one after the other sound until they have fallen to a floor.

    Parameters
    ----------
    prototypes : sequence of Prototype
        The chain.
    sample_rate_hz : float
        8000 to 1536000 Hz.
    floor_db : float
        -300 to -20 dB, against the response as a whole.

    Returns
    -------
    int
        Frames, the correcting FIR's `CORRECTION_FRAMES` included; an upper bound, not rounded to a good size.

    Notes
    -----
    Each pole decays like ``exp(-sigma t)``; for their cascade the tail after t is below
    ``exp(-a t) prod(sigma / (sigma - a))`` for every a below the smallest sigma (the bound of Chernoff
    for a sum of exponential times); the best of some a is taken.
    """
    rate = _checked_rate(sample_rate_hz)
    floor = -math.log(10.0) / 20.0 * checked("floor_db", floor_db, lowest=-300.0, highest=-20.0, unit="dB")
    sigmas = [sigma for prototype in prototypes for sigma in _decays(prototype, rate)]
    if not sigmas:
        return CORRECTION_FRAMES
    decays = np.asarray(sigmas)
    best = math.inf
    for fraction in (0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.93, 0.96):
        rate_of_bound = fraction * decays.min()
        excess = -float(np.log1p(-rate_of_bound / decays).sum())
        best = min(best, (floor + excess) / rate_of_bound)
    return CORRECTION_FRAMES + math.ceil(best * rate)


def minimum_phase_taps(log_magnitude: Reals) -> Reals:
    """Impulse response of minimum phase with a given magnitude.

    Parameters
    ----------
    log_magnitude : float64, shape (frames // 2 + 1,)
        Natural logarithm of the magnitude on the grid of a real FFT of an even number of frames.

    Returns
    -------
    float64, shape (frames,)
        Its magnitude is exactly the given one on the grid.
        Its phase is right as far as the cepstrum has died away within half the frames.

    References
    ----------
    .. [1] A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, 3rd ed., ch. 13.
    """
    frames = 2 * (len(log_magnitude) - 1)
    cepstrum = scipy.fft.irfft(log_magnitude, frames)
    cepstrum[1 : frames // 2] *= 2.0
    cepstrum[frames // 2 + 1 :] = 0.0
    taps: Reals = scipy.fft.irfft(np.exp(scipy.fft.rfft(cepstrum)), frames)
    return taps


def _correction(prototypes: Sequence[Prototype], rate: float) -> Reals:
    """FIR of minimum phase that makes the matched parts of a chain equal to the prototypes."""
    angle = 2.0 * np.pi * _levelled_fraction(np.arange(_CEPSTRUM_FRAMES // 2 + 1) / _CEPSTRUM_FRAMES)
    log_power = np.zeros(len(angle))
    for prototype in prototypes:
        if is_all_pass(prototype):
            continue
        for roots, sign in ((prototype.zeros, 1.0), (prototype.poles, -1.0)):
            for root in roots:
                log_power += sign * np.log(_root_power(complex(root) / rate, angle))
    return minimum_phase_taps(0.5 * log_power)[:CORRECTION_FRAMES]


def _levelled_fraction(fraction: Reals) -> Reals:
    """Frequency (of the sample rate) at which the correction is read: itself, but level at half the rate.

    The distance to half the rate, blurred by a Gaussian: what is even and smooth about 1/2 has no kink there,
    so the cepstrum falls like a Gaussian and not like 1 / n^2.
    Up to `EXACT_FRACTION`, five widths away, it changes the frequency by less than 1e-9.
    """
    width = (0.5 - EXACT_FRACTION) / 5.0
    distance = (0.5 - fraction) / width
    blurred = math.sqrt(2.0 / math.pi) * np.exp(-0.5 * distance**2) + distance * scipy.special.erf(
        distance / math.sqrt(2.0)
    )
    levelled: Reals = np.maximum(0.5 - width * blurred, 0.0)
    return levelled


def _root_power(root: complex, angle: Reals) -> Reals:
    """Squared magnitude that one analogue root has beyond its matched one; T = 1.

    For a root below half the sample rate ``|j w - s|^2 / |1 - exp(s - j w)|^2``, which is
    ``|u / (1 - exp(u))|^2`` with u = s - j w: smooth, and 1 where both vanish (a notch, a high-pass at 0 Hz).
    A root above has no matched one; it is met in full.
    """
    if not _is_matched(root):
        return root.real**2 + (root.imag - angle) ** 2
    offset = root.imag - angle
    above = root.real**2 + offset**2
    below = math.expm1(root.real) ** 2 + 4.0 * math.exp(root.real) * np.sin(0.5 * offset) ** 2
    return np.divide(above, below, out=np.ones_like(above), where=below > 0.0)


def _is_matched(root: complex) -> bool:
    """Whether a root (T = 1) lies below half the sample rate."""
    return abs(root.imag) < math.pi


def _apply_matched(response: Complexes, prototype: Prototype, rate: float, grid: tuple[Reals, Reals]) -> int:
    """Multiply a response, in place, by the matched part of one prototype but for full turns.

    Returns the number of frames by which the result is to be advanced: each quadratic is taken without its
    ``exp(-j angle)``, which keeps its coefficients real.
    """
    zeros = [complex(zero) / rate for zero in prototype.zeros]
    poles = [complex(pole) / rate for pole in prototype.poles]
    above, up = _matched_product(zeros, grid)
    below, down = _matched_product(poles, grid)
    # the prototype's gain stays with its own roots, so that no product leaves the range of a float
    scale = prototype.gain * math.exp((len(zeros) - len(poles)) * math.log(rate))
    if above is None:
        response *= scale
    else:
        above *= scale
        response *= above
    if below is not None:
        response /= below
    return down - up


def _matched_product(roots: list[complex], grid: tuple[Reals, Reals]) -> tuple[Complexes | None, int]:
    """Product of ``1 - exp(root) / z`` over the matched roots (T = 1), but for full turns, and their number.

    With v = sin^2(angle / 2), a quadratic ``z + a1 + a2 / z`` on the unit circle is
    ``(1 + a1 + a2) - 2 (1 + a2) v + j (1 - a2) sin(angle)``: real products, and exact down to 0 Hz.
    """
    half_sine_squared, sine = grid
    product: Complexes | None = None
    turns = 0
    for first, second in _pairs([root for root in roots if _is_matched(root)]):
        factor: Complexes = np.empty(len(sine), dtype=np.complex128)
        if second is None:
            factor.real = 2.0 * math.exp(first.real) * half_sine_squared - math.expm1(first.real)
            factor.imag = math.exp(first.real) * sine
        else:
            decay = first.real + second.real
            at_zero = math.sqrt(_distance_power(first) * _distance_power(second))
            factor.real = at_zero - 2.0 * (1.0 + math.exp(decay)) * half_sine_squared
            factor.imag = -math.expm1(decay) * sine
            turns += 1
        product = factor if product is None else np.multiply(product, factor, out=product)
    return product, turns


def _pairs(roots: list[complex]) -> list[tuple[complex, complex | None]]:
    """Conjugates together; real ones two by two, the last perhaps alone."""
    alone = [root for root in roots if root.imag == 0.0]
    pairs: list[tuple[complex, complex | None]] = [
        (root, root.conjugate()) for root in roots if root.imag > 0.0
    ]
    pairs += zip(alone[0::2], alone[1::2], strict=False)
    return pairs + [(root, None) for root in alone[2 * (len(alone) // 2) :]]


def _distance_power(root: complex) -> float:
    """``|1 - exp(root)|^2`` without cancellation."""
    return math.expm1(root.real) ** 2 + 4.0 * math.exp(root.real) * math.sin(0.5 * root.imag) ** 2


def _decays(prototype: Prototype, rate: float) -> list[float]:
    """How fast each pole dies away, in nepers a second."""
    poles = all_pass_poles(prototype, rate) if is_all_pass(prototype) else prototype.poles
    # a pair that rings is one exponential; one that hardly does is nearly a double pole
    return [-pole.real for pole in poles if pole.imag >= 0.0 or abs(pole) < -2.0 * pole.real]


def _checked_rate(sample_rate_hz: float) -> float:
    return checked("sample_rate_hz", sample_rate_hz, lowest=8000.0, highest=1536000.0, unit="Hz")


def _checked_frames(fft_frames: int) -> int:
    if fft_frames < CORRECTION_FRAMES or fft_frames % 2:
        raise ValueError(f"fft_frames = {fft_frames}: must be even and at least {CORRECTION_FRAMES}")
    return int(fft_frames)
