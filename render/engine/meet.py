"""Where "auto" leads: how far one source of each take is moved, and whether it is turned over, to meet the other.

Sits between looking at the takes and rendering them. Each take is measured by itself; one that gives no reliable
answer gets that of its session, the median of the others. The sign is kept over a session: where a source stands at
the side it decides what is left and what is right, and a picture must not change sides from take to take.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from render.analysis.agreement import TakeSign, agree_on_polarity
from render.analysis.delay import PHASE_HZ, Alignment
from render.engine.opposite import opposite_of_ms
from render.recipe.models import Recipe, Source

RELIABLE_S = 0.3e-3
"""A delay is used as long as it is sure to this, 10 cm of air: a quarter of a period at 800 Hz, so that the sources of
a guitar add up over their common band. What is less sure could as well move them apart."""

MORE = "drytake check tells more"
DELAY_DIGITS = 6  # of milliseconds, as the log keeps it
Decided = Literal["take", "session", "recipe", "nothing"]


@dataclass(frozen=True)
class Moved:
    """What "auto" came to for one take.

    Attributes
    ----------
    source : str
        Name of the source that is moved.
    delay_ms : float
        Later by so much, earlier where negative.
    uncertainty_ms : float or None
        95 % of true values lie within, at every place of the take: of one that drifts or jumps it reaches as far as
        the delay runs. Of a session's value, as far as its takes lie apart, or as each is sure of itself if that is
        more. None where the recipe says the value itself, or nothing could be measured.
    polarity : "keep" or "flip"
    delay_from, polarity_from : "take", "session", "recipe" or "nothing"
        What decided: this take's own measurement, that of the others, or the recipe where it says a value itself;
        "nothing" where nothing could be measured, and the source was left as it is.
    drift_ms, jump_ms : float or None
        By how much the source falls behind from beginning to end, and in one jump; below 0: gets ahead. None where the
        delay stays as it is.
    opposite_of_ms : float or None
        How much later the source is in the session's other takes, where this take says the opposite; else None.
    silent_source : str or None
        A source that is as good as silent: then nothing is met.
    """

    source: str
    delay_ms: float
    uncertainty_ms: float | None
    polarity: Literal["keep", "flip"]
    delay_from: Decided
    polarity_from: Decided
    drift_ms: float | None = None
    jump_ms: float | None = None
    opposite_of_ms: float | None = None
    silent_source: str | None = None

    @property
    def steady(self) -> bool:
        """Whether one delay holds all through the take."""
        return self.drift_ms is None and self.jump_ms is None

    def as_dict(self) -> dict[str, str | float | None]:
        """Plain values, for the log."""
        return asdict(self)

    def remarks(self) -> list[str]:
        """What a player should know of it, in plain words."""
        words = {
            "session": "the value of the session's other takes was used",
            "nothing": "it was left where it is",
        }
        told = []
        if self.delay_from in words:
            told.append(
                f"how far {self.source} lies from the other source cannot be told from this take: "
                f"{words[self.delay_from]} ({self.delay_ms:+.3f} ms)"
            )
        told += self._remarks_on_time()
        if self.polarity_from == "nothing":
            told.append(f"the polarity of {self.source} cannot be told: it was kept as it is")
        return told

    def _remarks_on_time(self) -> list[str]:
        """Where one delay does not hold, or is not that of the session."""
        told = []
        if self.drift_ms is not None:
            told.append(
                f"the sources drift apart, {abs(self.drift_ms):.2f} ms over the take: one delay cannot hold, it fits "
                f"the middle only ({MORE})"
            )
        if self.jump_ms is not None:
            told.append(
                f"{self.source} jumps against the other source, by {abs(self.jump_ms):.2f} ms: one delay cannot hold "
                f"({MORE})"
            )
        if self.opposite_of_ms is not None:
            way = ("later", "earlier") if self.opposite_of_ms > 0.0 else ("earlier", "later")
            told.append(
                f"{self.source} is the {way[1]} source here, and in the other takes of its session the {way[0]} one, "
                f"by {abs(self.opposite_of_ms):.2f} ms: channels exchanged? ({MORE})"
            )
        return told


def meet(recipe: Recipe, alignments: Sequence[Alignment | None]) -> list[Moved]:
    """How far the source with "auto" is moved in each take of a session.

    Parameters
    ----------
    recipe : Recipe
        With "auto" on one source.
    alignments : sequence of Alignment or None
        Of every take of the session; None for one that could not be read.

    Returns
    -------
    list of Moved
        One a take, in the same order.

    Raises
    ------
    ValueError
        If no source of the recipe has "auto".
    """
    name = recipe.auto_source
    if name is None:
        raise ValueError('recipe must have "auto" on one source')
    source = recipe.sources[name]
    (other,) = (recipe.sources[key] for key in recipe.sources if key != name)
    # The second source is later by the measured delay: it has to go back by it, or the first has to follow.
    sense = -1000.0 if list(recipe.sources)[1] == name else 1000.0
    reliable = [it for it in alignments if it is not None and _is_reliable(it)]
    known_s = [float(it.delay_s or 0.0) for it in reliable]
    sure_s = [_uncertainty_s(it) for it in reliable]
    middle_s = statistics.median(known_s) if known_s else None
    signs = agree_on_polarity([None if it is None else _sign_of(it, middle_s) for it in alignments])
    moves = []
    for it, sign in zip(alignments, signs, strict=True):
        delay_ms, uncertainty_ms, delay_from = _delay(source, other, it, known_s, sure_s, sense=sense)
        polarity, polarity_from = _polarity(source, other, it, sign)
        moved = Moved(name, delay_ms, uncertainty_ms, polarity, delay_from, polarity_from)
        if it is not None and delay_from == "take":
            drift_s, jump_s = _drift_s(it), it.steadiness.jump_s
            moved = replace(
                moved,
                drift_ms=None if drift_s is None else _rounded(-sense * drift_s),
                jump_ms=None if jump_s is None else _rounded(-sense * jump_s),
            )
        moves.append(moved)
    steady = [moved for moved in moves if moved.delay_from == "take" and moved.steady]
    return [
        _against(moved, [other for other in steady if other is not moved], other.own_delay_ms)
        for moved in moves
    ]


def as_the_others(moved: Moved, others: Sequence[Mapping[str, Any]], *, recipe: Recipe) -> Moved:
    """A take that was named by itself and does not tell goes by what its session's takes came to in an earlier run.

    One that tells the opposite of them keeps its own value, and that is remarked on.

    Parameters
    ----------
    moved : Moved
    others : sequence of mappings
        `Moved.as_dict` of takes that measured themselves.
    recipe : Recipe
        With which all of them were rendered.
    """
    same = [other for other in others if other["source"] == moved.source]
    if not same:
        return moved
    if moved.delay_from == "nothing":
        delays_ms = [float(other["delay_ms"]) for other in same]
        middle_ms = statistics.median(delays_ms)
        moved = replace(
            moved,
            delay_ms=_rounded(middle_ms),
            uncertainty_ms=_rounded(max(abs(delay_ms - middle_ms) for delay_ms in delays_ms)),
            delay_from="session",
        )
    if moved.polarity_from == "nothing":
        flips = sum(1 if other["polarity"] == "flip" else -1 for other in same)
        moved = replace(moved, polarity="flip" if flips > 0 else "keep", polarity_from="session")
    steady = [other for other in (Moved(**other) for other in same) if other.steady]
    (met,) = (source for name, source in recipe.sources.items() if name != moved.source)
    return _against(moved, steady, met.own_delay_ms)


def channels_of(recipe: Recipe) -> tuple[int, int]:
    """Channels of both sources, in the order of the recipe."""
    first, second = recipe.sources.values()
    return first.channel, second.channel


def _is_reliable(alignment: Alignment | None) -> bool:
    """Whether a take's own delay is sure enough to move a source by it."""
    return (
        alignment is not None
        and alignment.delay_s is not None
        and alignment.uncertainty_s is not None
        and alignment.uncertainty_s <= RELIABLE_S
    )


def _delay(
    source: Source,
    other: Source,
    alignment: Alignment | None,
    known_s: list[float],
    sure_s: list[float],
    *,
    sense: float,
) -> tuple[float, float | None, Decided]:
    """By how many milliseconds the source is moved, how sure that is, and what decided."""
    if source.delay_ms != "auto":
        return source.own_delay_ms, None, "recipe"
    if alignment is not None and _is_reliable(alignment):
        delay_s, uncertainty_s = float(alignment.delay_s or 0.0), _uncertainty_s(alignment)
        return _rounded(other.own_delay_ms + sense * delay_s), _rounded(1000.0 * uncertainty_s), "take"
    if known_s:
        middle_s = statistics.median(known_s)
        apart_s = max(abs(known - middle_s) for known in known_s)
        uncertainty_s = max(apart_s, statistics.median(sure_s))
        return _rounded(other.own_delay_ms + sense * middle_s), _rounded(1000.0 * uncertainty_s), "session"
    return 0.0, None, "nothing"


def _drift_s(alignment: Alignment) -> float | None:
    """How much later the second source gets from beginning to end of a take that drifts; None if it does not."""
    steadiness, at_s = alignment.steadiness, alignment.curves.at_s
    if not steadiness.drifting or steadiness.drift_ppm is None or len(at_s) < 2:
        return None
    duration_s = float(at_s[-1] - at_s[0]) * len(at_s) / (len(at_s) - 1)
    return 1e-6 * steadiness.drift_ppm * duration_s


def _uncertainty_s(alignment: Alignment) -> float:
    """How far the delay may be from the true one anywhere in the take: it is that of the middle, or the longer part."""
    drift_s, jump_s = _drift_s(alignment) or 0.0, alignment.steadiness.jump_s or 0.0
    return float(alignment.uncertainty_s or 0.0) + 0.5 * abs(drift_s) + abs(jump_s)


def _against(moved: Moved, others: Sequence[Moved], met_delay_ms: float) -> Moved:
    """Look whether a take says the opposite of others that measured themselves; `met_delay_ms`: of the other source."""
    if moved.delay_from != "take" or not moved.steady or moved.uncertainty_ms is None:
        return moved
    usual_ms = opposite_of_ms(
        met_delay_ms - moved.delay_ms,
        moved.uncertainty_ms,
        [met_delay_ms - other.delay_ms for other in others],
    )
    return moved if usual_ms is None else replace(moved, opposite_of_ms=_rounded(usual_ms))


def _polarity(
    source: Source, other: Source, alignment: Alignment | None, sign: int | None
) -> tuple[Literal["keep", "flip"], Decided]:
    """Whether the source is turned over, and what decided."""
    if source.polarity != "auto":
        return source.polarity, "recipe"
    if sign is None:
        return "keep", "nothing"
    turned = -1 if other.polarity == "flip" else 1
    own = alignment is not None and alignment.polarity == sign
    return ("flip" if sign * turned < 0 else "keep"), ("take" if own else "session")


def _sign_of(alignment: Alignment, middle_s: float | None) -> TakeSign:
    """What a take says of polarity; its phases as at the session's delay where its own is not sure."""
    phasors = alignment.phasors
    if not _is_reliable(alignment) and alignment.delay_s is not None and middle_s is not None:
        phasors = phasors * np.exp(2j * np.pi * PHASE_HZ * (middle_s - alignment.delay_s))
    return TakeSign(phasors, alignment.polarity, alignment.polarity_sureness)


def _rounded(milliseconds: float) -> float:
    return round(milliseconds, DELAY_DIGITS) + 0.0
