"""Which of two sources is the microphone, and how sure that is: for tracks that were swapped.

Beside the chain. No single sign is proof: a microphone hears the room and hisses more, hears the air in the body
resonate, hears talk, and hears everything a little later. Signs are put together as odds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from render.analysis.boom import Resonance
from render.analysis.ends import Ends
from render.analysis.noise import Noise

SURE = 0.5
"""Below this sureness no source is named: odds of less than three to one."""

NOISE_DB, NOISE_ODDS = 8.0, 1.2
"""A microphone's noise, against its playing, lies so far above a pickup's to count once; half as far again counts most.
Odds as natural logarithms: 1.2 is 3.3 to one. A bad preamplifier is as loud, so it never decides alone."""

AIR_HZ, AIR_DB, AIR_ODDS = (80.0, 260.0), 6.0, 1.0
"""Air and top of a body stand out in a microphone; a source on the wood has the top too, so this is the weaker sign."""

TALK_ODDS = 3.0
"""A pickup that hears a voice better than a microphone does: one in twenty, and that only with a fault."""

DELAY_MS, DELAY_ODDS = (0.08, 5.0), 1.0
"""From 3 cm to 1.7 m of air. Less than that, filters do as well; more, it is another room or another recorder."""

Sign = Literal["noise", "resonance", "talk", "delay"]


@dataclass(frozen=True)
class Evidence:
    """One sign: for which source being the microphone, the figure it rests on, its odds (natural logarithm)."""

    sign: Sign
    source: int
    figure: float
    odds: float


@dataclass(frozen=True)
class Role:
    """Which source is the microphone.

    Attributes
    ----------
    microphone : int or None
        0 or 1; None where it cannot be told.
    sureness : float
        0 to 1: 0 for even odds, 0.5 for three to one, 0.9 for nineteen to one.
    evidence : tuple of Evidence
        Also signs against it.
    """

    microphone: int | None
    sureness: float
    evidence: tuple[Evidence, ...]


def guess_microphone(
    *,
    noise: Sequence[Noise],
    resonances: Sequence[Sequence[Resonance]],
    ends: Ends | None = None,
    delay_ms: float | None = None,
) -> Role:
    """Weigh what else was measured of a take.

    Parameters
    ----------
    noise : two of Noise
    resonances : two sequences of Resonance
        Of each source against the other.
    ends : Ends, optional
    delay_ms : float, optional
        By how much the second source is later.
    """
    signs: list[Evidence] = []
    if all(one.settled and math.isfinite(one.signal_to_noise_db) for one in noise):
        lead_db = noise[0].signal_to_noise_db - noise[1].signal_to_noise_db
        if abs(lead_db) >= NOISE_DB:
            odds = NOISE_ODDS * min(1.5, abs(lead_db) / NOISE_DB)
            signs.append(Evidence("noise", 1 if lead_db > 0.0 else 0, abs(lead_db), odds))
    heights = [
        max((one.prominence_db for one in of if AIR_HZ[0] <= one.frequency_hz <= AIR_HZ[1]), default=0.0)
        for of in resonances
    ]
    if abs(heights[1] - heights[0]) >= AIR_DB:
        source = 1 if heights[1] > heights[0] else 0
        signs.append(Evidence("resonance", source, heights[source], AIR_ODDS))
    signs += [
        Evidence("talk", part.source, part.sureness, TALK_ODDS * part.sureness)
        for part in (ends.parts if ends is not None else ())
        if part.kind == "talk" and part.source is not None
    ]
    if delay_ms is not None and DELAY_MS[0] <= abs(delay_ms) <= DELAY_MS[1]:
        signs.append(Evidence("delay", 1 if delay_ms > 0.0 else 0, abs(delay_ms), DELAY_ODDS))
    total = sum(one.odds if one.source == 1 else -one.odds for one in signs)
    sureness = math.tanh(0.5 * abs(total))  # 2 p - 1 of these odds
    told = sureness >= SURE and sum(one.odds > 0.0 for one in signs) >= 2
    return Role((1 if total > 0.0 else 0) if told else None, round(sureness, 2), tuple(signs))
