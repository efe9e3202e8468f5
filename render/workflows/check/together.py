"""What is found on both sources and has one cause is told as one."""

from __future__ import annotations

from dataclasses import replace

from render.workflows.check.findings import KINDS, SEVERITIES, Figure, Finding

ON_BOTH = ("dropout", "click", "level")
SAME_MOMENT_S = 0.005


def told_together(findings: list[Finding], *, one_signal: bool = False) -> list[Finding]:
    """What has one cause on both tracks as one finding of the take; everything else as it is.

    Parameters
    ----------
    findings : list of Finding
        Of one take, both sources.
    one_signal : bool
        Both tracks hold the same signal: then whatever is on both is one.
    """
    told = list(findings)
    for kind in KINDS if one_signal else ON_BOTH:
        of_kind = [finding for finding in told if finding.kind == kind and finding.channel is not None]
        if len(of_kind) == 2 and (one_signal or _same_cause(*of_kind)):
            told = [finding for finding in told if finding not in of_kind]
            told.append(_joined(*of_kind))
    return told


def told_once(findings: list[Finding]) -> list[Finding]:
    """Without clicks that are all where a track has lost a piece, which is told with the jump of the delay.

    Parameters
    ----------
    findings : list of Finding
        Of one take, all of them.
    """
    lost_s = [place for finding in findings if finding.kind == "drift" for place in finding.places_s]
    return [
        finding
        for finding in findings
        if finding.kind != "click"
        or not finding.places_s
        or any(all(abs(place - lost) > SAME_MOMENT_S for lost in lost_s) for place in finding.places_s)
    ]


def _same_cause(one: Finding, other: Finding) -> bool:
    """Whether both inputs are turned up alike, or each place of one has its place of the other, and none is left."""
    if one.kind == "level":
        return one.case == other.case == "soft"
    return one.figures.get("count") == other.figures.get("count") and (
        len(one.places_s) == len(other.places_s) > 0
        and all(
            abs(first - second) <= SAME_MOMENT_S
            for first, second in zip(sorted(one.places_s), sorted(other.places_s), strict=True)
        )
    )


def _joined(one: Finding, other: Finding) -> Finding:
    """The graver of the two, on both tracks, with the larger figures."""
    graver = min(one, other, key=lambda finding: SEVERITIES.index(finding.severity))
    figures = {name: _larger(value, other.figures.get(name)) for name, value in one.figures.items()}
    return replace(graver, text=f"on both tracks {graver.text}", channel=None, figures=figures)


def _larger(one: Figure, other: Figure) -> Figure:
    if isinstance(one, int | float) and isinstance(other, int | float):
        return max(one, other)
    return one
