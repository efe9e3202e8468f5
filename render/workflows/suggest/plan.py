"""From what was measured to what a recipe should say: moves put into chains, each with a word why.

A fresh recipe is one that begins with empty chains. One that begins with another recipe keeps that recipe's stages and
gets only what this guitar needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from render.analysis.advice import (
    HumNotch,
    SideLevel,
    SourceHum,
    TakeHum,
    find_hum,
    find_hum_notches,
    find_side_level,
)
from render.analysis.balance import TakeBalance
from render.analysis.boom import Resonance
from render.analysis.edge import Edge, find_edge
from render.analysis.guitar import Guitar, combine_takes
from render.analysis.low_fit import TOLERANCE_DB, LowBand, fit_low_band, low_band_as_it_is
from render.analysis.lowest_note import STANDARD_LOWEST_HZ, find_lowest_note_hz, high_pass_below_hz
from render.analysis.meeting import Meeting, TakeMeeting, find_meeting
from render.analysis.moves import (
    DEFAULT_WIDTH_DB,
    EDGE_HZ,
    RESONANCE_HZ,
    SHELF_HZ,
    HighPassMove,
    merge_resonances,
)
from render.audio.array import Reals
from render.engine.respond import chain_power, power_response
from render.recipe.models import AllPass, HighPass, LowShelf, Notch, Peaking, Recipe, Source, Stage
from render.units import db_from_power
from render.workflows.check.sources import HUM_HEARD_DB
from render.workflows.suggest import words
from render.workflows.suggest.chains import Placed, kept, put_in, stage_of
from render.workflows.suggest.placing import Roles, ways

NOTE_LOSS_DB = 1.0
"""A high-pass that takes more off the lowest note is moved; less is a matter of taste."""

EDGE_APART_DB = 1.5
"""A cut that another recipe has there already stays if it is within this of what this guitar needs."""

SAME_DELAY_MS = 0.05
SAME_HUM_HZ = 1.0
PICKUP_SLOPE = 24
"""Half an octave below a note it takes 0.26 dB off it; 12 dB per octave would take 1 dB."""

RUMBLE_SLOPE = 12


@dataclass(frozen=True, eq=False)
class TakeEvidence:
    """What is needed of one take: the pickup as first source, the microphone as second."""

    name: str
    balance: TakeBalance
    hum: tuple[TakeHum, TakeHum]
    resonances: tuple[Resonance, ...]
    pickup_resonances: tuple[Resonance, ...]
    meeting: TakeMeeting | None
    sample_rate_hz: int


@dataclass(frozen=True)
class SourcePlan:
    """What one source of the recipe should say; `words` by key, for the keys that were measured."""

    name: str
    chain: tuple[Placed, ...]
    gain_db: float
    polarity: str
    delay_ms: float | str
    words: dict[str, str]

    @property
    def chain_changed(self) -> bool:
        """Whether the chain is another than that of the recipe it began with."""
        return any(not placed.is_kept for placed in self.chain) or "chain" in self.words


@dataclass(frozen=True, eq=False)
class Plan:
    """What was found in a guitar's takes, and what its recipe should say, source by source as in the base recipe.

    `hum` and `hum_found`: of pickup and microphone; the notches are in the chains if that hum is common.
    """

    guitar: Guitar
    roles: Roles
    sources: tuple[SourcePlan, SourcePlan]
    lowest_note_hz: float | None
    resonances: tuple[Resonance, ...]
    low: LowBand
    edge: Edge
    hum: tuple[tuple[HumNotch, ...], tuple[HumNotch, ...]]
    hum_found: tuple[SourceHum, SourceHum]
    meeting: Meeting
    level: SideLevel | None
    width_db: float
    pickup_power: Reals
    microphone_power: Reals


def make_plan(
    takes: Sequence[TakeEvidence], *, base: Recipe, roles: Roles, width_db: float | None, fresh: bool
) -> Plan:
    """Find what the recipe of a guitar should say.

    Parameters
    ----------
    takes : sequence of TakeEvidence
        Those that are fit to be measured.
    base : Recipe
        What to begin with.
    roles : Roles
        Which of its sources is the pickup, which the microphone.
    width_db : float or None
        Side against mid; None: the default.
    fresh : bool
        Whether the base has nothing of its own to keep.

    Raises
    ------
    UnfitError
        If nothing can be measured.
    """
    hum_hz = [[line.frequency_hz for one in take.hum for line in one.hum.lines] for take in takes]
    guitar = combine_takes([take.balance for take in takes], hum_hz=hum_hz)
    resonances = merge_resonances([take.resonances for take in takes])
    note_hz = find_lowest_note_hz(guitar)
    edge = find_edge(guitar)
    pickup, microphone = (base.sources[name] for name in roles.names)
    pickup_chain = _pickup_chain(pickup.chain, note_hz, edge, fresh=fresh)
    low, microphone_chain = _microphone_chain(microphone.chain, guitar, resonances, note_hz, fresh=fresh)
    chains = [pickup_chain, microphone_chain]
    hum = [find_hum([take.hum[source] for take in takes], heard_db=HUM_HEARD_DB) for source in (0, 1)]
    notches = [_hum_notches(found, chain, note_hz) for found, chain in zip(hum, chains, strict=True)]
    for source in (0, 1):
        if hum[source].common:
            chains[source] = _with_notches(chains[source], notches[source])
    powers = [chain_power([placed.stage for placed in chain]) for chain in chains]
    wanted_db = DEFAULT_WIDTH_DB if width_db is None else width_db
    level = _level(guitar, base, roles, powers, wanted_db)
    meeting = find_meeting([take.meeting for take in takes])
    plans = [
        _source_plan(
            name, tuple(chain), base=base, roles=roles, level=level, meeting=meeting, width_db=wanted_db
        )
        for name, chain in zip(roles.names, chains, strict=True)
    ]
    in_order = sorted(plans, key=lambda plan: list(base.sources).index(plan.name))
    return Plan(
        guitar=guitar, roles=roles, sources=(in_order[0], in_order[1]), lowest_note_hz=note_hz,
        resonances=tuple(resonances), low=low, edge=edge, hum=(notches[0], notches[1]), hum_found=(hum[0], hum[1]),
        meeting=meeting, level=level,
        width_db=wanted_db,
        pickup_power=powers[0], microphone_power=powers[1],
    )  # fmt: skip


def _pickup_chain(chain: Sequence[Stage], note_hz: float | None, edge: Edge, *, fresh: bool) -> list[Placed]:
    """Its high-pass under the lowest note, its edge tamed; other stages as they are."""
    lowest_hz = note_hz or STANDARD_LOWEST_HZ
    placed = kept(chain)
    passes = [stage for stage in chain if isinstance(stage, HighPass)]
    loss_db = -db_from_power(float(chain_power(passes, np.array([lowest_hz]))[0]))
    if fresh or not passes or (note_hz is not None and loss_db > NOTE_LOSS_DB):
        move = HighPassMove(high_pass_below_hz(lowest_hz), PICKUP_SLOPE)
        why = words.pickup_high_pass(note_hz, before_db=loss_db if passes else None)
        placed = put_in(placed, [Placed(stage_of(move), why)], only=_is_high_pass)
    if edge.cut is None:
        return placed
    tamed = [stage for stage in chain if isinstance(stage, Peaking) and _in_edge(stage)]
    there_db = db_from_power(float(chain_power(tamed, np.array([edge.at_hz]))[0]))
    if there_db > edge.cut.gain_db + EDGE_APART_DB:
        ours = Placed(stage_of(edge.cut), words.edge_cut(edge))
        placed = put_in(placed, [ours], only=_in_edge, otherwise_last=True)
    return placed


def _microphone_chain(
    chain: Sequence[Stage],
    guitar: Guitar,
    resonances: Sequence[Resonance],
    note_hz: float | None,
    *,
    fresh: bool,
) -> tuple[LowBand, list[Placed]]:
    """Its low band brought to the pickup's balance; a recipe that does so already is left as it is."""
    placed = kept(chain)
    passes = [stage for stage in chain if isinstance(stage, HighPass)]
    as_it_is = low_band_as_it_is(guitar, response=chain_power(chain))
    if not fresh and passes and as_it_is.worst_after_db <= TOLERANCE_DB:
        return as_it_is, placed
    rest = [stage for stage in chain if not _is_low_move(stage)]
    base = HighPassMove(high_pass_below_hz(note_hz or STANDARD_LOWEST_HZ), RUMBLE_SLOPE)
    if passes:
        base = HighPassMove(passes[0].cutoff_hz, passes[0].slope_db_per_octave)
    low = fit_low_band(
        guitar, resonances=resonances, respond=power_response, base_high_pass=base, fixed=chain_power(rest)
    )
    ours: list[Placed] = []
    if low.high_pass is not None:
        same = passes and low.high_pass == base
        why = "" if same else words.microphone_high_pass(low, base=base)
        ours.append(Placed(stage_of(low.high_pass), why, is_kept=bool(same)))
    for cut, resonance in zip(low.cuts, low.resonances, strict=True):
        ours.append(Placed(stage_of(cut), words.resonance_cut(low, cut, resonance)))
    if low.shelf is not None:
        ours.append(Placed(stage_of(low.shelf), words.shelf()))
    return low, put_in(placed, ours, only=_is_low_move)


def _is_low_move(stage: Stage) -> bool:
    """Whether a stage does what we set anew: high-pass, low shelf down, cuts where bodies resonate."""
    match stage:
        case HighPass():
            return True
        case LowShelf():
            return stage.gain_db < 0.0 and stage.corner_hz <= SHELF_HZ[1]
        case Peaking():
            return stage.gain_db < 0.0 and RESONANCE_HZ[0] <= stage.centre_hz <= RESONANCE_HZ[1]
        case _:
            return False


def _is_high_pass(stage: Stage) -> bool:
    return isinstance(stage, HighPass)


def _in_edge(stage: Stage) -> bool:
    return isinstance(stage, Peaking) and stage.gain_db < 0.0 and EDGE_HZ[0] <= stage.centre_hz <= EDGE_HZ[1]


def _hum_notches(found: SourceHum, chain: Sequence[Placed], note_hz: float | None) -> tuple[HumNotch, ...]:
    """Notches for hum that is heard, in however many takes."""
    if not found.heard:
        return ()
    return find_hum_notches(
        found.hum,
        playing_dbfs=found.playing_dbfs,
        lowest_note_hz=note_hz or STANDARD_LOWEST_HZ,
        chain=chain_power([placed.stage for placed in chain]),
        respond=power_response,
    )


def _with_notches(chain: list[Placed], notches: Sequence[HumNotch]) -> list[Placed]:
    """Notches first in the chain, but for lines that have one already."""
    there = [placed.stage.centre_hz for placed in chain if isinstance(placed.stage, Notch)]
    new = [
        Placed(stage_of(found.notch), words.hum_notch(found))
        for found in notches
        if all(abs(found.notch.centre_hz - hz) > SAME_HUM_HZ for hz in there)
    ]
    return [*new, *chain]


def _level(
    guitar: Guitar,
    base: Recipe,
    roles: Roles,
    powers: Sequence[Reals],
    width_db: float,
) -> SideLevel | None:
    """Gain of the side source; None where the sources do not stand in the middle and at the side."""
    if roles.side is None or base.stereo.side_gain_db == "off":
        return None
    mid, side = ways(base, chain_powers=dict(zip(roles.names, powers, strict=True)), roles=roles)
    return find_side_level(
        guitar, width_db=width_db, mid=mid, side=side, mid_source=1 - roles.names.index(roles.side)
    )


def _source_plan(
    name: str,
    chain: tuple[Placed, ...],
    *,
    base: Recipe,
    roles: Roles,
    level: SideLevel | None,
    meeting: Meeting,
    width_db: float,
) -> SourcePlan:
    """Chain, level, polarity and delay of one source."""
    source = base.sources[name]
    told: dict[str, str] = {}
    gain_db = source.gain_db
    if level is not None and name == roles.side:
        gain_db = level.gain_db
        told["gain_db"] = words.side_gain(level, width_db)
    delay_ms: float | str = source.delay_ms
    polarity: str = source.polarity
    if name == roles.mover(base) and base.auto_source is None and not _turns_phase(base):
        delay_ms, polarity = _meeting_of(source, base, roles, meeting)
        if delay_ms != source.delay_ms:
            told["delay_ms"] = words.delay(meeting, microphone=roles.names[1], mover=name)
        if polarity != source.polarity:
            told["polarity"] = words.polarity(meeting)
    if len(chain) != len(source.chain):
        told["chain"] = ""
    return SourcePlan(name, chain, gain_db, polarity, delay_ms, told)


def _turns_phase(base: Recipe) -> bool:
    """Whether a recipe sets the phases of its sources against each other on purpose."""
    return any(isinstance(stage, AllPass) for source in base.sources.values() for stage in source.chain)


def _meeting_of(source: Source, base: Recipe, roles: Roles, meeting: Meeting) -> tuple[float | str, str]:
    """Delay and polarity of the source that is moved; as they are where they fit or nothing is known."""
    name = roles.mover(base)
    other = base.sources[next(other for other in roles.names if other != name)]
    delay_ms: float | str = source.delay_ms
    if meeting.delay_ms == "auto":
        delay_ms = "auto"
    elif meeting.delay_ms is not None:
        sense = -1.0 if name == roles.names[1] else 1.0
        wanted_ms = other.own_delay_ms + sense * meeting.delay_ms + 0.0
        if abs(wanted_ms - source.own_delay_ms) > SAME_DELAY_MS:
            delay_ms = round(wanted_ms, 2)
    if meeting.measured == 0:
        return delay_ms, source.polarity
    if meeting.polarity == "auto":
        return delay_ms, "auto"
    turned = (source.polarity == "flip") != (other.polarity == "flip")
    if turned == (meeting.polarity == "flip") or not meeting.polarity_known:
        return delay_ms, source.polarity
    return delay_ms, "keep" if source.polarity == "flip" else "flip"
