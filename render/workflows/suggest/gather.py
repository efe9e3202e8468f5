"""Which takes of a session are fit to be measured, and what is measured of them.

The line check says what is wrong with a take and how its sources stand to each other; one more pass over those that
are fit adds the balance of the two sources.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from render.analysis.advice import TakeHum
from render.analysis.agreement import TakeSign, agree_on_polarity
from render.analysis.balance import BalanceGauge, TakeBalance
from render.analysis.boom import BoomGauge, Resonance
from render.analysis.frames import Spectra, SpectralFrames
from render.analysis.likeness import distance_db
from render.analysis.low_band import LowFrames
from render.analysis.meeting import TakeMeeting
from render.analysis.moves import median
from render.analysis.roles import guess_microphone
from render.audio.read import TakeReader
from render.engine.inspect import Inspection
from render.engine.listen import each_block
from render.engine.meet import RELIABLE_S
from render.session.takes import Take
from render.workflows.check.guitars import groups_alike
from render.workflows.check.session import CheckedTake
from render.workflows.suggest.plan import TakeEvidence

UNFIT_KINDS = ("swapped", "other-guitar")
"""Findings that are no faults and yet keep a take out."""

UNDECIDED_CASES = ("one-of-two",)
"""But these do not say of which take they are true: those that stand as the first does are measured."""

FIT_KINDS = ("hum",)
"""Faults that do not: hum is taken out of what is measured, and notches are what is advised for it."""


SURE_OF_EXCHANGE = 0.75
"""Seven to one against what the recipe, or habit, says: two signs at least."""

THROUGH_AIR_MS = 0.3
"""10 cm of air: two pickups on one guitar lie less apart, and neither of them is a microphone."""


@dataclass(frozen=True)
class Exchange:
    """How sure it is that the source taken for the microphone is the pickup, 0 to 1, and what speaks for it.

    `earlier_ms`: by so much it hears before the other; 0 where that is not known.
    """

    sureness: float
    signs: tuple[str, ...]
    earlier_ms: float

    @property
    def is_strong(self) -> bool:
        """Whether to go by it."""
        through_air = "delay" not in self.signs or self.earlier_ms >= THROUGH_AIR_MS
        return self.sureness >= SURE_OF_EXCHANGE and through_air


@dataclass(frozen=True, eq=False)
class Fit:
    """A take that is fit to be measured."""

    checked: CheckedTake
    inspection: Inspection


@dataclass(frozen=True, eq=False)
class Measured:
    """What the second pass over a take adds; resonances of either source against the other, first source first."""

    balance: TakeBalance
    booms: tuple[tuple[Resonance, ...], tuple[Resonance, ...]]
    sample_rate_hz: int


def choose_takes(takes: Sequence[CheckedTake]) -> tuple[list[Fit], list[tuple[str, str]]]:
    """Take those that are sound and of one guitar.

    Parameters
    ----------
    takes : sequence of CheckedTake

    Returns
    -------
    fit : list of Fit
        If there are several guitars, the takes of the one that has most of them; of equals the first.
    left_out : list of (str, str)
        Names of the others, and why.
    """
    fit, left_out = [], []
    for take in takes:
        why = next(
            (
                found.text if found.channel is None else f"{take.name_of(found.channel)}: {found.text}"
                for found in take.findings
                if (found.severity == "fault" and found.kind not in FIT_KINDS)
                or (
                    found.kind in UNFIT_KINDS
                    and found.severity != "note"
                    and found.case not in UNDECIDED_CASES
                )
            ),
            None,
        )
        if take.inspection is None or why is not None:
            left_out.append((take.name, why or "it cannot be read"))
        else:
            fit.append(Fit(take, take.inspection))
    fit, other_way = _one_way(fit)
    left_out += other_way
    chosen = _largest_group(fit)
    for index, one in enumerate(fit):
        if index not in chosen:
            first = fit[chosen[0]].checked.name
            nearest_db = min(
                distance_db(one.inspection.profile, fit[other].inspection.profile) for other in chosen
            )
            why = (
                f"another guitar than {first}, it seems: what its two sources have of each pitch differs by "
                f"{nearest_db:.1f} dB; it needs a recipe of its own"
            )
            left_out.append((one.checked.name, why))
    order = [take.name for take in takes]
    return [fit[index] for index in chosen], sorted(left_out, key=lambda pair: order.index(pair[0]))


def _one_way(fit: list[Fit]) -> tuple[list[Fit], list[tuple[str, str]]]:
    """Takes without those that have their tracks the other way round than the first that is in no doubt."""
    undecided = {
        one.checked.name: found
        for one in fit
        for found in one.checked.findings
        if found.case in UNDECIDED_CASES
    }
    if not undecided:
        return fit, []
    first = next((one for one in fit if one.checked.name not in undecided), fit[0]).checked.name
    same_way = undecided[first].figures if first in undecided else None
    left_out = {
        name: found.text
        for name, found in undecided.items()
        if name != first and (same_way is None or found.figures != same_way)
    }
    return [one for one in fit if one.checked.name not in left_out], list(left_out.items())


def _largest_group(fit: Sequence[Fit]) -> list[int]:
    """Takes that are near each other: the largest such group, the first of equals."""
    groups = groups_alike([one.inspection.profile for one in fit])
    return max(groups, key=len) if groups else []


def measure_take(take: Take, *, channels: tuple[int, int]) -> Measured:
    """Pass over a take once more for the balance of its sources.

    Raises
    ------
    TakeError
        If it cannot be read.
    """
    with TakeReader(take.files, channels=channels) as reader:
        rate_hz = reader.info.sample_rate_hz
        frames, low = SpectralFrames(sample_rate_hz=rate_hz), LowFrames(sample_rate_hz=rate_hz)
        balance, boom = BalanceGauge(frames, low), BoomGauge(low)

        def take_in(spectra: Spectra | None) -> None:
            if spectra is not None:
                lows = low.add(spectra)
                balance.add(spectra, lows)
                boom.add(lows)

        for block in each_block(reader):
            take_in(frames.add(block))
        take_in(frames.finish())
    return Measured(balance.result(), (boom.result(source=0), boom.result(source=1)), rate_hz)


def measure_takes(fit: Sequence[Fit], *, channels: tuple[int, int]) -> list[TakeEvidence]:
    """Evidence of takes, the pickup as first source.

    Parameters
    ----------
    fit : sequence of Fit
    channels : two ints
        Tracks of the pickup and of the microphone.

    Raises
    ------
    TakeError
        If a take cannot be read any more.
    """
    signs = agree_on_polarity([_sign(one.inspection) for one in fit])
    evidence = []
    for one, sign in zip(fit, signs, strict=True):
        turned = one.checked.channels != channels
        measured = measure_take(one.checked.take, channels=channels)
        hums = [
            TakeHum(one.checked.name, source.hum, source.noise.playing_dbfs)
            for source in one.inspection.sources
        ]
        evidence.append(
            TakeEvidence(
                name=one.checked.name,
                balance=measured.balance,
                hum=(hums[1], hums[0]) if turned else (hums[0], hums[1]),
                resonances=measured.booms[1],
                pickup_resonances=measured.booms[0],
                meeting=_meeting(one.inspection, sign, turned=turned),
                sample_rate_hz=measured.sample_rate_hz,
            )
        )
    return evidence


def exchange_of(fit: Sequence[Fit], takes: Sequence[TakeEvidence], *, channels: tuple[int, int]) -> Exchange:
    """Whether pickup and microphone are taken for each other: by what most takes say, each weighing its own signs.

    Parameters
    ----------
    fit : sequence of Fit
    takes : sequence of TakeEvidence
        Of the same takes.
    channels : two ints
        Tracks of the supposed pickup and microphone.
    """
    signed, signs = [], set()
    for one, take in zip(fit, takes, strict=True):
        turned = one.checked.channels != channels
        own, other = take.pickup_resonances, take.resonances
        delay_s = one.inspection.alignment.delay_s
        role = guess_microphone(
            noise=[source.noise for source in one.inspection.sources],
            resonances=(other, own) if turned else (own, other),
            ends=one.inspection.ends,
            delay_ms=None if delay_s is None else 1000.0 * delay_s,
        )
        supposed = 0 if turned else 1
        signed.append(0.0 if role.microphone in (None, supposed) else role.sureness)
        if role.microphone not in (None, supposed):
            signs |= {found.sign for found in role.evidence if found.source == role.microphone}
    delays_ms = [take.meeting.delay_ms for take in takes if take.meeting is not None]
    earlier_ms = max(-median(delays_ms), 0.0) if delays_ms else 0.0
    return Exchange(median(signed), tuple(sorted(signs)), earlier_ms)


def _sign(inspection: Inspection) -> TakeSign:
    alignment = inspection.alignment
    return TakeSign(alignment.phasors, alignment.polarity, alignment.polarity_sureness)


def _meeting(inspection: Inspection, sign: int | None, *, turned: bool) -> TakeMeeting | None:
    """Delay and polarity of the microphone against the pickup, if the take tells them."""
    alignment = inspection.alignment
    if alignment.delay_s is None or alignment.uncertainty_s is None or alignment.uncertainty_s > RELIABLE_S:
        return None
    delay_ms = (-1000.0 if turned else 1000.0) * alignment.delay_s
    return TakeMeeting(delay_ms, 1000.0 * alignment.uncertainty_s, sign)
