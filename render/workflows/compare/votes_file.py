"""Reading what a listener sent back: a file is whole and of the format, or every fault of it is told.

The format is that of `page.votes`. Files come from other people's machines: nothing in them is believed unread, and
nothing of them reaches a terminal but printable characters.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import unicodedata
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, get_args

from render.page.votes import FORMAT, VERSION, Condition, Which

MOST_BYTES = 16 * 1024 * 1024
MOST_TRIALS = 1000  # as on the page
LONGEST_SHOWN = 60
MOST_MARKS = 2  # on one letter; Vietnamese needs two
CONDITIONS: tuple[str, ...] = get_args(Condition)
WHICH: tuple[str, ...] = get_args(Which)
MADE_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
AGAIN = "save the votes again from the page, or leave this file out"


@dataclass(frozen=True)
class Judged:
    """A judgement; versions without a rating or rank are not in the mapping.

    ``order`` has the same versions as they stood without names: A, B, C ...
    """

    take: str
    excerpt: str
    versions: tuple[str, ...]
    order: tuple[str, ...] = field(repr=False)
    ratings: dict[str, float]
    ranks: dict[str, int]
    note: str

    @property
    def place(self) -> tuple[str, str]:
        """Which passage it is of."""
        return self.take, self.excerpt


@dataclass(frozen=True)
class RunHeard:
    """A whole run of the test; the pair in alphabetical order, whichever was called the first."""

    take: str
    excerpt: str
    pair: tuple[str, str]
    condition: str
    trials: int
    hits: int


@dataclass(frozen=True)
class Shown:
    """What the page showed, in its order: name and title of versions; takes, each with its excerpts."""

    versions: tuple[tuple[str, str], ...] = ()
    takes: tuple[tuple[str, tuple[str, ...]], ...] = ()


@dataclass(frozen=True)
class VotesFile:
    """One file, checked.

    Attributes
    ----------
    path : Path
    digest : str
        SHA-256 of its bytes.
    page, listener, made_at : str
    judged : tuple of Judged
    runs : tuple of RunHeard
    run_texts : tuple of str
        Each run as it stood there, by which the same run is known in another file.
    shown : Shown
        Empty where the file does not tell.
    """

    path: Path
    digest: str
    page: str
    listener: str
    made_at: str
    judged: tuple[Judged, ...]
    runs: tuple[RunHeard, ...]
    run_texts: tuple[str, ...]
    shown: Shown = Shown()


class VotesFault(Exception):  # noqa: N818 - told by `merge_votes`, together with those of other files
    """Why a file is refused, and what to do."""

    def __init__(self, reason: str, fix: str = AGAIN) -> None:
        self.reason, self.fix = reason, fix
        super().__init__(f"{reason}; {fix}")


def read_votes(path: Path) -> VotesFile:
    """Read and check one file.

    Raises
    ------
    VotesFault
        If it cannot be read, is no file of votes, or is not whole.
    """
    data = _read(path)
    try:
        votes = json.loads(
            data.decode("utf-8-sig"), object_pairs_hook=_without_doubles, parse_constant=_no_constant
        )
    except RecursionError:
        raise VotesFault("holds no votes: it is nested too deeply") from None
    except UnicodeDecodeError:
        raise VotesFault("is damaged: it is not text in UTF-8") from None
    except json.JSONDecodeError as error:
        raise VotesFault(f"is damaged: line {error.lineno} is not JSON") from None
    except ValueError as error:
        raise VotesFault(f"is damaged: {error}") from None
    if not isinstance(votes, dict) or votes.get("format") != FORMAT:
        raise VotesFault("holds no votes", "name the files that listeners saved from the page")
    if type(votes.get("version")) is not int or votes["version"] != VERSION:
        said = printable(str(votes.get("version")))
        raise VotesFault(
            f"is of version {said}; this drytake reads version {VERSION}",
            "use the drytake that made the page",
        )
    page, listener = (_text(votes, key, "votes") for key in ("page", "listener"))
    if not page:
        raise VotesFault("is damaged: `page` is empty")
    judged = tuple(_judged(one, f"ratings[{index}]") for index, one in enumerate(_list(votes, "ratings")))
    seen: set[tuple[str, str]] = set()
    for index, judgement in enumerate(judged):
        if judgement.place in seen:
            raise VotesFault(f"is damaged: ratings[{index}] judges an excerpt a second time")
        seen.add(judgement.place)
    runs = _list(votes, "trials")
    return VotesFile(
        path=path,
        digest=hashlib.sha256(data).hexdigest(),
        page=page,
        listener=" ".join(unicodedata.normalize("NFC", listener).split()),
        made_at=_made_at(votes),
        judged=judged,
        runs=tuple(_run(one, f"trials[{index}]") for index, one in enumerate(runs)),
        run_texts=tuple(json.dumps(one, sort_keys=True) for one in runs),
        shown=_shown(votes),
    )


def printable(text: str, *, longest: int = LONGEST_SHOWN) -> str:
    r"""Any text for a terminal: controls, marks of direction and unpaired surrogates as `\x1b`, and not too long."""
    pieces: list[str] = []
    length, marks = 0, 0
    for letter in text:
        marks = marks + 1 if unicodedata.combining(letter) else 0
        if marks > MOST_MARKS:
            continue  # towers of marks spill over the lines above
        piece = letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        pieces.append(piece)
        length += len(piece)
        if length > longest:
            return "".join(pieces)[: longest - 3] + "..."
    return "".join(pieces)


def _read(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise VotesFault("is not a file", "name the files that listeners saved from the page")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a path with a NUL in it
        raise VotesFault(
            f"cannot be read ({error.__class__.__name__})", "check its name and rights"
        ) from None
    if len(data) > MOST_BYTES:
        raise VotesFault("is larger than votes can be (16 MB)", "name the files saved from the page")
    return data


def _without_doubles(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _text(holder: dict[str, Any], key: str, where: str) -> str:
    value = holder.get(key)
    if not isinstance(value, str):
        raise VotesFault(f"is damaged: `{key}` of {where} is no text")
    return value


def _list(holder: dict[str, Any], key: str) -> list[Any]:
    value = holder.get(key)
    if not isinstance(value, list):
        raise VotesFault(f"is damaged: `{key}` is no list")
    return value


def _shown(votes: dict[str, Any]) -> Shown:
    """Versions and takes of the page, where a file tells them."""
    versions, takes = (
        [
            _object(one, f"{key}[{index}]")
            for index, one in enumerate(_list(votes, key) if key in votes else [])
        ]
        for key in ("versions", "takes")
    )
    return Shown(
        tuple((_text(one, "name", "versions"), _text(one, "title", "versions")) for one in versions),
        tuple((_text(one, "name", "takes"), _names(one, "excerpts", "takes")) for one in takes),
    )


def _object(value: object, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise VotesFault(f"is damaged: {where} is no object")
    return value


def _made_at(votes: dict[str, Any]) -> str:
    made_at = _text(votes, "made_at", "votes")
    if MADE_AT.fullmatch(made_at):
        with suppress(ValueError):
            datetime.strptime(made_at, "%Y-%m-%dT%H:%M:%S%z")
            return made_at
    raise VotesFault('is damaged: `made_at` is no time such as "2030-05-04T03:02:01Z"')


def _names(holder: dict[str, Any], key: str, where: str) -> tuple[str, ...]:
    names = holder.get(key)
    if not isinstance(names, list) or not all(isinstance(name, str) and name for name in names):
        raise VotesFault(f"is damaged: `{key}` of {where} is no list of names")
    if len(set(names)) < len(names):
        raise VotesFault(f"is damaged: `{key}` of {where} names a version twice")
    return tuple(names)


def _judged(value: object, where: str) -> Judged:
    one = _object(value, where)
    order = _names(one, "order", where)
    if not order:
        raise VotesFault(f"is damaged: `order` of {where} is empty")
    versions = tuple(sorted(order))
    ratings = _given(one, "ratings", where, versions)
    ranks = _given(one, "ranks", where, versions)
    for rating in ratings.values():
        if not 0 <= rating <= 100:
            raise VotesFault(f"is damaged: a rating of {where} is not 0 to 100")
    for rank in ranks.values():
        if rank != int(rank) or not 1 <= rank <= len(versions):
            raise VotesFault(f"is damaged: a rank of {where} is not 1 to {len(versions)}")
    return Judged(
        take=_text(one, "take", where),
        excerpt=_text(one, "excerpt", where),
        versions=versions,
        order=order,
        ratings=ratings,
        ranks={name: int(rank) for name, rank in ranks.items()},
        note=_text(one, "note", where),
    )


def _given(one: dict[str, Any], key: str, where: str, versions: tuple[str, ...]) -> dict[str, float]:
    """Numbers a version; null says that none was given."""
    values = one.get(key)
    if not isinstance(values, dict) or set(values) != set(versions):
        raise VotesFault(f"is damaged: `{key}` of {where} are not of the versions in its `order`")
    found: dict[str, float] = {}
    for name in versions:
        value = values[name]
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise VotesFault(f"is damaged: `{key}` of {where} has something that is no number")
        if isinstance(value, float) and not math.isfinite(value):
            raise VotesFault(f"is damaged: `{key}` of {where} has a number past all bounds")
        if abs(value) > 1000:
            raise VotesFault(f"is damaged: `{key}` of {where} has a number out of range")
        found[name] = float(value)
    return found


def _run(value: object, where: str) -> RunHeard:
    one = _object(value, where)
    pair = tuple(sorted(_names(one, "pair", where)))
    if len(pair) != 2:
        raise VotesFault(f"is damaged: `pair` of {where} is not two versions")
    if one.get("condition") not in CONDITIONS:
        raise VotesFault(f"is damaged: `condition` of {where} is none of {', '.join(CONDITIONS)}")
    answers = one.get("answers")
    if not isinstance(answers, list) or not 1 <= len(answers) <= MOST_TRIALS:
        raise VotesFault(f"is damaged: `answers` of {where} is no list of 1 to {MOST_TRIALS}")
    hits = 0
    for answer in answers:
        if not isinstance(answer, dict) or any(answer.get(key) not in WHICH for key in ("x", "answer")):
            raise VotesFault(f'is damaged: an answer of {where} is neither "first" nor "second"')
        hits += answer["x"] == answer["answer"]
    for key, counted in (("trials", len(answers)), ("hits", hits)):
        if type(one.get(key)) is not int or one[key] != counted:
            raise VotesFault(f"is damaged: `{key}` of {where} is not the {counted} of its answers")
    take, excerpt = (_text(one, key, where) for key in ("take", "excerpt"))
    return RunHeard(take, excerpt, (pair[0], pair[1]), str(one["condition"]), len(answers), hits)
