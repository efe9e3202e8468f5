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


def unknown_key(model: type[Model], name: str) -> tuple[str, str]:
    """Reason and fix for a key that the table does not know."""
    here = nearest(name, known_keys(model)) or _same_beginning(name, known_keys(model))
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
    if isinstance(value, int | float) and not isinstance(value, bool):
        fix = _mend_number(allowed, name, value)
    elif isinstance(value, str):
        fix = _mend_text(allowed, name, value)
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


def _mend_number(allowed: Allowed, name: str, value: float) -> str:  # noqa: PLR0911 - one a case
    endless = isinstance(value, float) and not math.isfinite(value)
    if endless or not (allowed.number or allowed.choices):
        return ""
    if isinstance(value, float) and value.is_integer() and allowed.takes(int(value)):
        return f"write it without a point: {name} = {int(value)}"
    if allowed.choices:
        near = min(allowed.choices, key=lambda choice: abs(choice - value))
        return f"the nearest is {name} = {near}"
    unit = f" {allowed.unit}" if allowed.unit else ""
    if allowed.zero_or is not None and 0.0 < value < allowed.zero_or:
        return f"raise it to {plain(allowed.zero_or)}{unit} or more, or write 0 for none"
    if allowed.low is not None and value < allowed.low:
        return f"raise it to {plain(allowed.low)}{unit} or more"
    if allowed.high is not None and value > allowed.high:
        return f"lower it to {plain(allowed.high)}{unit} or less"
    return ""


def _mend_text(allowed: Allowed, name: str, text: str) -> str:
    number = _NUMBER_IN_TEXT.fullmatch(text) if allowed.number or allowed.choices else None
    if number is not None and len(text) <= _LONGEST_WORD:
        digits = number[1].replace(",", ".")
        value = float(digits) if "." in digits else int(digits)
        if allowed.takes(value):
            unit = " and without the unit, which the key has" if number[2] else ""
            return f"write it without quotes{unit}: {name} = {toml_value(value)}"
        return "write a number without quotes"
    near = nearest(text, list(allowed.words))
    return f'write {name} = "{near}"' if near else ""
