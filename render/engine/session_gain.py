"""One gain for all takes of a session and recipe: the loudest at target, the others keep their distance.

Sits between looking at the takes and rendering them. What an earlier run measured is taken from the ledger.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from render.engine.job import Work
from render.engine.ledger import Ledger, Line
from render.engine.mix import Passage
from render.finish.level import FinishPlan

Measure = Callable[[list[Work]], dict[int, FinishPlan]]


@dataclass(frozen=True)
class SessionGains:
    """Finds the gains of the sessions of a batch.

    Attributes
    ----------
    ledger : Ledger
    mix_identity : callable
        Of a work; under it the ledger knows a mix whatever its gain.
    session_identity : callable
        Of a work and a passage; under it the ledger knows what a session was levelled with.
    measure : callable
        Plans of some works by ``id``, each as by itself; a take that fails is marked so and left out.
    """

    ledger: Ledger
    mix_identity: Callable[[Work], str]
    session_identity: Callable[[Work, Passage], str]
    measure: Measure

    def find(self, works: Sequence[Work], passage: Passage) -> None:
        """Settle the gain of every work that is levelled by its session."""
        groups: dict[tuple[int, Path], list[Work]] = {}
        for work in works:
            if work.by_session and work.failure is None:
                groups.setdefault((id(work.job.recipe), work.job.output.parent), []).append(work)
        for group in groups.values():
            if not (group[0].job.by_itself and self._from_log(group[0], passage)):
                self._find(group)

    def _from_log(self, work: Work, passage: Passage) -> bool:
        """A take that was named by itself has the gain of its session, if that is known; of this passage at best."""
        for stretch in (passage, Passage()):
            line = self.ledger.levelled(self.session_identity(work, stretch))
            if line is not None:
                work.gain_db, work.level_set_by = line["session_gain_db"], line["level_set_by"]
                work.session_takes, work.gain_from_log = line["session_takes"], True
                return True
        return False

    def _find(self, group: list[Work]) -> None:
        """Loudness of every take as the ledger has it, else measured; then the gain of the loudest."""
        known = {id(work): self.ledger.mixed(self.mix_identity(work)) for work in group}
        plans = self.measure([work for work in group if known[id(work)] is None])
        loudness = {key: line["loudness_before_lufs"] for key, line in known.items() if line is not None}
        loudness |= {key: plan.loudness_before_lufs for key, plan in plans.items()}
        audible = [work for work in group if work.failure is None and loudness.get(id(work)) is not None]
        loudest = max(audible, key=lambda work: (loudness[id(work)], work.job.name), default=None)
        gain_db = 0.0 if loudest is None else self._gain_db(loudest, plans, known[id(loudest)])
        for work in group:
            work.gain_db = gain_db
            work.level_set_by = None if loudest is None else loudest.job.take.name
            work.session_takes = sum(other.failure is None for other in group)

    def _gain_db(self, loudest: Work, plans: dict[int, FinishPlan], line: Line | None) -> float:
        """What brings the loudest take to the target, rounded as the log keeps it: the next run finds the same."""
        if line is not None and line["level_set_by"] == loudest.job.take.name:
            return float(line["session_gain_db"])
        plan = plans.get(id(loudest)) or self.measure([loudest]).get(id(loudest))
        return 0.0 if plan is None else round(plan.gain_db, 6)
