"""What a window has room for: which columns of a table, what is said of those it has not, and lines of its width."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Iterable, Sequence

from render.workflows.summary import Column

GAP = 2
NARROWEST = 50
_WITH_UNIT = re.compile(r"(?<=\d) (?=(?:Hz|dB|dBFS|dBTP|ms|s|%|takes?)(?!\w))")


def window_width() -> int:
    """Of the window, or 100 where there is none; no less than lines of words can be read in."""
    return max(shutil.get_terminal_size((100, 24)).columns, NARROWEST)


def wrapped(text: str, width: int, *, first: str = "", later: str = "") -> str:
    """Lines of a width at most; options and file names stay whole, and a number with its unit."""
    lines = textwrap.fill(
        _WITH_UNIT.sub("\N{NO-BREAK SPACE}", text),
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return lines.replace("\N{NO-BREAK SPACE}", " ")


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
