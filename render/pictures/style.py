"""The look of all pictures: white paper, near-black type, greys, one accent colour; lines tell apart in grey print.

Everything is said explicitly, so that a person's own settings of the plotting library change nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font

DPI = 100
WIDTH_PX = 900
MARGIN_PX = 60
RIGHT_MARGIN_PX = 34

PAPER = "#ffffff"
INK = "#1c1c1c"
QUIET_INK = "#5a5a5a"
ACCENT = "#00698c"
THIN = "#6f6f6f"
GRID = "#e6e6e6"
AXIS = "#a8a8a8"

TITLE_PT = 17.0
LONG_TITLE_PT = 14.5
HEAD_PT = 11.0
TEXT_PT = 9.0
SMALL_PT = 8.0

BOLD_PX = 2.4
LINE_PX = 1.7
THIN_PX = 1.0

SOLID: tuple[float, ...] = ()
THIN_DASHES: tuple[tuple[float, ...], ...] = (SOLID, (5.0, 2.0), (1.5, 1.5), (8.0, 2.0, 1.5, 2.0))
"""Of stages, one after the other; on and off in points."""

WAY_LINES: tuple[tuple[str, tuple[float, ...], float], ...] = (
    (ACCENT, SOLID, BOLD_PX),
    (INK, (4.5, 2.0), LINE_PX),
    (QUIET_INK, (1.2, 1.6), LINE_PX),
    (INK, (9.0, 2.0, 1.5, 2.0), THIN_PX),
)
"""Colour, dashes and width of lines that stand for ways: left, right, mono."""


def font(size_pt: float, *, bold: bool = False) -> FontProperties:
    """The typeface that comes with the plotting library, by its file: the same on every system."""
    return FontProperties(fname=str(_font_file(bold)), size=size_pt)


def points(pixels: float) -> float:
    """Pixels of the picture in points of type and lines."""
    return pixels * 72.0 / DPI


def printable(text: str) -> str:
    """The text with an empty box for every character that the typeface lacks, on one line."""
    known = _characters()
    return "".join(
        character if ord(character) in known else "\N{WHITE SQUARE}" for character in " ".join(text.split())
    )


def text_width_px(text: str, size_pt: float, *, bold: bool = False) -> float:
    """How much room a line of text takes."""
    if not text.strip():
        return 0.0
    # as it will be drawn: small type is fitted to whole pixels, which makes it wider than its outlines
    agg: Any = RendererAgg
    width, _, _ = agg(1, 1, DPI).get_text_width_height_descent(text, font(size_pt, bold=bold), False)
    return float(width)


def shortened(text: str, size_pt: float, width_px: float, *, bold: bool = False) -> str:
    """The text, its middle left out if it takes more room than there is."""
    if text_width_px(text, size_pt, bold=bold) <= width_px:
        return text

    def keeping(count: int) -> str:
        head = (count + 1) // 2
        return f"{text[:head].rstrip()}\N{HORIZONTAL ELLIPSIS}{text[len(text) - (count - head) :].lstrip()}"

    kept = bisect_right(
        range(len(text)), width_px, key=lambda count: text_width_px(keeping(count), size_pt, bold=bold)
    )
    return keeping(max(kept - 1, 0))


def ended(text: str, size_pt: float, width_px: float, *, bold: bool = False) -> str:
    """The text, its last words left out if it takes more room than there is; a single word loses its middle."""
    if text_width_px(text, size_pt, bold=bold) <= width_px:
        return text
    words = text.split(" ")

    def keeping(count: int) -> str:
        return f"{' '.join(words[:count]).rstrip(' ,;:')}\N{HORIZONTAL ELLIPSIS}"

    kept = bisect_right(
        range(1, len(words)), width_px, key=lambda count: text_width_px(keeping(count), size_pt, bold=bold)
    )
    return keeping(kept) if kept else shortened(text, size_pt, width_px, bold=bold)


def wrapped(text: str, size_pt: float, width_px: float, *, most_lines: int, bold: bool = False) -> list[str]:
    """The text on as many lines as it needs; the last one ends at a word if there may be no more."""
    lines: list[str] = []
    words = text.split(" ")
    while words and len(lines) < most_lines:
        count = 1
        if len(lines) == most_lines - 1:
            count = len(words)
        while (
            count < len(words) and text_width_px(" ".join(words[: count + 1]), size_pt, bold=bold) <= width_px
        ):
            count += 1
        lines.append(ended(" ".join(words[:count]), size_pt, width_px, bold=bold))
        words = words[count:]
    return lines


def _font_file(bold: bool) -> Path:
    return Path(mpl.get_data_path(), "fonts", "ttf", "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")


@cache
def _characters() -> frozenset[int]:
    return frozenset(FT2Font(str(_font_file(False))).get_charmap()) & frozenset(
        FT2Font(str(_font_file(True))).get_charmap()
    )
