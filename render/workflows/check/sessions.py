"""What is found on a take when it is held against the others of its session: another guitar, channels exchanged."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from render.analysis.likeness import FEWEST_TAKES, Likeness, compare_takes, far_among
from render.engine.inspect import Inspection
from render.engine.meet import RELIABLE_S
from render.engine.opposite import compare_with_usual
from render.workflows.check.findings import Finding, listed, percent
from render.workflows.check.takes import has_two_sources
from render.workflows.check.two_ways import Sided, other_way_round

OUT_OF_LINE_MS = 1.0
"""A microphone that was moved within the body changes this by some tenths."""

SCATTERED_MS = 0.2

SURE_BY_DELAY = 0.8
"""Sureness of a swap that delay and spectra both tell, and neither alone surely."""


def findings_of_session(
    inspections: Sequence[Inspection | None],
    *,
    names: Sequence[str],
    sources: tuple[str, str] = ("channel 1", "channel 2"),
) -> list[list[Finding]]:
    """What sets takes apart from the rest of their session.

    Parameters
    ----------
    inspections : sequence of Inspection or None
        Of the takes of one folder; None for one that could not be read.
    names : sequence of str
        What the takes are called.
    sources : two str
        What the sources are called.

    Returns
    -------
    list of lists of Finding
        One list a take, in the same order.
    """
    two_sourced = [None if it is None or not has_two_sources(it) else it for it in inspections]
    there = [(index, inspection) for index, inspection in enumerate(two_sourced) if inspection is not None]
    found: list[list[Finding]] = [[] for _ in inspections]
    likenesses = compare_takes([it.profile for _, it in there])
    turned = _turned_delays(two_sourced)
    for (index, _), like in zip(there, likenesses, strict=True):
        finding = _of_take(like, turned.get(index), far=far_among(max(1, len(there) - 1)))
        if finding is not None:
            found[index].append(finding)
    if not any(finding.kind == "swapped" for of_take in found for finding in of_take):
        for index, finding in _two_ways(two_sourced, names):
            found[index].append(finding)
    for index, late in _out_of_line(two_sourced, sources[1]):
        if not found[
            index
        ]:  # another guitar has another delay, an exchanged take that of the others turned over
            found[index].append(late)
    return found


def _of_take(like: Likeness, turned: bool | None, *, far: float) -> Finding | None:
    """Another guitar or a swap.

    `turned`: whether the delay between the sources is that of the other takes turned over (True) or theirs (False);
    None where it does not tell. `far`: no take of this guitar is farther from all others.
    """
    figures = {
        "distance_db": _finite(like.nearest_db),
        "usual_distance_db": _finite(like.usual_db),
        "sureness": like.sureness,
    }
    by_spectra = like.mirrored and turned is not False
    # the other way round it comes nearer, and near enough: what flat ratios leave open the delay settles
    by_delay = turned is True and like.crossed < min(far, like.apart)
    if by_spectra or by_delay:
        sureness = max(like.sureness if by_spectra else 0.0, SURE_BY_DELAY if by_delay else 0.0)
        return Finding(
            "swapped",
            "warning",
            f"the two channels are probably exchanged: the other way round this take is like the others "
            f"(sure to {percent(sureness)})",
            "look at the plugs; exchange the two channel numbers in a copy of the recipe for this take",
            figures=figures | {"sureness": sureness},
            case="against-session",
        )
    if like.other_guitar or like.mirrored:
        return Finding(
            "other-guitar",
            # several takes on a second guitar are no mistake
            "note" if like.fellows else "warning",
            f"another guitar than in {'most' if like.fellows else 'the other'} takes, it seems: what its two sources "
            f"have of each pitch differs by {like.nearest_db:.1f} dB from the nearest take "
            f"({like.usual_db:.1f} dB is usual here)",
            "another guitar, or another setting of its preamp? Then it needs a recipe of its own",
            figures=figures,
            case="several-takes" if like.fellows else "one-take",
        )
    return None


def _two_ways(inspections: Sequence[Inspection | None], names: Sequence[str]) -> list[tuple[int, Finding]]:
    """Takes that are the other way round than as many others: which of them are wrong cannot be known from here."""
    delays = {
        index: (delay_ms, uncertainty_ms) for index, delay_ms, uncertainty_ms in _known_delays(inspections)
    }
    there = [(index, it.profile) for index, it in enumerate(inspections) if it is not None]
    ways = other_way_round([Sided(profile, *delays.get(index, ())) for index, profile in there])
    found = []
    for (index, _), others in zip(there, ways, strict=True):
        against = [names[there[at][0]] for at in others]
        if against:
            found.append((index, _one_of_two(against)))
    return found


def _one_of_two(against: list[str]) -> Finding:
    return Finding(
        "swapped",
        "warning",
        f"the two channels are the other way round than in {listed(against)}: here or there they are exchanged",
        "listen to channel 1 of both: a pickup sounds near and dry, a microphone has the body, the room and more "
        "hiss; then exchange the channel numbers in a copy of the recipe for the takes that have it wrong",
        figures={"against_takes": against},
        case="one-of-two",
    )


def _known_delays(inspections: Sequence[Inspection | None]) -> list[tuple[int, float, float]]:
    """Of takes whose delay is reliable: their index, delay and uncertainty in ms."""
    return [
        (index, 1000.0 * it.alignment.delay_s, 1000.0 * it.alignment.uncertainty_s)
        for index, it in enumerate(inspections)
        if it is not None
        and it.alignment.delay_s is not None
        and it.alignment.uncertainty_s is not None
        and it.alignment.uncertainty_s <= RELIABLE_S
    ]


def _turned_delays(inspections: Sequence[Inspection | None]) -> dict[int, bool]:
    """Takes whose delay is that of most others turned over, or theirs; those that are neither are left out."""
    known = _known_delays(inspections)
    turned = {}
    for index, delay_ms, uncertainty_ms in known:
        others_ms = [other_ms for other, other_ms, _ in known if other != index]
        usual = compare_with_usual(delay_ms, uncertainty_ms, others_ms)
        if usual is not None:
            turned[index] = usual.opposite
    return turned


def _out_of_line(inspections: Sequence[Inspection | None], second: str) -> list[tuple[int, Finding]]:
    """Takes whose sources lie apart by another time than those of the other takes."""
    known = _known_delays(inspections)
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
                f"{second} comes {abs(delay_ms - middle_ms):.2f} ms "
                f"{'later' if delay_ms > middle_ms else 'earlier'} than in the other takes",
                "another place of the microphone, or a track that was moved: align this take by itself, "
                'delay_ms = "auto" does it',
                figures={"against_others_ms": round(delay_ms - middle_ms, 3)},
                case="moved",
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
