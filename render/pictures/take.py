"""A take as a picture: what was found, how loud both sources are over time, and how they compare.

header                                  name, length, rate; findings in words, gravest first
level over time                         see take_levels.py
both spectra                            see take_spectra.py
how far the sources agree               see take_likeness.py
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import get_args

from render.pictures import style
from render.pictures.layout import LINE_PX, SECTION_PX, Section
from render.pictures.marks import clock_words
from render.pictures.page import Page, write_file
from render.pictures.take_curves import Remark, Severity, TakeCurves
from render.pictures.take_levels import levels_section
from render.pictures.take_likeness import likeness_section
from render.pictures.take_parts import INNER_PX
from render.pictures.take_spectra import spectra_section
from render.pictures.words import DOT, number, rate_words, real_minus

TITLE_LINE_PX = 26
SEVERITY_PX = 70
MOST_LINES = 8
MOST_LINES_EACH = 2


def write_take_picture(curves: TakeCurves, path: Path) -> None:
    """Draw a take into a PNG file.

    Parameters
    ----------
    curves : TakeCurves
    path : Path
        Replaced as a whole, or not at all.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    write_file(path, take_png(curves))


def take_png(curves: TakeCurves) -> bytes:
    """The picture of `write_take_picture`, 900 pixels wide; the same numbers give the same bytes."""
    sections = [
        _header(curves),
        levels_section(curves),
        spectra_section(curves),
        likeness_section(curves),
    ]
    page = Page(sum(section.height_px for section in sections))
    top_px = 0.0
    for section in sections:
        section.draw(page, top_px)
        top_px += section.height_px
    return page.png()


def _header(curves: TakeCurves) -> Section:
    """Name, length, rate, and what was found."""
    name = style.printable(curves.name) or "take"
    size_pt = style.TITLE_PT
    if style.text_width_px(name, size_pt, bold=True) > INNER_PX:
        size_pt = style.LONG_TITLE_PT
    title = style.wrapped(name, size_pt, INNER_PX, most_lines=2, bold=True)
    last_px = 48 + TITLE_LINE_PX * (len(title) - 1)
    lines = _remark_lines(curves)

    def draw(page: Page, top_px: float) -> None:
        for index, line in enumerate(title):
            baseline_px = top_px + 48 + TITLE_LINE_PX * index
            page.write(style.MARGIN_PX, baseline_px, line, size_pt=size_pt, bold=True)
        facts = f"{_length_words(curves.duration_s)}{DOT}{rate_words(round(curves.sample_rate_hz))}"
        page.write(style.MARGIN_PX, top_px + last_px + 23, facts, colour=style.QUIET_INK)
        if not lines:
            page.write(style.MARGIN_PX, top_px + last_px + 49, "Nothing found that needs attention.")
        for index, (mark, words) in enumerate(lines):
            baseline_px = top_px + last_px + 49 + LINE_PX * index
            page.write(
                style.MARGIN_PX,
                baseline_px,
                mark,
                bold=mark == "fault",
                colour=style.QUIET_INK if mark == "note" else style.INK,
            )
            page.write(style.MARGIN_PX + SEVERITY_PX, baseline_px, words)

    return Section(last_px + 46 + LINE_PX * max(len(lines), 1) + SECTION_PX, draw)


def _remark_lines(curves: TakeCurves) -> list[tuple[str, str]]:
    """Findings on their lines; those that do not fit are counted."""
    lines: list[tuple[str, str]] = []
    for index, remark in enumerate(curves.remarks):
        wrapped = style.wrapped(
            real_minus(style.printable(remark.words)),
            style.TEXT_PT,
            INNER_PX - SEVERITY_PX,
            most_lines=MOST_LINES_EACH,
        )
        is_last = index == len(curves.remarks) - 1
        if len(lines) + len(wrapped) > MOST_LINES - (0 if is_last else 1):
            return [*lines, ("", _more_words(curves.remarks[index:]))]
        lines += [(remark.severity if row == 0 else "", words) for row, words in enumerate(wrapped)]
    return lines


def _more_words(remarks: Sequence[Remark]) -> str:
    """How many findings are not listed, and how grave they are."""
    counts = [(sum(remark.severity == kind for remark in remarks), kind) for kind in get_args(Severity)]
    parts = [f"{count} {kind}{'' if count == 1 else 's'}" for count, kind in counts if count]
    return f"and {len(remarks)} more: {', '.join(parts)}"


def _length_words(duration_s: float) -> str:
    """How long a take is."""
    if duration_s < 0.1:
        return f"{number(round(1000.0 * duration_s, 2))} ms long"
    if duration_s < 60.0:
        return f"{number(round(duration_s, 1))} s long"
    return f"{clock_words(duration_s, step_s=1.0)} long"
