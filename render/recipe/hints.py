"""Advice for messages: the nearest known word, where a key belongs, what to write instead of a wrong value."""

from __future__ import annotations

import math
import re

from render.recipe.chain import STAGES
from render.recipe.models import Finish, Recipe, Room, Source, Stereo
from render.recipe.toml_text import toml_value
from render.recipe.values import Allowed, Model, allowed_values, either, example_value, plain

PLACES: tuple[tuple[str, type[Model]], ...] = (
    ("the top of the file, before the first [table]", Recipe),
    ("[sources.NAME]", Source),
    ("[stereo]", Stereo),
    ("[room]", Room),
    ("[finish]", Finish),
    *((f'the stage "{stage}"', model) for stage, model in STAGES.items()),
)
OTHER_WORDS_FOR_STAGES = {  # of the trade: common practice, no source
    "bell": "peaking",
    "convolution": "impulse-response",
    "convolver": "impulse-response",
    "eq": "peaking",
    "high-cut": "low-pass",
    "hpf": "high-pass",
    "ir": "impulse-response",
    "level": "gain",
    "low-cut": "high-pass",
    "lpf": "low-pass",
    "parametric": "peaking",
    "phase": "all-pass",
    "volume": "gain",
}
TABLES = {
    "sources": "a source's table is [sources.NAME]",
    "stereo": "the table for left and right together is [stereo]",
    "room": "the room's table is [room]",
    "finish": "the table for the finished file is [finish]",
}
OTHER_WORDS_FOR_TABLES = {  # of the trade: common practice, no source
    "ambience": "room",
    "hall": "room",
    "master": "finish",
    "mic": "sources",
    "microphone": "sources",
    "output": "finish",
    "pickup": "sources",
    "reverb": "room",
    "reverberation": "room",
    "width": "stereo",
}
_SIDES = "-100 is left, 100 is right"
_CENTRE = 'write place = "mid"'
_ONE_GAIN = 'write level_by = "session": one gain for all'
_FLOAT = '32 bits is "float": write bit_depth = "float"'
OTHER_WORDS_FOR_VALUES: dict[str, dict[object, str]] = {  # of the trade: common practice, no source
    "place": {"left": _SIDES, "right": _SIDES, "centre": _CENTRE, "center": _CENTRE, "middle": _CENTRE},
    "level_by": {"album": _ONE_GAIN, "all": _ONE_GAIN},
    "bit_depth": {32: _FLOAT, "32": _FLOAT},
}
_OTHER_UNITS = {("hz", "khz"): 1000.0, ("hz", "k"): 1000.0, ("fraction", "%"): 0.01}
_HIGHEST_KHZ = 1000.0
_LONGEST_WORD = 60  # beyond, no key is near, and the search would take long
_MOST_PLACES = 3
_NUMBER_IN_TEXT = re.compile(r"\s*([-+]?[0-9]+(?:[.,][0-9]+)?)\s*([A-Za-z%]*)\s*")


def nearest(word: str, known: list[str]) -> str | None:
    """Known word that is most like this one, if any is."""
    if len(word) > _LONGEST_WORD:
        return None
    import difflib  # only where there is a fault to tell

    folded = word.strip().lower()
    return next(iter(difflib.get_close_matches(folded, known, n=1)), None)


def example(model: type[Model], name: str) -> str:
    """What one could write: `cutoff_hz = 80`."""
    value = example_value(model, name)
    return f"{name} = {plain(value) if isinstance(value, float) else toml_value(value)}"


def known_keys(model: type[Model]) -> list[str]:
    """Keys that may stand in a table."""
    return (["extends"] if model is Recipe else []) + list(model.model_fields)


def nearest_key(model: type[Model], name: str) -> str | None:
    """Key of a table that an unknown one seems to mean, if any."""
    return nearest(name, known_keys(model)) or _same_beginning(name, known_keys(model))


def unknown_key(model: type[Model], name: str) -> tuple[str, str]:
    """Reason and fix for a key that the table does not know."""
    here = nearest_key(model, name)
    elsewhere = _places_of(name, without=model)
    reason = "unknown key"
    if here:
        reason += f'; did you mean "{here}"?'
    if elsewhere:
        reason += f'{"" if here else ";"} "{name}" belongs to {elsewhere}'
    if not here and not elsewhere:
        far = nearest(name, [key for _, other in PLACES for key in known_keys(other)])
        reason += f'; did you mean "{far}"? That belongs to {_places_of(far, without=model)}' if far else ""
    return reason, f"known here: {', '.join(known_keys(model))}"


def unknown_table(name: str) -> tuple[str, str]:
    """Reason and fix for a table that no recipe has."""
    meant = OTHER_WORDS_FOR_TABLES.get(name.strip().lower()) or nearest(name, list(TABLES))
    *others, last = ("[sources.NAME]", *(f"[{table}]" for table in TABLES if table != "sources"))
    fix = f"the tables are {', '.join(others)} and {last}"
    return f"unknown table; {TABLES[meant]}" if meant else "unknown table", fix


def unknown_stage(stage: object) -> tuple[str, str]:
    """Reason and fix for a stage's name that is none."""
    fix = f"the stages are {', '.join(STAGES)}"
    if not isinstance(stage, str):
        return f"a stage is named by text in quotes, such as {toml_value('high-pass')}", fix
    plain_name = stage.strip().lower().replace("_", "-").replace(" ", "-")
    near = OTHER_WORDS_FOR_STAGES.get(plain_name) or nearest(plain_name, list(STAGES))
    return f'unknown stage; did you mean "{near}"?' if near else "unknown stage", fix


def refused_value(model: type[Model], name: str, value: object) -> tuple[str, str]:
    """Reason and fix for a value of the wrong type or out of its range."""
    allowed = allowed_values(model, name)
    fix = ""
    words = OTHER_WORDS_FOR_VALUES.get(name, {})
    if isinstance(value, int | float) and not isinstance(value, bool):
        fix = words.get(value) or _mend_number(allowed, name, value)
    elif isinstance(value, str):
        fix = words.get(value.strip().lower()) or _mend_text(allowed, name, value)
    return f"must be {allowed.text}", fix or f"write {example(model, name)}"


def _same_beginning(name: str, known: list[str]) -> str | None:
    """Only key that begins with the same word, or else the only one with the same unit."""
    first, _, unit = name.lower().partition("_")
    for alike in (
        [key for key in known if key.partition("_")[0] == first],
        [key for key in known if unit and key.partition("_")[2] == unit],
    ):
        if len(alike) == 1:
            return alike[0]
    return None


def _places_of(name: str, *, without: type[Model]) -> str:
    places = [place for place, other in PLACES if other is not without and name in known_keys(other)]
    return either(places[:_MOST_PLACES]) if places else ""


def _mend_number(allowed: Allowed, name: str, value: float) -> str:
    endless = isinstance(value, float) and not math.isfinite(value)
    if endless or not (allowed.number or allowed.choices):
        return ""
    if isinstance(value, float) and value.is_integer() and allowed.takes(int(value)):
        return f"write it without a point: {name} = {int(value)}"
    if meant := _meant_number(allowed, name, value):
        return meant
    if allowed.choices:
        near = min(allowed.choices, key=lambda choice: abs(choice - value))
        return f"the nearest is {name} = {near}"
    return _mend_range(allowed, value)


def _mend_range(allowed: Allowed, value: float) -> str:
    unit = f" {allowed.unit}" if allowed.unit else ""
    if allowed.zero_or is not None and 0.0 < value < allowed.zero_or:
        return f"raise it to {plain(allowed.zero_or)}{unit} or more, or write 0 for none"
    if allowed.low is not None and value < allowed.low:
        return f"raise it to {plain(allowed.low)}{unit} or more"
    if allowed.high is not None and value > allowed.high:
        return f"lower it to {plain(allowed.high)}{unit} or less"
    return ""


def _meant_number(allowed: Allowed, name: str, value: float) -> str:
    """What to write for a number that lacks its sign, is in kHz or in percent."""
    if value <= 0.0:
        return ""
    if allowed.high is not None and allowed.high <= 0.0 and allowed.takes(-value):
        loud = f" loudness is below 0 ({plain(allowed.high)} would be painfully loud)"
        return f"did you mean {plain(-value)}?{loud if name == 'loudness_lufs' else ''}"
    if name.endswith("_fraction") and 1.0 < value <= 100.0:
        return f"{plain(value)} % is {plain(_times(value, 0.01))}"
    hertz = _times(value, 1000.0) if name.endswith("_hz") and value < _HIGHEST_KHZ else 0.0
    if hertz == 0.0 or not allowed.takes(hertz):
        return ""
    in_hz = f"in Hz, not kHz: {name} = {plain(hertz)}"
    # a low frequency may be meant as it stands, a low sample rate not
    return in_hz if allowed.choices else f"{in_hz}; or {_mend_range(allowed, value)}"


def _times(value: float, factor: float) -> float:
    """Product without the dust of binary fractions; whole if it can be."""
    product = round(value * factor, 9)
    return int(product) if product.is_integer() else product


def _mend_text(allowed: Allowed, name: str, text: str) -> str:
    number = _NUMBER_IN_TEXT.fullmatch(text) if allowed.number or allowed.choices else None
    if number is not None and len(text) <= _LONGEST_WORD:
        digits = number[1].replace(",", ".")
        value = float(digits) if "." in digits else int(digits)
        factor = _OTHER_UNITS.get((name.rpartition("_")[2], number[2].lower()))
        if factor is not None and allowed.takes(_times(value, factor)):
            return f"write it without quotes: {name} = {toml_value(_times(value, factor))}"
        if factor is None and allowed.takes(value):
            unit = " and without the unit, which the key has" if number[2] else ""
            return f"write it without quotes{unit}: {name} = {toml_value(value)}"
        meant = "" if factor else _meant_number(allowed, name, value)
        return f"write a number without quotes{'; ' if meant else ''}{meant}"
    near = nearest(text, list(allowed.words))
    return f'write {name} = "{near}"' if near else ""
