"""What was found and planned, in words for a screen and as plain values for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence

from render.analysis.advice import HumNotch, SourceHum
from render.analysis.low_fit import TOLERANCE_DB, LowBand
from render.analysis.lowest_note import note_name
from render.audio.array import Reals
from render.units import db_from_power, length_words
from render.workflows.suggest import words
from render.workflows.suggest.plan import Plan, SourcePlan
from render.workflows.suggest.recipe_text import Told

FAR_OFF_DB = 2.0 * TOLERANCE_DB
"""A third octave over the pickup's by more wants another place of the microphone; less, and a cut by hand does."""


def told_lines(plan: Plan, told: Told) -> list[str]:
    """The moves in words a player reads, source by source."""
    found = len(told.takes) + len(told.left_out)
    lines = [f"measured from {len(told.takes)} of {found} takes, {length_words(told.sound_s)} of sound"]
    lines += [f"  left out: {name}: {why}" for name, why in told.left_out]
    lines += [f"  {remark}" for remark in told.remarks]
    for source in plan.sources:
        role = plan.roles.names.index(source.name)
        changes = _changes(source)
        lines.append(f"{source.name}:" if changes else f"{source.name}: nothing to change")
        lines += [f"  {change}" for change in changes]
        if hum := words.hum_found(plan.hum_found[role], plan.hum[role]):
            spare = plan.hum[role] and not plan.hum_found[role].common
            lines.append(f"  {hum}" + ("; the recipe has them as comments, for those takes" if spare else ""))
    return lines + _verdict(plan)


def _changes(source: SourcePlan) -> list[str]:
    """Each stage and each key of ours with its reason."""
    found = []
    for placed in source.chain:
        if placed.is_kept:
            continue
        values = placed.stage.model_dump(exclude={"stage"})
        numbers = ", ".join(f"{_value(key, value)}" for key, value in values.items())
        found.append(f"{placed.stage.stage} {numbers}: {placed.words}")
    for key, unit in (("gain_db", " dB"), ("delay_ms", " ms"), ("polarity", "")):
        if key in source.words:
            value = getattr(source, key)
            shown = f"{value:g}{unit}" if isinstance(value, float) else str(value)
            found.append(f"{key.split('_')[0]} {shown}: {source.words[key]}")
    return found


def _value(key: str, value: object) -> str:
    for ending, unit in (("_hz", "Hz"), ("_db_per_octave", "dB per octave"), ("_db", "dB")):
        if key.endswith(ending):
            return f"{value:g} {unit}" if isinstance(value, float | int) else f"{value}"
    return f"{key} {value:g}" if isinstance(value, float | int) else f"{key} {value}"


def low_lines(low: LowBand, names: tuple[str, str]) -> list[str]:
    """How far the low band has come, and what to do about the rest; `names` of pickup and microphone."""
    lines = []
    pickup, microphone = names
    if low.low_before_db is not None and low.low_after_db is not None:
        lines.append(
            f"lows of {microphone} against {pickup}: {words.level(low.low_before_db)} dB as captured, "
            f"{words.level(low.low_after_db)} dB with this recipe"
        )
        if over := words.still_over(low):
            lines.append(f"  still more than {TOLERANCE_DB:g} dB over the pickup's: {over}")
        if low.low_after_db > TOLERANCE_DB or low.worst_after_db > FAR_OFF_DB:
            lines.append(
                "  moves of ordinary size do not reach that far: try another place for the microphone"
            )
        elif over:
            lines.append("  if you hear it boom there, cut a little deeper by hand")
    return lines


def _verdict(plan: Plan) -> list[str]:
    lines = low_lines(plan.low, plan.roles.names)
    if plan.level is None:
        lines.append("the sources do not stand in the middle and at the side: levels are as they were")
    if plan.meeting.measured == 0:
        lines.append("delay and polarity could not be measured: left as they were")
    return lines


def plan_as_dict(plan: Plan) -> dict[str, object]:
    """Figures and moves as plain values; what does not exist is null."""
    low, level, meeting = plan.low, plan.level, plan.meeting
    return {
        "lowest_note_hz": _number(plan.lowest_note_hz, 2),
        "lowest_note": None if plan.lowest_note_hz is None else note_name(plan.lowest_note_hz),
        "low_band": {
            "before_db": _number(low.low_before_db),
            "after_db": _number(low.low_after_db),
            "thirds_hz": [round(float(hz), 1) for hz in low.thirds_hz],
            "thirds_before_db": _numbers(low.before_db),
            "thirds_after_db": _numbers(low.after_db),
        },
        "resonances": [
            {
                "frequency_hz": _number(one.frequency_hz, 1),
                "prominence_db": _number(one.prominence_db),
                "bandwidth_hz": _number(one.bandwidth_hz, 1),
                "width_at_half_hz": _number(words.width_at_half_hz(one), 1),
            }
            for one in plan.resonances
        ],
        "edge": {"stands_out_db": _number(plan.edge.stands_out_db), "at_hz": _number(plan.edge.at_hz, 0)},
        "hum": {
            name: _hum(found, notches)
            for name, found, notches in zip(plan.roles.names, plan.hum_found, plan.hum, strict=True)
        },
        "width": None
        if level is None
        else {
            "asked_db": plan.width_db,
            "side_to_mid_db": _number(level.side_to_mid_db),
            "takes_from_db": _number(level.least_db),
            "takes_to_db": _number(level.most_db),
            "limited": level.limited,
        },
        "alignment": {
            "delay_ms": meeting.delay_ms,
            "uncertainty_ms": _number(meeting.uncertainty_ms, 4),
            "polarity": meeting.polarity if meeting.polarity_known else None,
            "takes_measured": meeting.measured,
        },
        "sources": {source.name: _source(source) for source in plan.sources},
        "microphone_over_pickup_db": _number(_total_db(plan)),
    }


def _source(source: SourcePlan) -> dict[str, object]:
    return {
        "gain_db": source.gain_db,
        "polarity": source.polarity,
        "delay_ms": source.delay_ms,
        "chain": [
            {**placed.stage.model_dump(mode="json"), "kept": placed.is_kept, "why": placed.words}
            for placed in source.chain
        ],
        "why": {key: text for key, text in source.words.items() if text},
    }


def _hum(found: SourceHum, notches: Sequence[HumNotch]) -> dict[str, object] | None:
    """What was found of a source's hum; null without any."""
    if not found.takes:
        return None
    return {
        "mains_hz": found.hum.mains_hz,
        "heard": found.heard,
        "takes": [
            {
                "take": one.take,
                "hum_dbfs": _number(one.hum.level_dbfs),
                "below_playing_db": _number(one.below_db),
            }
            for one in found.takes
        ],
        "takes_measured": found.of,
        "notches_hz": [one.notch.centre_hz for one in notches],
        "in_recipe": found.common,
        "why": words.hum_found(found, notches),
    }


def _total_db(plan: Plan) -> float:
    """Microphone against pickup as captured, all frequencies, mean of the takes' powers."""
    return db_from_power(
        float(sum(take[1].sum() / take[0].sum() for take in plan.guitar.takes) / len(plan.guitar.takes))
    )


def _number(value: float | None, digits: int = 2) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, digits) + 0.0


def _numbers(values: Reals) -> list[float | None]:
    return [_number(float(value)) for value in values]
