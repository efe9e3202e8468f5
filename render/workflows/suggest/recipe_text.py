"""What was planned, as a recipe: whole, or as what changes over another recipe."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from render.recipe.models import Recipe
from render.recipe.toml_text import printable, toml_key
from render.units import length_words
from render.workflows.suggest import words
from render.workflows.suggest.chains import stage_of
from render.workflows.suggest.plan import Plan, SourcePlan
from render.workflows.suggest.text import Line, key_line, lay_out, notes_lines, path_from, stage_line

FRESH_ROOM = (
    ("level_db", -18.0, "felt, hardly heard; 2 dB are a clear step"),
    ("decay_1khz_s", 1.1, "a living room has about 0.5, a hall 2"),
    ("decay_125hz_ratio", 0.9, "bass a little shorter than the middle: no mud"),
    ("decay_8khz_ratio", 0.5, "treble half as long: wood, people, air"),
    ("pre_delay_ms", 15, "keeps the attack in front of the room"),
    ("high_pass_hz", 150, "the room does not answer the bass"),
    ("low_pass_hz", 8000, "nor squeaks"),
)
"""Taste, not measurement: modest, so that what was measured is what is heard."""

FRESH_FINISH = (
    ("loudness_lufs", -16.0, "level advised for streaming (AES TD1008)"),
    ("max_true_peak_dbtp", -1.0, "advised there too: room for MP3 and the like"),
    ("limit_at_most_db", 3.0, "past this a take stays softer, unsquashed"),
)

LONGEST_TITLE = 200

PLACES = {"mid": "in the middle, whole in mono", "side": "the width; in mono only its room is left"}


@dataclass(frozen=True)
class Told:
    """What a recipe says of its making: which session, which takes, which were left out and why."""

    session: str
    takes: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    sound_s: float
    remarks: tuple[str, ...]


def fresh_recipe(*, channels: tuple[int, int] = (1, 2), lowest_rate_hz: int = 48_000) -> Recipe:
    """What a recipe begins with that extends none: two sources and nothing done to them.

    Parameters
    ----------
    channels : two ints
        Tracks of pickup and microphone.
    lowest_rate_hz : int
        Of the takes: the room may not answer above 0.45 of it.
    """
    return Recipe.model_validate(
        {
            "sources": {
                "pickup": {"channel": channels[0], "place": "mid"},
                "mic": {"channel": channels[1], "place": "side"},
            },
            "room": {key: value for key, value, _ in _fresh_room(lowest_rate_hz)},
            "finish": {key: value for key, value, _ in FRESH_FINISH},
        }
    )


def _fresh_room(lowest_rate_hz: int) -> list[tuple[str, float, str]]:
    """The room, its low-pass within what the rate of the takes allows."""
    highest_hz = float(100 * (4 * lowest_rate_hz // 1000))  # a little under 0.45 of the rate
    return [
        (key, min(value, highest_hz) if key == "low_pass_hz" else value, why)
        for key, value, why in FRESH_ROOM
    ]


def fresh_text(plan: Plan, base: Recipe, told: Told, *, name: str, folder: Path) -> str:
    """A whole recipe."""
    lines = [*_head(told), *_spare_notches(plan, folder), Line()]
    lines.append(key_line("title", printable(f"{name}, measured from its takes")[:LONGEST_TITLE]))
    lines += notes_lines(_notes(plan, told))
    for source in plan.sources:
        channel, place = base.sources[source.name].channel, base.sources[source.name].place
        role = "pickup" if source.name == plan.roles.names[0] else "microphone"
        lines += [Line(), Line(f"[sources.{toml_key(source.name)}]")]
        lines.append(key_line("channel", channel, f"the {role}'s track"))
        lines.append(key_line("place", place, PLACES.get(str(place), "")))
        lines.append(
            key_line("gain_db", source.gain_db, source.words.get("gain_db", "the measure for the other"))
        )
        if source.polarity != "keep":
            lines.append(key_line("polarity", source.polarity, source.words.get("polarity", "")))
        if source.delay_ms != 0.0:
            lines.append(key_line("delay_ms", source.delay_ms, source.words.get("delay_ms", "")))
        lines += _balance_remark(plan, source) + _chain(source, folder, base_name="")
    lines += [
        Line(),
        Line(comment="Room and finish are taste, not measured: modest, to begin with."),
        Line("[room]"),
    ]
    lines += [key_line(key, getattr(base.room, key), why) for key, _, why in FRESH_ROOM]
    lines += [Line(), Line("[finish]"), *(key_line(*entry) for entry in FRESH_FINISH)]
    return lay_out(lines)


def like_text(plan: Plan, base: Recipe, told: Told, *, name: str, folder: Path) -> str:
    """A recipe that extends another and says only what is different for this guitar."""
    assert base.path is not None  # noqa: S101 - a recipe that was read from a file
    base_name = base.path.stem
    lines = [*_head(told), *_spare_notches(plan, folder), Line()]
    lines.append(
        key_line("extends", path_from(folder, base.path), "all that does not stand here is as there")
    )
    lines += [Line(), key_line("title", printable(f"{name}: {base.title or base_name}")[:LONGEST_TITLE])]
    lines += notes_lines(_notes(plan, told))
    for source in plan.sources:
        before = base.sources[source.name]
        body = [
            key_line(key, getattr(source, key), source.words.get(key, ""))
            for key in ("gain_db", "polarity", "delay_ms")
            if getattr(source, key) != getattr(before, key)
        ]
        if source.chain_changed:
            body += _balance_remark(plan, source) + _chain(source, folder, base_name=base_name)
        if body:
            lines += [Line(), Line(f"[sources.{toml_key(source.name)}]"), *body]
    return lay_out(lines)


def _head(told: Told) -> list[Line]:
    takes = _count(len(told.takes), "take")
    lines = [
        Line(
            comment=f'A first recipe for one guitar, measured from {takes} of "{told.session}", '
            f"{length_words(told.sound_s)} of sound. "
            "Each comment says what was measured. It is a beginning: change one number at a time and listen."
        )
    ]
    if told.left_out:
        out = "; ".join(f"{name} ({why})" for name, why in told.left_out)
        lines.append(Line(comment=f"Left out: {out}."))
    return lines + [Line(comment=remark) for remark in told.remarks]


def _spare_notches(plan: Plan, folder: Path) -> list[Line]:
    """Notches for hum that only some takes have: ready as comments, in no chain."""
    lines = []
    for name, found, notches in zip(plan.roles.names, plan.hum_found, plan.hum, strict=True):
        if notches and not found.common:
            text = (
                f"{name}: {words.hum_found(found, notches)} here. For those takes put in front of its chain"
            )
            lines.append(Line(comment=f"{text}, in a copy of this recipe:"))
            lines += [
                Line(f"#{stage_line(stage_of(one.notch), '', folder=folder).code}  # {words.hum_notch(one)}")
                for one in notches
            ]
    return lines


def _notes(plan: Plan, told: Told) -> str:
    """The figures of the balance in a few words."""
    low = plan.low
    pickup, microphone = plan.roles.names
    parts = []
    if low.low_before_db is not None and low.low_after_db is not None:
        parts.append(
            f"Lows of {microphone} against {pickup} (71 to 354 Hz): {words.level(low.low_before_db)} dB as captured, "
            f"{words.level(low.low_after_db)} dB with this recipe."
        )
    if plan.level is not None:
        parts.append(f"Side {words.level(plan.level.side_to_mid_db)} dB against mid, before the room.")
    parts.append(f"Measured from {', '.join(told.takes[:8])}{' and more' if len(told.takes) > 8 else ''}.")
    return " ".join(parts)


def _balance_remark(plan: Plan, source: SourcePlan) -> list[Line]:
    """Above the microphone's chain: what its low band was and is."""
    low = plan.low
    if source.name != plan.roles.names[1] or low.low_before_db is None or low.low_after_db is None:
        return []
    if not low.moves:
        return []
    before, after = words.level(low.low_before_db), words.level(low.low_after_db)
    text = (
        f"Its lows, 71 to 354 Hz, against those of {plan.roles.names[0]}, each beside its own middle (400 Hz"
    )
    text += f" to 2 kHz): {before} dB as captured, {after} dB behind this chain."
    if over := words.still_over(low):
        text += f" Still over by more than 3 dB: {over}."
    return [Line(comment=text)]


def _chain(source: SourcePlan, folder: Path, *, base_name: str) -> list[Line]:
    if not source.chain:
        return [Line("chain = []")]
    lines = [Line("chain = [")]
    for placed in source.chain:
        why = placed.words or (f"as in {base_name}" if placed.is_kept and base_name else "")
        lines.append(stage_line(placed.stage, why, folder=folder))
    return [*lines, Line("]")]


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
