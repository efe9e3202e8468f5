"""Keys and values as TOML writes them: for messages, for `recipe show`, and for writing recipes."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

Key = str | int
Keys = tuple[Key, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SHORT_ESCAPES = {'"': '\\"', "\\": "\\\\", "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}
_LONGEST_DECIMAL_BITS = 128  # beyond, hexadecimal: Python refuses to print very long integers in decimal


def toml_string(text: str) -> str:
    """Basic string; whatever a terminal might act upon is escaped."""
    return '"' + "".join(_escaped(character) for character in text) + '"'


def toml_key(key: str) -> str:
    """Key, bare where TOML allows it."""
    return key if _BARE_KEY.fullmatch(key) else toml_string(key)


def toml_value(value: object) -> str:  # noqa: PLR0911 - one a type
    """One value on one line, such that it reads back as the same value."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            return str(value) if value.bit_length() <= _LONGEST_DECIMAL_BITS else hex(value)
        case float():
            return repr(value) if math.isfinite(value) else str(value)
        case str():
            return toml_string(value)
        case Path():
            return toml_string(value.as_posix())
        case dt.date() | dt.time():
            return value.isoformat()
        case Mapping():
            pairs = ", ".join(f"{toml_key(str(key))} = {toml_value(item)}" for key, item in value.items())
            return f"{{ {pairs} }}" if pairs else "{}"
        case Sequence():
            return "[" + ", ".join(map(toml_value, value)) + "]"
        case _:
            raise TypeError(f"{type(value).__name__} has no form in TOML")


def shown_value(value: object, *, characters: int = 60) -> object:
    """Value for a message: numbers as they are, all else as TOML, cut where it gets long."""
    if isinstance(value, float) or (
        isinstance(value, int) and abs(value) < 10**18 and not isinstance(value, bool)
    ):
        return value
    text = toml_value(value)
    return text if len(text) <= characters else text[: characters - 3] + "..."


def printable(text: str) -> str:
    """Text in which whatever a terminal might act upon is escaped, for names of files in messages."""
    return "".join(letter if letter.isprintable() else _escaped(letter) for letter in text)


def key_text(keys: Keys) -> str:
    """Path of a key: `sources.mic.chain[0].cutoff_hz`."""
    text = ""
    for key in keys:
        if isinstance(key, int):
            text += f"[{key}]"
        else:
            text += f".{toml_key(key)}" if text else toml_key(key)
    return text


def _escaped(character: str) -> str:
    if character in _SHORT_ESCAPES:
        return _SHORT_ESCAPES[character]
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
