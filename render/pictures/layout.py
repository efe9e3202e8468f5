"""How a page is divided: two columns, sections below each other, and what stands in all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from render.audio.array import Reals
from render.pictures import style
from render.pictures.axes import Panel, Scale
from render.pictures.curves import Curve
from render.pictures.page import Page

GUTTER_PX = 64
COLUMN_PX = (style.WIDTH_PX - style.MARGIN_PX - style.RIGHT_MARGIN_PX - GUTTER_PX) // 2
SECTION_PX = 30
HEAD_PX = 24
LINE_PX = 17
MARK_PX = 32
CAPTION_PX = 24
AXIS_PX = 20


@dataclass(frozen=True)
class Section:
    """A part of the page: how tall it is, and how it is drawn from a given top."""

    height_px: int
    draw: Callable[[Page, float], None]


def column(index: int) -> float:
    """Left edge of the first or the second column."""
    return float(style.MARGIN_PX + index * (COLUMN_PX + GUTTER_PX))


def means(bands_per_octave: float | None) -> str:
    """Over how broad a band a curve is averaged, if at all."""
    return "" if bands_per_octave is None else f", means over 1/{bands_per_octave:g} octave"


def heading(page: Page, left_px: float, top_px: float, name: str, facts: Sequence[str]) -> None:
    """Name of a part, and quiet lines below it."""
    head = style.shortened(style.printable(name), style.HEAD_PT, COLUMN_PX, bold=True)
    page.write(left_px, top_px + 14, head, size_pt=style.HEAD_PT, bold=True)
    for index, line in enumerate(facts):
        page.write(left_px, top_px + HEAD_PX + 9 + LINE_PX * index, line, colour=style.QUIET_INK)


def stage_list(
    page: Page, left_px: float, top_px: float, stages: Sequence[Curve], *, most: int, total: str = ""
) -> None:
    """Stages in the order of the signal, by the marks that stand on their lines."""
    lines = [(stage.mark, stage.words) for stage in stages]
    if len(lines) > most + 1:
        lines = [*lines[:most], ("", f"and {len(lines) - most} more, drawn without a mark")]
    baseline_px = top_px + 13
    for mark, words in lines:
        fitting = style.shortened(style.printable(words), style.TEXT_PT, COLUMN_PX - MARK_PX)
        page.write(left_px, baseline_px, mark, colour=style.QUIET_INK)
        page.write(left_px + MARK_PX, baseline_px, fitting)
        baseline_px += LINE_PX
    if total:
        page.rule(left_px, left_px + 20, baseline_px - 4, colour=style.ACCENT, width_px=style.BOLD_PX)
        page.write(left_px + MARK_PX, baseline_px, total, colour=style.ACCENT)


def frequency_panel(
    page: Page, left_px: float, top_px: float, *, height_px: float, frequency_hz: Reals, up: Scale
) -> Panel:
    """A panel of one column, with the frequencies across."""
    return Panel(
        page,
        left_px=left_px,
        top_px=top_px,
        width_px=COLUMN_PX,
        height_px=height_px,
        across=Scale(float(frequency_hz[0]), float(frequency_hz[-1]), octaves=True),
        up=up,
    )
