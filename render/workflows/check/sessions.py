"""What is found on a take when it is held against the others of its session: another guitar, channels exchanged."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from render.analysis.likeness import FEWEST_TAKES, compare_takes
from render.engine.inspect import Inspection
from render.engine.meet import RELIABLE_S
from render.workflows.check.findings import Finding

OUT_OF_LINE_MS = 1.0
"""A microphone that was moved within the body changes this by some tenths."""

SCATTERED_MS = 0.2


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
                    # several takes on a second guitar are no mistake
                    "note" if like.fellows else "warning",
                    f"another guitar than in {'most' if like.fellows else 'the other'} takes, it seems: "
                    f"{like.nearest_db:.1f} dB from the nearest; {like.usual_db:.1f} dB is usual here",
                    "another guitar, or another setting of its preamp? Then it needs a recipe of its own",
                    figures=figures,
                )
            )
    for index, late in _out_of_line(inspections):
        if not any(finding.kind == "swapped" for finding in found[index]):
            found[index].append(late)
    return found


def _out_of_line(inspections: Sequence[Inspection | None]) -> list[tuple[int, Finding]]:
    """Takes whose sources lie apart by another time than those of the other takes."""
    known = [
        (index, 1000.0 * it.alignment.delay_s, 1000.0 * it.alignment.uncertainty_s)
        for index, it in enumerate(inspections)
        if it is not None
        and it.alignment.delay_s is not None
        and it.alignment.uncertainty_s is not None
        and it.alignment.uncertainty_s <= RELIABLE_S
    ]
    if len(known) < FEWEST_TAKES:
        return []
    middle_ms = statistics.median(delay_ms for _, delay_ms, _ in known)
    usual_ms = statistics.median(abs(delay_ms - middle_ms) for _, delay_ms, _ in known)
    if usual_ms > SCATTERED_MS:  # two recorders, started by hand for every take
        return []
    return [
        (
            index,
            Finding(
                "drift",
                "warning",
                f"the second source comes {abs(delay_ms - middle_ms):.2f} ms "
                f"{'later' if delay_ms > middle_ms else 'earlier'} than in the other takes",
                "another place of the microphone, or a track that was moved: align this take by itself, "
                'delay_ms = "auto" does it',
                figures={"against_others_ms": round(delay_ms - middle_ms, 3)},
            ),
        )
        for index, delay_ms, uncertainty_ms in known
        if abs(delay_ms - middle_ms) > max(OUT_OF_LINE_MS, 2.0 * uncertainty_ms)
        and _is_steady(inspections[index])
    ]


def _is_steady(inspection: Inspection | None) -> bool:
    """Whether its delay is one; a drift or a jump is told by the take itself."""
    steadiness = None if inspection is None else inspection.alignment.steadiness
    return steadiness is not None and not steadiness.drifting and steadiness.jump_s is None


def _finite(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None
