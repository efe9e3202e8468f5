"""Files of votes as the listening page saves them, of invented listeners."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

PAGE = "boathouse-1"


def judgement(
    ratings: Mapping[str, float | None] | None = None,
    *,
    ranks: Mapping[str, int | None] | None = None,
    take: str = "verse",
    excerpt: str = "typical",
    note: str = "",
) -> dict[str, Any]:
    """One excerpt judged; what is not given holds null, as on the page."""
    names = list(ratings or ranks or {})
    return {
        "take": take,
        "excerpt": excerpt,
        "order": names[::-1],
        "ratings": dict(ratings) if ratings else dict.fromkeys(names),
        "ranks": dict(ranks) if ranks else dict.fromkeys(names),
        "note": note,
    }


def run(
    hits: int,
    trials: int,
    *,
    pair: Sequence[str] = ("capture", "warm"),
    condition: str = "stereo",
    take: str = "verse",
    shift: int = 0,
) -> dict[str, Any]:
    """A whole run with so many hits; `shift` makes it another run with the same score."""
    other = {"first": "second", "second": "first"}
    drawn = ["first" if (trial * 7 + shift) % 3 else "second" for trial in range(trials)]
    answers = [
        {"x": x, "answer": x if (trial + shift) % trials < hits else other[x]}
        for trial, x in enumerate(drawn)
    ]
    return {
        "take": take,
        "excerpt": "typical",
        "pair": list(pair),
        "condition": condition,
        "trials": trials,
        "hits": hits,
        "answers": answers,
    }


def votes(
    listener: str,
    ratings: Sequence[dict[str, Any]] = (),
    trials: Sequence[dict[str, Any]] = (),
    *,
    made_at: str = "2030-05-04T03:02:01Z",
    page: str = PAGE,
    shown: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> dict[str, Any]:
    """The whole of a file; `shown` has `versions` and `takes` as the page showed them, where it tells."""
    return {
        **(shown or {}),
        "format": "drytake-votes",
        "version": 1,
        "page": page,
        "listener": listener,
        "made_at": made_at,
        "ratings": list(ratings),
        "trials": list(trials),
    }


def saved(folder: Path, name: str, content: dict[str, Any]) -> Path:
    """Written as the page writes it."""
    path = folder / name
    path.write_text(f"{json.dumps(content, indent=1)}\n", encoding="utf-8")
    return path
