"""A page of a picture: type and panels set by pixels from the top left, and the file it becomes."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any, Literal, TypeAlias

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.image import imsave
from matplotlib.lines import Line2D
from matplotlib.text import Text

from render.audio.array import Reals
from render.pictures import style

Align: TypeAlias = Literal["left", "center", "right"]


class Page:
    """White paper of a given height; everything is placed by pixels from its top left."""

    def __init__(self, height_px: int) -> None:
        self.height_px = height_px
        self._figure = Figure(
            figsize=(style.WIDTH_PX / style.DPI, height_px / style.DPI),
            dpi=style.DPI,
            facecolor=style.PAPER,
            edgecolor=style.PAPER,
        )
        self._figure.set_layout_engine("none")
        self._canvas: Any = FigureCanvasAgg(self._figure)

    def write(
        self,
        left_px: float,
        baseline_px: float,
        words: str,
        *,
        size_pt: float = style.TEXT_PT,
        bold: bool = False,
        colour: str = style.INK,
        align: Align = "left",
    ) -> None:
        """Set a line of type."""
        self._figure.add_artist(
            Text(
                left_px / style.WIDTH_PX,
                1.0 - baseline_px / self.height_px,
                words,
                color=colour,
                fontproperties=style.font(size_pt, bold=bold),
                horizontalalignment=align,
                verticalalignment="baseline",
                usetex=False,
                parse_math=False,
                transform=self._figure.transFigure,
                antialiased=True,
            )
        )

    def rule(
        self,
        left_px: float,
        right_px: float,
        at_px: float,
        *,
        colour: str,
        width_px: float,
        dashes: Sequence[float] = style.SOLID,
    ) -> None:
        """Draw a level line: a divider, or the pattern of a line in a legend."""
        across = (left_px / style.WIDTH_PX, right_px / style.WIDTH_PX)
        down = 1.0 - at_px / self.height_px
        line = make_line(
            np.asarray(across), np.asarray([down, down]), colour=colour, width_px=width_px, dashes=dashes
        )
        line.set_transform(self._figure.transFigure)
        self._figure.add_artist(line)

    def panel(self, left_px: float, top_px: float, width_px: float, height_px: float) -> Axes:
        """An empty panel, its ends at 0 and 1, without ticks, grid or frame."""
        axes = self._figure.add_axes(
            (
                left_px / style.WIDTH_PX,
                1.0 - (top_px + height_px) / self.height_px,
                width_px / style.WIDTH_PX,
                height_px / self.height_px,
            )
        )
        axes.set_axis_off()
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(0.0, 1.0)
        return axes

    def png(self) -> bytes:
        """The page as a file: the same page, the same bytes."""
        file = BytesIO()
        self._canvas.draw()
        imsave(
            file,
            np.asarray(self._canvas.buffer_rgba()),
            format="png",
            origin="upper",
            dpi=style.DPI,
            metadata={"Software": "drytake"},  # else the library writes its version
        )
        return file.getvalue()


def make_line(
    across: Reals, up: Reals, *, colour: str, width_px: float, dashes: Sequence[float] = style.SOLID
) -> Line2D:
    """A line of the house's kinds."""
    line = Line2D(
        across,
        up,
        color=colour,
        linewidth=style.points(width_px),
        linestyle="-",
        marker="None",
        solid_capstyle="butt",
        solid_joinstyle="round",
        dash_capstyle="butt",
        dash_joinstyle="round",
        antialiased=True,
    )
    if dashes:
        line.set_linestyle((0.0, tuple(style.points(1.4 * length) / width_px for length in dashes)))
    return line


def write_file(target: Path, data: bytes) -> None:
    """Write a file beside its place, then put it there: it is whole or it is not there.

    Raises
    ------
    OSError
        Nothing is left behind then.
    """
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        beside.write_bytes(data)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)
