"""What a listener sends back: the file that the page saves, and reads again.

JSON in UTF-8, one object:

| key | value |
| --- | --- |
| `format` | "drytake-votes" |
| `version` | 1 |
| `page` | the page's `identity`: votes of another page are told by it |
| `listener` | a name, as the listener gave it; may be "" |
| `made_at` | when the file was saved, UTC, "2030-05-04T03:02:01Z" |
| `ratings` | what was judged blind, one object a judgement |
| `trials` | finished runs of the test "is X the first or the second?", one object a run |
| `versions` | may be left out: the page's versions in its order, `{"name": ..., "title": ...}` each |
| `takes` | may be left out: the page's takes in its order, `{"name": ..., "excerpts": [names]}` each |

A judgement:

| key | value |
| --- | --- |
| `take`, `excerpt` | their names |
| `order` | names of the versions in the order in which they stood there without names: A, B, C ... |
| `ratings` | name of every version: 0 to 100, higher is better; null where none was given |
| `ranks` | name of every version: 1 (best), 2 ...; equal ranks allowed; null where none was given |
| `note` | the listener's words; may be "" |

One judgement an excerpt; judged again, the later one stays. Ratings and ranks are two ways of asking: a listener uses
one, the other holds null for every version.

A run:

| key | value |
| --- | --- |
| `take`, `excerpt` | their names |
| `pair` | names of the two versions: what was called the first, what was called the second |
| `condition` | how it was heard, the same throughout: "stereo", "mono", "left", "right", "side" or "small" |
| `trials` | how many, fixed before the run began |
| `hits` | how many answers were right |
| `answers` | one object a trial, in order: `{"x": "first" or "second", "answer": "first" or "second"}` |

Only whole runs are kept. The chance of as many hits by guessing is the upper tail of the binomial distribution with
probability 1/2: each trial's X was drawn by itself, both equally likely.
"""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

FORMAT: Literal["drytake-votes"] = "drytake-votes"
VERSION: Literal[1] = 1

Which = Literal["first", "second"]
Condition = Literal["stereo", "mono", "left", "right", "side", "small"]


class Answer(TypedDict):
    """One trial."""

    x: Which
    answer: Which


class Run(TypedDict):
    """A whole run of trials."""

    take: str
    excerpt: str
    pair: list[str]
    condition: Condition
    trials: int
    hits: int
    answers: list[Answer]


class Judgement(TypedDict):
    """An excerpt's versions, judged blind."""

    take: str
    excerpt: str
    order: list[str]
    ratings: dict[str, float | None]
    ranks: dict[str, int | None]
    note: str


class ShownVersion(TypedDict):
    """A version by its name and as the page calls it."""

    name: str
    title: str


class ShownTake(TypedDict):
    """A take and its excerpts, by name."""

    name: str
    excerpts: list[str]


class Votes(TypedDict):
    """The whole file."""

    format: Literal["drytake-votes"]
    version: Literal[1]
    page: str
    listener: str
    made_at: str
    ratings: list[Judgement]
    trials: list[Run]
    versions: NotRequired[list[ShownVersion]]
    takes: NotRequired[list[ShownTake]]
