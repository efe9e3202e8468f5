"""Whether the two sources of a take keep together: clocks that run apart, a piece that one of them has lost."""

from __future__ import annotations

from render.engine.inspect import Inspection
from render.units import clock
from render.workflows.check.findings import Finding

GREAT_DRIFT_MS = 1.0
"""Sources that slide past each other by more than this in a take are heard to smear at its beginning or its end."""

JUMP_NEAR_S = 4.0
"""A delay is followed in stretches of some seconds; a click within this of a jump is the place itself."""

TALK_NEAR_S = 8.0
"""A voice before or after the playing reaches the sources at other times: so near to it a jump that nobody hears is not
told."""


def find_drift(inspection: Inspection, names: tuple[str, str]) -> list[Finding]:
    """What is found on how the sources keep together; `names` of the two."""
    steadiness = inspection.alignment.steadiness
    found = []
    if steadiness.drifting and steadiness.drift_ppm is not None:
        moved_ms = abs(steadiness.drift_ppm) * 1e-3 * inspection.duration_s
        later = "later" if steadiness.drift_ppm > 0.0 else "earlier"
        found.append(
            Finding(
                "drift",
                "fault" if moved_ms > GREAT_DRIFT_MS else "warning",
                f"{names[1]} gets {later} against {names[0]}, by {abs(steadiness.drift_ppm):.1f} parts per million, "
                f"{moved_ms:.2f} ms over the take: two recorders that do not run alike",
                "record both sources on one recorder, or on two that share a clock",
                figures={
                    "drift_ppm": round(steadiness.drift_ppm, 2),
                    "drift_uncertainty_ppm": None
                    if steadiness.drift_uncertainty_ppm is None
                    else round(steadiness.drift_uncertainty_ppm, 2),
                    "moved_ms": round(moved_ms, 3),
                },
                case="clocks",
            )
        )
    if steadiness.jump_s is not None and steadiness.jump_at_s is not None:
        heard_s = _heard_near(inspection, steadiness.jump_at_s)
        if heard_s is None and _is_talk_near(inspection, steadiness.jump_at_s):
            return found
        place_s = steadiness.jump_at_s if heard_s is None else heard_s
        where = f"{'near' if heard_s is None else 'at'} {clock(place_s)}"
        found.append(
            Finding(
                "drift",
                "fault",
                f"{names[1]} jumps against {names[0]} by {1000 * steadiness.jump_s:+.2f} ms {where}: "
                "one of the two tracks has lost a piece",
                "use another take, or cut this one in two there",
                figures={"jump_ms": round(1000 * steadiness.jump_s, 3)},
                places_s=(round(place_s, 3),),
                case="jump",
            )
        )
    return found


def _is_talk_near(inspection: Inspection, jump_at_s: float) -> bool:
    """Whether somebody talks near a jump of the delay."""
    return any(
        part.kind == "talk" and part.from_s - TALK_NEAR_S <= jump_at_s <= part.to_s + TALK_NEAR_S
        for part in inspection.ends.parts
    )


def _heard_near(inspection: Inspection, jump_at_s: float) -> float | None:
    """The loudest click near a jump of the delay: where the piece is missing."""
    rate_hz = inspection.info.sample_rate_hz
    near = [
        (height, place / rate_hz)
        for source in inspection.sources
        for place, height in zip(source.clicks.places, source.clicks.heights, strict=True)
        if abs(place / rate_hz - jump_at_s) <= JUMP_NEAR_S
    ]
    return max(near)[1] if near else None
