"""What a key may hold: the ground of all models, and the reading back of their ranges for people.

The range of a key stands once, in its annotation. Checking, messages, `recipe show` and the JSON Schema all
take it from there.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, NoReturn, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, StringConstraints
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

_UNITS = {
    "_db_per_octave": "dB per octave",
    "_dbtp": "dBTP",
    "_lufs": "LUFS",
    "_db": "dB",
    "_hz": "Hz",
    "_ms": "ms",
    "_s": "s",
}
_CONTROL = r"\x00-\x08\x0b-\x1f\x7f-\x9f"


class Model(BaseModel):
    """A table of a recipe: never changed once made, no unknown keys, no values turned into other types."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)


@dataclass(frozen=True)
class ZeroOrFrom:
    """Zero stands for none; what is not zero has a lower limit."""

    low: float

    def __call__(self, value: float) -> float:
        """Pass a value on, or refuse it."""
        if 0.0 < value < self.low:
            raise ValueError(f"must be 0 or at least {self.low}")
        return value


def _refuse_other_numbers(value: object) -> object:
    if isinstance(value, bool | float):
        raise ValueError("must be a whole number")  # noqa: TRY004 - pydantic collects ValueError only
    return value


def _tuple_of_list(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


WholeChoice = BeforeValidator(_refuse_other_numbers)  # 48000.0 == 48000 and True == 1 are true in Python
ListAsTuple = BeforeValidator(_tuple_of_list)
Line = Annotated[str, StringConstraints(max_length=200, pattern=rf"^[^\t\n{_CONTROL}]*$")]
Paragraphs = Annotated[str, StringConstraints(max_length=4000, pattern=f"^[^{_CONTROL}]*$")]
SourceName = Annotated[str, StringConstraints(pattern="^[A-Za-z0-9_-]{1,40}$")]


def zero_or(low: float) -> AfterValidator:
    """Annotation for a number that is 0 for none, else at least `low`."""
    return AfterValidator(ZeroOrFrom(low))


def refuse_together(*keys: str, reason: str, fix: str) -> NoReturn:
    """Refuse values that are right each by itself; the first key is the one to complain about."""
    raise PydanticCustomError(
        "together", "{keys}: {reason}; {fix}", {"keys": ", ".join(keys), "reason": reason, "fix": fix}
    )


@dataclass
class Allowed:
    """What may stand under one key."""

    unit: str = ""
    number: bool = False
    whole: bool = False
    low: float | None = None
    high: float | None = None
    zero_or: float | None = None
    choices: tuple[int, ...] = ()
    words: tuple[str, ...] = ()
    characters: int | None = None
    entries: int | None = None
    file: bool = False
    models: list[type[Model]] = field(default_factory=list)

    @property
    def text(self) -> str:
        """For people: `10 to 40000 Hz`, `"keep", or -40 to -5 LUFS`."""
        unit = f" {self.unit}" if self.unit else ""
        kinds = []
        if self.number and self.low is not None and self.high is not None:
            numbers = f"{plain(self.zero_or or self.low)} to {plain(self.high)}{unit}"
            numbers = f"a whole number from {numbers}" if self.whole else numbers
            kinds.append(numbers if self.zero_or is None else f"0 (none), or {numbers}")
        if self.choices:
            kinds.append(either([plain(choice) for choice in self.choices]) + unit)
        if self.words:
            kinds.append(either([f'"{word}"' for word in self.words]))
        if self.characters is not None:
            kinds.append(f"text in quotes, at most {self.characters} characters, no control characters")
        if self.file:
            kinds.append("the name of a sound file in quotes")
        if self.entries is not None:
            kinds.append(f"a list of at most {self.entries} stages")
        return ", or ".join(kinds)

    def takes(self, value: float) -> bool:
        """Whether a number lies within the range or is one of the choices."""
        if value in self.choices:
            return not isinstance(value, float)
        if (
            not self.number
            or self.low is None
            or self.high is None
            or (self.whole and isinstance(value, float))
        ):
            return False
        return self.low <= value <= self.high and not (
            self.zero_or is not None and 0.0 < value < self.zero_or
        )


def plain(number: float) -> str:
    """Number without a needless `.0`."""
    return str(int(number)) if float(number).is_integer() else repr(number)


def split_unit(key: str) -> tuple[str, str]:
    """A key without its unit, and the unit: `gain`, `dB`; without one the unit is ""."""
    suffix = next((suffix for suffix in _UNITS if key.endswith(suffix)), "")
    return key.removesuffix(suffix), _UNITS.get(suffix, "")


def either(alternatives: list[str]) -> str:
    """`a`, `a or b`, `a, b or c`."""
    *rest, last = alternatives
    return f"{', '.join(rest)} or {last}" if rest else last


@functools.cache
def allowed_values(model: type[Model], name: str) -> Allowed:
    """Read from a model's annotations what one of its keys may hold."""
    info = model.model_fields[name]
    allowed = Allowed(unit=split_unit(name)[1])
    _read_annotation(info.annotation, info.metadata, allowed)
    return allowed


def example_value(model: type[Model], name: str) -> Any:
    """Value to show to somebody who asks what to write: the default, else the field's own example."""
    info = model.model_fields[name]
    return info.examples[0] if info.examples else info.get_default()


def _read_annotation(annotation: Any, metadata: list[Any], allowed: Allowed) -> None:
    kind = get_origin(annotation)
    if kind is Annotated:
        inner, *more = get_args(annotation)
        _read_annotation(inner, more, allowed)
    elif kind is Literal:
        values = get_args(annotation)
        allowed.words += tuple(value for value in values if isinstance(value, str))
        allowed.choices += tuple(value for value in values if isinstance(value, int))
    elif annotation in (int, float):
        allowed.number, allowed.whole = True, annotation is int
    elif annotation is Path:
        allowed.file = True
    elif isinstance(annotation, type) and issubclass(annotation, Model):
        allowed.models.append(annotation)
    else:
        for alternative in get_args(annotation) if kind is not None else ():
            _read_annotation(alternative, [], allowed)
    for item in _flat(metadata):
        _read_constraint(item, allowed)


def _flat(metadata: list[Any]) -> Iterator[Any]:
    for item in metadata:
        if isinstance(item, FieldInfo):
            yield from item.metadata
        else:
            yield item


def _read_constraint(item: Any, allowed: Allowed) -> None:
    if isinstance(item, StringConstraints):
        allowed.characters = item.max_length
    elif isinstance(item, AfterValidator) and isinstance(item.func, ZeroOrFrom):
        allowed.zero_or = item.func.low
    else:  # limits are told by the attribute that carries them
        allowed.low = getattr(item, "ge", allowed.low)
        allowed.high = getattr(item, "le", allowed.high)
        allowed.entries = getattr(item, "max_length", allowed.entries)
