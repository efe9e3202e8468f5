"""What all sections of a take's picture share: widths, scales, the lines of both sources, headings."""

from __future__ import annotations

from render.pictures import style
from render.pictures.axes import Scale
from render.pictures.layout import HEAD_PX, LINE_PX, SECTION_PX, Section
from render.pictures.page import Page
from render.pictures.take_curves import TakeCurves
from render.pictures.words import fixed

INNER_PX = style.WIDTH_PX - style.MARGIN_PX - style.RIGHT_MARGIN_PX
SOURCE_LINES: tuple[tuple[str, tuple[float, ...], float], ...] = (
    (style.ACCENT, style.SOLID, style.BOLD_PX),
    (style.INK, (4.5, 2.0), style.LINE_PX),
)
"""Colour, dashes and width of the first and the second source: apart in grey print too."""

LEAST_SHOWN_S = 0.1
HIGHEST_HZ = 20_000.0
LOWEST_HZ = 20.0


def shown_s(curves: TakeCurves) -> float:
    """How much time the panels show: the take, but no less than a tenth of a second."""
    return max(curves.duration_s, LEAST_SHOWN_S)


def time_scale(curves: TakeCurves) -> Scale:
    """The whole take across."""
    return Scale(0.0, shown_s(curves))


def frequency_scale(curves: TakeCurves) -> Scale:
    """From 20 Hz to 20 kHz, or to half the sample rate."""
    return Scale(LOWEST_HZ, min(HIGHEST_HZ, 0.5 * curves.sample_rate_hz), octaves=True)


def head(page: Page, top_px: float, name: str, facts: str) -> None:
    """Name of a section, and what is drawn in it, over the whole width."""
    page.write(style.MARGIN_PX, top_px + 14, name, size_pt=style.HEAD_PT, bold=True)
    page.write(style.MARGIN_PX, top_px + HEAD_PX + 9, facts, colour=style.QUIET_INK)


def words_section(name: str, words: str, *, space_px: int = SECTION_PX) -> Section:
    """A section that only says why there is nothing to see."""

    def draw(page: Page, top_px: float) -> None:
        head(page, top_px, name, words)

    return Section(HEAD_PX + LINE_PX + space_px, draw)


def level_words(level_db: float) -> str:
    """A level to a tenth of a dB."""
    return fixed(level_db, 1)
