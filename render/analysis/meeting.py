"""Where a session's two sources meet: one delay and one polarity for all takes, or one for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from render.analysis.moves import median

SAME_MS = 0.02
"""Takes that agree to one sample at 48 kHz (7 mm of air) agree, whatever their stated uncertainty."""

SPREAD = 1.5
"""Stated uncertainties hold 95 % of true values, 1.5 times as much 99.7 %: ten takes of one set-up then agree."""

TOGETHER_MS = 0.03
"""1 cm of air: less is left alone, nobody sits that still."""


@dataclass(frozen=True)
class TakeMeeting:
    """What one take says: microphone later than the pickup (negative: earlier), how sure, and 1, -1 or None."""

    delay_ms: float
    uncertainty_ms: float
    polarity: int | None


@dataclass(frozen=True)
class Meeting:
    """What a recipe should say.

    Attributes
    ----------
    delay_ms : float, "auto" or None
        How much later the microphone hears; None: leave alone, it could not be measured.
    uncertainty_ms : float
        Of the number.
    polarity : "keep", "flip" or "auto"
    polarity_known : bool
        Whether any take told it.
    least_ms, most_ms : float
        Among the takes.
    measured : int
        Takes that gave an answer.
    """

    delay_ms: float | Literal["auto"] | None
    uncertainty_ms: float
    polarity: Literal["keep", "flip", "auto"]
    polarity_known: bool
    least_ms: float
    most_ms: float
    measured: int


def find_meeting(takes: Sequence[TakeMeeting | None]) -> Meeting:
    """Put the answers of the takes together.

    Parameters
    ----------
    takes : sequence of TakeMeeting or None
        None for a take that gave no reliable answer.

    Returns
    -------
    Meeting
        The median delay if every take lies within 1.5 times its uncertainty (at least 0.02 ms) of it, else "auto"; 0.0
        for less than 0.03 ms. Polarity likewise: turned if all say so, "auto" if they differ.
    """
    known = [take for take in takes if take is not None]
    if not known:
        return Meeting(None, 0.0, "keep", False, 0.0, 0.0, 0)
    delays = [take.delay_ms for take in known]
    middle_ms = median(delays)
    uncertainty_ms = median([take.uncertainty_ms for take in known])
    agree = all(
        abs(take.delay_ms - middle_ms) <= max(SPREAD * take.uncertainty_ms, SAME_MS) for take in known
    )
    delay: float | Literal["auto"] = "auto"
    if agree:
        delay = round(middle_ms, 2) + 0.0 if abs(middle_ms) >= TOGETHER_MS else 0.0
    signs = {take.polarity for take in known if take.polarity is not None}
    polarity: Literal["keep", "flip", "auto"] = "keep"
    if signs == {-1}:
        polarity = "flip"
    elif len(signs) == 2:
        polarity = "auto"
    return Meeting(delay, uncertainty_ms, polarity, bool(signs), min(delays), max(delays), len(known))
