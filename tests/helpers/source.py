"""`@source(...)`: where the numbers of a reference test come from; without it collection is refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T", bound=Callable[..., object])

KINDS = (
    "standard",
    "paper",
    "handbook",
    "library",
    "closed form",
    "common practice, no source",
    "from memory",
)


def source(citation: str, where: str = "", *, kind: str, tolerance: str = "") -> Callable[[T], T]:
    """Attach the origin of a test's numbers: citation, place in it, kind, and why this tolerance."""
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {KINDS}, not {kind!r}")

    def mark(function: T) -> T:
        function.__dict__["source"] = (citation, where, kind, tolerance)
        return function

    return mark
