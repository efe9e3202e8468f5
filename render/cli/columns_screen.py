"""Which columns of a table a window has room for, and what is said of those it has not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from render.workflows.summary import Column

GAP = 2


def fitting(columns: Sequence[Column], *, width: int, least_needed_first: Iterable[str]) -> list[Column]:
    """Columns that fit a window: what is least needed goes first, what is not named in that order stays."""
    shown = list(columns)
    for heading in least_needed_first:
        if width_of(shown) <= width:
            break
        shown = [column for column in shown if column.heading != heading]
    return shown


def width_of(columns: Sequence[Column]) -> int:
    """How wide a table of these columns is."""
    return sum(column.width + GAP for column in columns) - GAP


def left_out(columns: Sequence[Column], shown: Sequence[Column], *, see: str) -> str:
    """What a narrow window does not show, and where it stands; nothing if it shows all."""
    headings = [column.heading for column in columns if column not in shown]
    return f"no room for: {', '.join(headings)}; widen the window, or see {see}" if headings else ""
