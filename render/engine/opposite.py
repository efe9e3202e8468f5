"""Takes whose delay is that of their session turned over: the sign by which "auto" tells channels that are exchanged.

Beside `meet`. The line check sees more (spectra, noise, resonances) and says how sure it is; this only asks.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

FEWEST_TAKES = 3
"""Of two takes that contradict each other neither is the odd one."""

LEAST_MS = 0.3
"""From a delay of this on its sign is worth something: a microphone moved by 10 cm comes to it."""

NEAR_FRACTION = 0.25
"""A delay that is within this share of the session's turned over is one."""


def opposite_of_ms(
    later_ms: float, uncertainty_ms: float, others_ms: Sequence[float], *, fewest: int = FEWEST_TAKES
) -> float | None:
    """What most other takes of a session say, if this take says the opposite.

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
    float or None
        The median of the others; None where this take agrees, is another altogether, or the others are not one.
    """
    if 1 + len(others_ms) < fewest:
        return None
    usual_ms = statistics.median(others_ms)
    near_ms = max(NEAR_FRACTION * abs(usual_ms), uncertainty_ms)
    if abs(usual_ms) < LEAST_MS or near_ms > 0.5 * abs(usual_ms):
        return None
    alike = sum(abs(other_ms - usual_ms) <= near_ms for other_ms in others_ms)
    if 2 * alike <= len(others_ms) or abs(later_ms + usual_ms) > near_ms:
        return None
    return usual_ms
