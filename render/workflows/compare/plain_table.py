"""Text and tables of a fixed width for terminals, with letters that take up two columns or none."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence

WIDTH = 80
GAPS = re.compile(r" +(?!%)")  # a number and its per cent stay together
SEAMS = "_-./"


def cells(text: str) -> int:
    """How many columns of a terminal a text takes up."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def for_terminal(text: str) -> str:
    """A text with a minus that every console has."""
    return text.replace("\N{MINUS SIGN}", "-")


def folded(text: str, *, width: int = WIDTH) -> list[str]:
    """A text in lines of at most so many columns; what follows the first is set in by two, words too long are cut.

    Parameters
    ----------
    text : str
        Spaces at its beginning are kept, and set before every line.
    width : int
        Room for the spaces and at least 4 more columns.
    """
    words = text.lstrip(" ")
    lead = " " * (len(text) - len(words))
    lines: list[str] = []
    line = lead
    for word in GAPS.split(words):
        fits = not lines and not line.strip() and cells(line + word) <= width
        for index, piece in enumerate([word] if fits else _pieces(word, width - len(lead) - 2)):
            joined = f"{line} {piece}" if line.strip() else line + piece
            if index or (line.strip() and cells(joined) > width):
                lines.append(line)
                line = f"{lead}  {piece}"
            else:
                line = joined
    return [*lines, line]


def table(rows: Sequence[tuple[str, ...]], *, width: int = WIDTH) -> list[str]:
    """Columns in lines: the first holds words, set left and folded where it is too long; the others figures.

    A row of nothing but its first cell is a heading, and has the whole width.
    """
    widths = [max(cells(row[column]) for row in rows if any(row[1:])) for column in range(len(rows[0]))]
    widths[0] = min(widths[0], width - sum(one + 2 for one in widths[1:]))
    lines = []
    for row in rows:
        if not any(row[1:]):
            lines += folded(row[0], width=width)
            continue
        first, *more = folded(row[0], width=widths[0])
        figures = "".join("  " + cell.rjust(one) for cell, one in zip(row[1:], widths[1:], strict=True))
        lines += [first + " " * (widths[0] - cells(first)) + figures, *more]
    return lines


def _pieces(word: str, width: int) -> Iterator[str]:
    """A word, cut where it must be: at a seam in the latter half of a piece, if there is one."""
    while cells(word) > width:
        keep = len(word) - 1
        while keep > 1 and cells(word[:keep]) > width:
            keep -= 1
        seam = max(word.rfind(mark, 0, keep) for mark in SEAMS) + 1
        if seam > keep // 2:
            keep = seam
        yield word[:keep]
        word = word[keep:]
    yield word
