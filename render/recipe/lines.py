"""In which line a key stands.

The TOML reader gives values without positions, so the text is walked once more, only when there is something
to tell. What is found must agree with what the reader found, key for key; otherwise no line is told at all:
none is better than a wrong one.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from contextlib import suppress
from dataclasses import dataclass, field

import tomli

from render.recipe.toml_text import Key, Keys

_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_BLANK_IN_LINE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*"{3,5}')
_LONG_LITERAL = re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}")
_SCALAR = re.compile(r"[^,\]}#\n]+")


@dataclass(frozen=True)
class Statement:
    """A line such as `key = value` or `[table]`: what it names and where it begins."""

    keys: Keys
    line: int


class _Lost(Exception):  # noqa: N818 - a signal inside this module
    """The text is not what was expected here."""


def key_lines(text: str, document: dict[str, object]) -> dict[Keys, int]:
    """Line of every key, table and list entry of a document.

    Parameters
    ----------
    text : str
        TOML that the reader accepted.
    document : dict
        What the reader made of it.

    Returns
    -------
    dict
        From key path to line, counted from 1; empty if the text could not be followed.
    """
    walk = _Walk(text)
    try:
        walk.run()
    except (_Lost, RecursionError):
        return {}
    return walk.lines if walk.lines.keys() == _paths(document) else {}


def statement_before(text: str, line: int) -> tuple[Statement | None, Statement | None]:
    """Last statement beginning at or before a line of a faulty text, and an earlier one naming the same."""
    walk = _Walk(text)
    with suppress(_Lost, RecursionError, ValueError):  # as far as it came is enough
        walk.run()
    begun = [statement for statement in walk.statements if statement.line <= line]
    if not begun:
        return None, None
    earlier = next((other for other in begun[:-1] if other.keys == begun[-1].keys), None)
    return begun[-1], earlier


def _paths(document: dict[str, object]) -> set[Keys]:
    found: set[Keys] = set()
    waiting: list[tuple[Keys, object]] = [((), document)]
    while waiting:
        keys, value = waiting.pop()
        items: list[tuple[Key, object]] = []
        if isinstance(value, dict):
            items = list(value.items())
        elif isinstance(value, list):
            items = list(enumerate(value))
        for key, item in items:
            found.add((*keys, key))
            waiting.append(((*keys, key), item))
    return found


@dataclass
class _Walk:
    """One pass over a text from the beginning to its end or to what cannot be followed."""

    text: str
    lines: dict[Keys, int] = field(default_factory=dict)
    statements: list[Statement] = field(default_factory=list)
    _at: int = 0
    _ends: list[int] = field(default_factory=list)
    _table: Keys = ()
    _last_index: dict[Keys, int] = field(default_factory=dict)  # of tables written as [[...]]

    def run(self) -> None:
        self._ends = [match.start() for match in re.finditer("\n", self.text)]
        self._skip(_BLANK)
        while self._at < len(self.text):
            if self.text.startswith("[[", self._at):
                self._list_header()
            elif self.text.startswith("[", self._at):
                self._header()
            else:
                self._pair(self._table, statement=True)
            self._skip(_BLANK)

    def _line(self) -> int:
        return bisect_left(self._ends, self._at) + 1

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self._at)
        if match is None:
            raise _Lost
        self._at = match.end()

    def _take(self, token: str) -> None:
        if not self.text.startswith(token, self._at):
            raise _Lost
        self._at += len(token)

    def _record(self, base: Keys, names: list[str], line: int) -> Keys:
        """Note a dotted key, with the tables that it opens on its way."""
        keys = base
        for name in names:
            keys = (*keys, name)
            self.lines.setdefault(keys, line)
        return keys

    def _header(self) -> None:
        line = self._line()
        self._take("[")
        keys: Keys = ()
        for name in self._names():
            keys = self._record(keys, [name], line)
            if keys in self._last_index:
                keys = (*keys, self._last_index[keys])
        self._take("]")
        self._table = keys
        self.statements.append(Statement(keys, line))

    def _list_header(self) -> None:
        line = self._line()
        self._take("[[")
        *outer, last = self._names()
        keys: Keys = ()
        for name in outer:
            keys = self._record(keys, [name], line)
            if keys in self._last_index:
                keys = (*keys, self._last_index[keys])
        keys = self._record(keys, [last], line)
        self._take("]]")
        index = self._last_index.get(keys, -1) + 1
        self._last_index[keys] = index
        self._table = (*keys, index)
        self.lines[self._table] = line
        self.statements.append(Statement(self._table, line))

    def _pair(self, base: Keys, *, statement: bool) -> None:
        line = self._line()
        keys = self._record(base, self._names(), line)
        if statement:
            self.statements.append(Statement(keys, line))
        self._take("=")
        self._value(keys)

    def _names(self) -> list[str]:
        names = []
        while True:
            self._skip(_BLANK_IN_LINE)
            names.append(self._name())
            self._skip(_BLANK_IN_LINE)
            if not self.text.startswith(".", self._at):
                return names
            self._at += 1

    def _name(self) -> str:
        start = self._at
        if self.text.startswith('"', start):
            self._skip(_BASIC)
            return str(tomli.loads(f"name = {self.text[start : self._at]}")["name"])
        if self.text.startswith("'", start):
            self._skip(_LITERAL)
            return self.text[start + 1 : self._at - 1]
        self._skip(_BARE_KEY)
        return self.text[start : self._at]

    def _value(self, keys: Keys) -> None:
        self._skip(_BLANK_IN_LINE)
        for opening, pattern in (
            ('"""', _LONG_BASIC),
            ("'''", _LONG_LITERAL),
            ('"', _BASIC),
            ("'", _LITERAL),
        ):
            if self.text.startswith(opening, self._at):
                self._skip(pattern)
                return
        if self.text.startswith("[", self._at):
            self._list(keys)
        elif self.text.startswith("{", self._at):
            self._inline_table(keys)
        else:
            self._skip(_SCALAR)

    def _list(self, keys: Keys) -> None:
        self._take("[")
        index = 0
        while True:
            self._skip(_BLANK)
            if self.text.startswith("]", self._at):
                break
            self.lines[(*keys, index)] = self._line()
            self._value((*keys, index))
            index += 1
            self._skip(_BLANK)
            if not self.text.startswith(",", self._at):
                break
            self._at += 1
        self._take("]")

    def _inline_table(self, keys: Keys) -> None:
        self._take("{")
        while True:
            self._skip(_BLANK)
            if self.text.startswith("}", self._at):
                break
            self._pair(keys, statement=False)
            self._skip(_BLANK)
            if not self.text.startswith(",", self._at):
                break
            self._at += 1
        self._take("}")
