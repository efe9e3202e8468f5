"""What is found on a take when it is held against the others of its session: another guitar, channels exchanged."""

from __future__ import annotations

import math
from collections.abc import Sequence

from render.analysis.likeness import compare_takes
from render.engine.inspect import Inspection
from render.workflows.check.findings import Finding


def findings_of_session(inspections: Sequence[Inspection | None]) -> list[list[Finding]]:
    """What sets takes apart from the rest of their session.

    Parameters
    ----------
    inspections : sequence of Inspection or None
        Of the takes of one folder; None for one that could not be read.

    Returns
    -------
    list of lists of Finding
        One list a take, in the same order.
    """
    there = [
        (index, inspection)
        for index, inspection in enumerate(inspections)
        if inspection is not None and not any(source.life.dead for source in inspection.sources)
    ]
    found: list[list[Finding]] = [[] for _ in inspections]
    for (index, _), like in zip(there, compare_takes([it.profile for _, it in there]), strict=True):
        figures = {
            "distance_db": _finite(like.nearest_db),
            "usual_distance_db": _finite(like.usual_db),
            "sureness": like.sureness,
        }
        if like.mirrored:
            found[index].append(
                Finding(
                    "swapped",
                    "warning",
                    f"the two channels are probably exchanged: the other way round this take is like the others "
                    f"(sure to {100 * like.sureness:.0f} %)",
                    "look at the plugs; exchange the two channel numbers in a copy of the recipe for this take",
                    figures=figures,
                )
            )
        elif like.other_guitar:
            found[index].append(
                Finding(
                    "other-guitar",
                    "warning",
                    f"this take does not sound like the others: its sources stand {like.nearest_db:.1f} dB apart from "
                    f"those of any other take, where {like.usual_db:.1f} dB is usual here",
                    "another guitar, or another setting of its preamp? Then it needs a recipe of its own",
                    figures=figures,
                )
            )
    return found


def _finite(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None
