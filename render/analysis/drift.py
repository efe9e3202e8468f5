"""Two recorders, or one that lost a piece: a line and a step through the delays along a take.

Stands behind `track`. Two clocks never run alike, by some 1 to 100 millionths, and the delay between their tracks
grows evenly; one clock gives a level line. Where a recorder drops a buffer, the delay jumps and stays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from render.analysis.track import Track
from render.audio.array import Reals, Samples

LEAST_DRIFT_PPM = 1.0
"""Below, a drift cannot be told from a player who moves against a microphone, and crystals that near are rare."""

LEAST_CHANGE_S = 5e-5
"""What drift must come to over a take to matter: 2 cm of air, below the uncertainty of a delay between real sources."""

SIGMAS = 4.0
"""How sure a drift must be; with few segments the bound is that of Student's distribution at the same probability."""

LEAST_JUMP_S = 1e-4
"""A step smaller than this is no lost piece of sound: recorders lose buffers of 32 frames and more."""

JUMP_SIGMAS = 8.0

_FEWEST = 4
_HUBER = 1.5
_ROUNDS = 12
_LEAST_ERROR_S = 1e-9


@dataclass(frozen=True)
class Steadiness:
    """How the delay moves over a take.

    Attributes
    ----------
    drift_ppm, drift_uncertainty_ppm : float or None
        Slope of the line in millionths, positive where the second source falls behind, and its 95 % bound; None with
        fewer than four known segments.
    drifting : bool
        Whether it is sure, and enough to matter.
    jump_s : float or None
        Size of a sudden step, positive where the second source is later afterwards.
    jump_at_s : float or None
    """

    drift_ppm: float | None = None
    drift_uncertainty_ppm: float | None = None
    drifting: bool = False
    jump_s: float | None = None
    jump_at_s: float | None = None


def measure_steadiness(track: Track) -> Steadiness:
    """Fit a robust line through the delays of a take, with a step where there is one.

    Parameters
    ----------
    track : Track

    Returns
    -------
    Steadiness
    """
    known = track.known
    if np.count_nonzero(known) < _FEWEST:
        return Steadiness()
    at_s, delay_s = track.middle_s[known], track.delay_s[known]
    error_s = np.maximum(track.error_s[known], _LEAST_ERROR_S)
    terms = np.stack([np.ones(len(at_s)), at_s - at_s.mean()], axis=1)
    value, error, scatter_s = _robust_fit(terms, delay_s, error_s)
    jump = _find_step(at_s, delay_s, error_s, terms, scatter_s)
    jump_s = jump_at_s = None
    if jump is not None:
        jump_at_s, value, error = jump
        jump_s = float(value[2])
    freedom = len(at_s) - len(value)
    drift_ppm, error_ppm = 1e6 * float(value[1]), 1e6 * float(error[1])
    change_s = abs(float(value[1])) * float(at_s[-1] - at_s[0])
    return Steadiness(
        drift_ppm=drift_ppm,
        drift_uncertainty_ppm=error_ppm * _student(freedom, 0.975),
        drifting=(
            abs(drift_ppm) > error_ppm * _student_as_sigmas(freedom, SIGMAS)
            and abs(drift_ppm) >= LEAST_DRIFT_PPM
            and change_s >= LEAST_CHANGE_S
        ),
        jump_s=jump_s,
        jump_at_s=jump_at_s,
    )


def _find_step(
    at_s: Reals, delay_s: Reals, error_s: Reals, terms: Samples, scatter_s: float
) -> tuple[float, Reals, Reals] | None:
    """Best place of one step beside the line: where, the fit with it, its errors; None if the line alone does."""
    best: tuple[float, int] | None = None
    for place in range(2, len(at_s) - 1):
        step = (np.arange(len(at_s)) >= place).astype(np.float64)
        with_step = np.column_stack([terms, step])
        left = delay_s - with_step @ np.linalg.lstsq(with_step, delay_s, rcond=None)[0]
        cost = float(np.sum(np.abs(left)))
        if best is None or cost < best[0]:
            best = cost, place
    if best is None or len(at_s) < _FEWEST + 1:
        return None
    place = best[1]
    step = (np.arange(len(at_s)) >= place).astype(np.float64)
    value, error, scatter_with_s = _robust_fit(np.column_stack([terms, step]), delay_s, error_s)
    sure = abs(value[2]) > error[2] * _student_as_sigmas(len(at_s) - 3, JUMP_SIGMAS)
    if abs(value[2]) < LEAST_JUMP_S or not sure or scatter_with_s > 0.5 * scatter_s:
        return None
    return 0.5 * float(at_s[place - 1] + at_s[place]), value, error


def _robust_fit(terms: Samples, delay_s: Reals, error_s: Reals) -> tuple[Reals, Reals, float]:
    """Least squares after Huber: values of the terms, their standard errors, and the scatter of what is left.

    Weights are those of each segment's own error and of a scatter common to all; segments that follow one another
    may err alike, which widens the errors.
    """
    common_s = 0.0
    robust: Reals = np.ones(len(delay_s))
    value: Reals = np.zeros(terms.shape[1])
    left: Reals = delay_s
    for _ in range(_ROUNDS):
        root = np.sqrt(robust) / np.hypot(error_s, common_s)
        value = np.asarray(np.linalg.lstsq(terms * root[:, np.newaxis], delay_s * root, rcond=None)[0])
        left = np.asarray(delay_s - terms @ value, np.float64)
        freedom = len(left) - len(value)
        typical_s = 1.4826 * float(np.median(np.abs(left))) * math.sqrt(len(left) / freedom)
        common_s = math.sqrt(max(0.0, typical_s**2 - float(np.median(error_s)) ** 2))
        far = np.abs(left) / np.hypot(error_s, common_s)
        robust = np.asarray(np.minimum(1.0, _HUBER / np.maximum(far, 1e-12)), np.float64)
    spread = np.hypot(error_s, common_s)
    root = np.sqrt(robust) / spread
    covariance = np.linalg.pinv((terms * root[:, np.newaxis]).T @ (terms * root[:, np.newaxis]))
    standard = left / spread
    excess = max(1.0, float(np.sum(robust * standard**2)) / max(1.0, float(np.sum(robust)) - len(value)))
    alike = 0.0
    if len(left) > len(value) + 2:
        clipped = np.clip(standard, -_HUBER, _HUBER)
        alike = float(np.sum(clipped[1:] * clipped[:-1]) / max(float(np.sum(clipped**2)), 1e-300))
    widened = excess * (1.0 + max(0.0, alike)) / (1.0 - min(0.9, max(0.0, alike)))
    scatter_s = float(np.sqrt(np.mean(left**2)))
    return np.asarray(value), np.sqrt(widened * np.diag(covariance)), scatter_s


def _student(freedom: int, probability: float) -> float:
    return float(stdtrit(max(1, freedom), probability))


def _student_as_sigmas(freedom: int, sigmas: float) -> float:
    """Bound of Student's distribution that is as improbable as so many standard deviations of a normal one."""
    return -float(stdtrit(max(1, freedom), _normal_tail(sigmas)))


def _normal_tail(sigmas: float) -> float:
    return 0.5 * math.erfc(sigmas / math.sqrt(2.0))
