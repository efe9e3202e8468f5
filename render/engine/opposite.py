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


def is_opposite(later_ms: float, uncertainty_ms: float, usual_ms: float) -> bool | None:
    """Whether a delay is another one turned over (True), or the same (False).

    Parameters
    ----------
    later_ms, uncertainty_ms : float
        How much later a source hears, below 0: earlier, and how sure that is.
    usual_ms : float
        What it is held against.

    Returns
    -------
    bool or None
        None where it is neither, or too short or too unsure to tell.
    """
    near_ms = _near_ms(uncertainty_ms, usual_ms)
    if abs(usual_ms) < LEAST_MS or near_ms > 0.5 * abs(usual_ms):
        return None
    if abs(later_ms + usual_ms) <= near_ms:
        return True
    return False if abs(later_ms - usual_ms) <= near_ms else None


def compare_with_usual(later_ms: float, uncertainty_ms: float, others_ms: Sequence[float]) -> Usual | None:
    """Hold the delay of a take against those of the others.

    Parameters
    ----------
    later_ms : float
        How much later a source hears in this take; below 0: earlier.
    uncertainty_ms : float
        Of it.
    others_ms : sequence of float
        Of the other takes.

    Returns
    -------
    Usual or None
        None where this take is another altogether, most others are not one, as many takes say the opposite, or the
        delay is too short to tell.
    """
    if 1 + len(others_ms) < FEWEST_TAKES:
        return None
    usual_ms = statistics.median(others_ms)
    opposite = is_opposite(later_ms, uncertainty_ms, usual_ms)
    if opposite is None:
        return None
    near_ms = _near_ms(uncertainty_ms, usual_ms)
    alike = sum(abs(other_ms - usual_ms) <= near_ms for other_ms in others_ms)
    turned = sum(abs(other_ms + usual_ms) <= near_ms for other_ms in others_ms)
    is_most = 2 * alike > len(others_ms) and alike + (not opposite) > turned + opposite
    return Usual(usual_ms, opposite=opposite) if is_most else None


def _near_ms(uncertainty_ms: float, usual_ms: float) -> float:
    return max(NEAR_FRACTION * abs(usual_ms), uncertainty_ms)


def opposite_of_ms(later_ms: float, uncertainty_ms: float, others_ms: Sequence[float]) -> float | None:
    """What most other takes of a session say, if this take says the opposite; see `compare_with_usual`.

    Returns
    -------
    float or None
        The median of the others; None where this take agrees, is another altogether, or the others are not one.
    """
    usual = compare_with_usual(later_ms, uncertainty_ms, others_ms)
    return usual.later_ms if usual is not None and usual.opposite else None
