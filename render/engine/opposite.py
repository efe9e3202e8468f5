"""Takes whose delay is that of their session turned over: a sign that their channels are exchanged.

For `meet`, which only asks, and for the line check, which sees more (spectra, noise, resonances) and says how sure it
is: one rule for both, so that a question of one is answered by the other.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

FEWEST_TAKES = 3
"""Of two takes that contradict each other neither is the odd one."""

LEAST_MS = 0.3
"""From a delay of this on its sign is worth something: a microphone moved by 10 cm comes to it."""

NEAR_FRACTION = 0.25
"""A delay that is within this share of the session's, or of the same turned over, is one of the two."""


@dataclass(frozen=True)
class Usual:
    """What most other takes of a session say of the delay, and whether this take says the same or the opposite."""

    later_ms: float
    opposite: bool


def compare_with_usual(
    later_ms: float, uncertainty_ms: float, others_ms: Sequence[float], *, fewest: int = FEWEST_TAKES
) -> Usual | None:
    """Hold the delay of a take against those of the others.

    Parameters
    ----------
    later_ms : float
        How much later a source hears in this take; below 0: earlier.
    uncertainty_ms : float
        Of it.
    others_ms : sequence of float
        Of the other takes.
    fewest : int
        Takes in all that there have to be.

    Returns
    -------
    Usual or None
        None where this take is another altogether, the others are not one, or their delay is too short to tell.
    """
    if 1 + len(others_ms) < fewest:
        return None
    usual_ms = statistics.median(others_ms)
    near_ms = max(NEAR_FRACTION * abs(usual_ms), uncertainty_ms)
    if abs(usual_ms) < LEAST_MS or near_ms > 0.5 * abs(usual_ms):
        return None
    alike = sum(abs(other_ms - usual_ms) <= near_ms for other_ms in others_ms)
    if 2 * alike <= len(others_ms):
        return None
    if abs(later_ms + usual_ms) <= near_ms:
        return Usual(usual_ms, opposite=True)
    return Usual(usual_ms, opposite=False) if abs(later_ms - usual_ms) <= near_ms else None


def opposite_of_ms(later_ms: float, uncertainty_ms: float, others_ms: Sequence[float]) -> float | None:
    """What most other takes of a session say, if this take says the opposite; see `compare_with_usual`.

    Returns
    -------
    float or None
        The median of the others; None where this take agrees, is another altogether, or the others are not one.
    """
    usual = compare_with_usual(later_ms, uncertainty_ms, others_ms)
    return usual.later_ms if usual is not None and usual.opposite else None
