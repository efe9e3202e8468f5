"""A source that is gone for part of a take: what is told of it, and what only follows from it."""

from __future__ import annotations

from render.analysis.absence import Absence
from render.analysis.likeness import NO_SOUND
from render.engine.inspect import Inspection
from render.units import clock
from render.workflows.check.findings import Finding

EDGE_S = 0.3
"""A plug that slips out clicks where it does; so near to an edge of the absence that is no click of its own."""

FOLLOWING_KINDS = ("hum", "noise", "level")
"""An open cable hums and hisses."""


def find_absent(
    inspection: Inspection, *, names: tuple[str, str], channels: tuple[int, int]
) -> list[Finding]:
    """Sources that go, or come late, while the other plays on; names and channels of both."""
    return [
        Finding(
            "dead-source",
            "fault",
            _words(absence, other=names[1 - absence.source], duration_s=inspection.duration_s)
            + ("; hum or hiss is left" if _is_something_left(inspection, absence) else ""),
            "look at its cable, plug and battery, and use another take: a mix of this one has one source only there",
            channel=channels[absence.source],
            figures={"from_s": round(absence.from_s, 2), "to_s": round(absence.to_s, 2)},
            case="part-of-take",
        )
        for absence in inspection.absences
    ]


def without_following(findings: list[Finding]) -> list[Finding]:
    """Findings of a take without those of a source that is gone for a part of it, as far as they are its consequence.

    Clicks and gaps that all lie where it goes or comes, and its hum and noise.
    """
    edges_s: dict[int | None, list[float]] = {}
    for finding in findings:
        if finding.case == "part-of-take":
            moments = (finding.figures["from_s"], finding.figures["to_s"])
            edges_s.setdefault(finding.channel, []).extend(it for it in moments if isinstance(it, float))
    return [
        finding
        for finding in findings
        if finding.channel not in edges_s
        or not (finding.kind in FOLLOWING_KINDS or _lies_at(finding, edges_s[finding.channel]))
    ]


def _lies_at(finding: Finding, edges_s: list[float]) -> bool:
    """Whether it has places, and all of them are at an edge."""
    return bool(finding.places_s) and all(
        any(abs(place - edge) <= EDGE_S for edge in edges_s) for place in finding.places_s
    )


def _words(absence: Absence, *, other: str, duration_s: float) -> str:
    from_text, to_text = clock(absence.from_s), clock(min(absence.to_s, duration_s))
    if absence.goes and absence.comes:
        return f"is silent from {from_text} to {to_text}, while {other} plays on"
    if absence.goes:
        return f"goes silent at {from_text} and does not come back, while {other} plays on"
    return f"is silent until {to_text}, while {other} plays already"


def _is_something_left(inspection: Inspection, absence: Absence) -> bool:
    curve = inspection.curve
    steps = slice(
        round((absence.from_s + EDGE_S) / curve.step_s), round((absence.to_s - EDGE_S) / curve.step_s)
    )
    left = curve.rms_gain[steps, absence.source]
    return bool((left**2 > NO_SOUND).any())
