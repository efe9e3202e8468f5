"""Which of two sources is the microphone, where nobody says so: sound needs time to reach it, and bodies boom in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from render.analysis.boom import Resonance

LATER_MS = 0.3
"""10 cm of air. A pickup sits on the instrument and hears it first; between two pickups there is less."""

BOOMS_MORE_DB = 6.0
"""Resonances that stand out in one source against the other, added up: so much more of them is evidence."""


@dataclass(frozen=True)
class Exchange:
    """Evidence that the source taken for the microphone is the pickup: how much earlier it is, and booms of both."""

    earlier_ms: float
    booms_of_pickup_db: float
    booms_of_microphone_db: float

    @property
    def is_strong(self) -> bool:
        """Whether both kinds of evidence say so."""
        return (
            self.earlier_ms >= LATER_MS
            and self.booms_of_pickup_db >= self.booms_of_microphone_db + BOOMS_MORE_DB
        )


def find_exchange(
    *,
    delay_ms: float | None,
    uncertainty_ms: float,
    pickup: Sequence[Resonance],
    microphone: Sequence[Resonance],
) -> Exchange:
    """Look whether two sources are taken for each other.

    Parameters
    ----------
    delay_ms, uncertainty_ms : float
        How much later the supposed microphone is, and how sure; None: not known.
    pickup, microphone : sequence of Resonance
        What stands out in either against the other.

    Returns
    -------
    Exchange
    """
    earlier_ms = 0.0 if delay_ms is None else max(-delay_ms - uncertainty_ms, 0.0)
    return Exchange(
        earlier_ms,
        sum(one.prominence_db for one in pickup),
        sum(one.prominence_db for one in microphone),
    )
