"""From a file to a tree of values: reading, and telling what keeps a text from being TOML."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import tomli

from render.errors import Problem
from render.recipe.hints import nearest
from render.recipe.lines import statement_before
from render.recipe.origin import Layer
from render.recipe.toml_text import key_text, printable

MOST_BYTES = 1_000_000
MOST_LEVELS = 32

SLASHES = "write paths with /, which every system understands"

_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_SAID_TWICE = ("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate inline table key")
_BACKSLASH = ("Unescaped", "Invalid hex value", "Escaped character")
_NO_END = "a text has no end: its second quote is missing"
_PLAIN_WORDS = (  # for what the reader says, by its beginning; the first that fits
    *((said, "a \\ in double quotes is not taken as it stands") for said in _BACKSLASH),
    ("Unterminated string", _NO_END),
    ("Expected \"'", _NO_END),
    ("Illegal character '\\n'", _NO_END),
    ("Found invalid character '\\n'", _NO_END),
    ("Illegal character", "a control character is in the text"),
    ("Found invalid character", "a control character is in the text"),
    ("Invalid statement", "no key and no [table] begins like this"),
    ("Invalid initial character for a key part", "no name of a key or table begins like this"),
    ("Invalid date", "there is no such date or time"),
    ("Invalid value", "no value begins like this"),
    ("Expected newline", "the line goes on where it should end"),
    ("Expected '='", "the = after a key is missing"),
    ("Expected ']", "the ] after the name of a table is missing"),
    ("Unclosed array", "a list goes on without a comma, or has no ] at its end"),
    ("Unclosed inline table", "braces go on without a comma, or have no } at their end"),
    *((said, "the same name stands twice, or for two different things") for said in _SAID_TWICE),
)
_CURLY = "[\u2018-\u201f\u00ab\u00bb\u2039\u203a]"  # quotes as word processors set them
_CURLY_AT_START = re.compile(_CURLY)
_CURLY_AT_END = re.compile(rf"""["'][^"'#]*{_CURLY}(?!\w)[^"']*$""")  # before a letter: an apostrophe


class UnreadableError(Exception):
    """A file cannot be read as text: why, what to do, and in which line it ends to be text."""

    def __init__(self, reason: str, fix: str, line: int | None = None) -> None:
        self.reason, self.fix, self.line = reason, fix, line
        super().__init__(f"{reason}; {fix}")


class NotTomlError(Exception):
    """A text is not TOML; carries the problem."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


def read_text(path: Path) -> str:
    """Text of a file.

    Raises
    ------
    UnreadableError
        If it is not there, no file, too large, or not UTF-8.
    """
    try:
        if path.is_dir():
            beside = _with_ending(path)
            fix = (
                f'did you mean "{beside.name}"?'
                if beside.is_file()
                else "name the recipe in it, a file that ends in .toml"
            )
            raise UnreadableError("is a folder", fix)
        if not path.exists():
            raise UnreadableError("does not exist", _what_is_there(path))
        if not path.is_file():
            raise UnreadableError("is no ordinary file", "name a file that ends in .toml")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        why = getattr(error, "strerror", None) or "a name that no file can have"
        raise UnreadableError(f"cannot be read: {why}", "check the name and the permissions") from error
    _refuse_too_long(len(data))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise UnreadableError("is not UTF-8 text", "save it again with the encoding UTF-8", line) from error


def parse_layer(text: str, path: Path) -> Layer:
    """Turn a text into a layer.

    Raises
    ------
    UnreadableError
        If the text is too long or cannot be written as UTF-8.
    NotTomlError
        If it is not TOML.
    """
    try:
        _refuse_too_long(len(text.encode()))
    except UnicodeEncodeError as error:
        line = text.count("\n", 0, error.start) + 1
        raise UnreadableError("is not UTF-8 text", "take out the character that is none", line) from error
    try:
        tree = tomli.loads(text)
    except RecursionError as error:
        raise NotTomlError(_too_deep(path)) from error
    except ValueError as error:
        raise NotTomlError(_syntax_problem(str(error), text, path)) from error
    if _levels(tree) > MOST_LEVELS:
        raise NotTomlError(_too_deep(path))
    return Layer(path, text, tree)


def nearest_file(path: Path) -> str | None:
    """File beside a missing one whose name is most like it."""
    try:
        others = sorted(other for other in path.parent.iterdir() if other.is_file())
    except (OSError, ValueError):
        return None
    kind = path.suffix.lower()
    stems: dict[str, str] = {}
    for other in others:
        if kind in ("", other.suffix.lower()):
            stems.setdefault(other.stem.lower(), other.name)
    near = nearest(path.stem, list(stems))
    return stems[near] if near else None


def has_backslash(path: Path) -> bool:
    r"""Whether folders were parted by a backslash: in `imp\new.wav`, in double quotes, it makes a line break."""
    return "\\" in path.name or any(letter < " " for letter in str(path))


def _what_is_there(path: Path) -> str:
    if has_backslash(path):
        return SLASHES
    near = nearest_file(_with_ending(path))
    return f'did you mean "{near}"?' if near else "check the name and the folder"


def _with_ending(path: Path) -> Path:
    """The same, ending in .toml as recipes do."""
    return path if path.suffix.lower() == ".toml" else path.parent / f"{path.name}.toml"


def _refuse_too_long(size: int) -> None:
    if size > MOST_BYTES:
        raise UnreadableError("is larger than 1 MB", "a recipe is a short text; was another file meant?")


def _levels(tree: dict[str, object]) -> int:
    """Depth of nesting, found without recursion: it may be too much for that."""
    level = 0
    values: list[Any] = [tree]
    while values:
        level += 1
        inner = (item for value in values for item in (value.values() if isinstance(value, dict) else value))
        values = [item for item in inner if isinstance(item, dict | list)]
    return level


def _too_deep(path: Path) -> Problem:
    return Problem(
        path, "", None, f"is nested more than {MOST_LEVELS} levels deep", "a recipe needs five levels"
    )


def _syntax_problem(message: str, text: str, path: Path) -> Problem:
    position = _POSITION.search(message)
    what = message[: position.start()] if position else message
    lines = text.split("\n")
    if position is None:  # a number with too many digits: the reader tells no place
        return Problem(path, "", None, "has a number with thousands of digits", "write it shorter")
    line = int(position[1]) if position[1] else max(len(text.rstrip().split("\n")), 1)
    begun, earlier = statement_before(text, line)
    if begun is not None and earlier is not None and what.startswith(_SAID_TWICE):
        return Problem(
            path,
            key_text(begun.keys),
            None,
            f"is written a second time; the first is in line {earlier.line}",
            "keep one of the two",
            begun.line,
        )
    where = f"column {position[2]}" if position[2] else "at the end"
    if begun is not None and begun.line < line and not _is_whole(lines[begun.line - 1 : line - 1]):
        where += f", in what begins in line {begun.line}: {key_text(begun.keys)}"
    faulty = lines[min(line, len(lines)) - 1]
    rest = faulty[int(position[2]) - 1 :] if position[2] else ""
    if what.startswith(_BACKSLASH):
        fix = "write paths with /; in any other text write \\\\ for \\"
    elif _is_curly(what, faulty, rest) or (begun is not None and _is_curly(what, lines[begun.line - 1], "")):
        fix = 'use straight quotes: "wav"'
    else:
        fix = _mend_line(faulty)
    return Problem(path, "", None, f"cannot be read: {_plain_words(what)} ({where})", fix, line)


def _is_whole(lines: list[str]) -> bool:
    """Whether lines can be read by themselves, so that what they begin is not still open behind them."""
    try:
        tomli.loads("\n".join(lines))
    except (ValueError, RecursionError):
        return False
    return True


def _plain_words(what: str) -> str:
    """What the reader says, for people who never heard of TOML."""
    itself = printable(what[:1].lower() + what[1:])
    return next((words for said, words in _PLAIN_WORDS if what.startswith(said)), itself)


def _is_curly(what: str, line: str, rest: str) -> bool:
    """Whether a quote as word processors set it stands where the reader gave up, or for the second of a text."""
    no_end = _plain_words(what) == _NO_END and _CURLY_AT_END.search(line) is not None
    return no_end or _CURLY_AT_START.match(rest) is not None


def _mend_line(line: str) -> str:
    """Advice by the look of the line where the reader gave up."""
    for pattern, advice in (
        (r"=\s*[-+]?\d+,\d", "write numbers with a point: 0.5, not 0,5"),
        (r"=\s*[-+]?\.\d", "write a digit before the point: 0.5, not .5"),
        (r"=\s*[-+]?\d+\.(?!\d)", "write a digit after the point: 5.0, not 5."),
        (r"=\s*[-+]?\d[\d.]*\s*[A-Za-z%]", "write the number alone: the key has the unit"),
        (r"=\s*(?!true|false|inf|nan)[A-Za-z]", 'put words in quotes: "wav"'),
        (r"=\s*(#.*)?$", "write a value after the ="),
        (r"^[^=\[#]*$", "a line is a [table], or a key = value, or begins with # for a comment"),
    ):
        if re.search(pattern, line):
            return advice
    return "check quotes, brackets and commas"
