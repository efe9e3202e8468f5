"""Scales and grids."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from render.pictures.axes import Panel, Scale, Stroke, db_scale, nice_step
from render.pictures.page import Page


def test_octaves_take_the_same_room() -> None:
    """20 Hz to 20 kHz: three decades, the middle at 632 Hz."""
    scale = Scale(20.0, 20_000.0, octaves=True)
    assert_allclose(
        scale.fraction(np.array([20.0, 200.0, 2000.0, 20_000.0])), [0.0, 1 / 3, 2 / 3, 1.0], atol=1e-12
    )
    assert scale.at(np.sqrt(20.0 * 20_000.0)) == pytest.approx(0.5)
    assert Scale(-30.0, 6.0).at(0.0) == pytest.approx(30.0 / 36.0)


@pytest.mark.parametrize(
    ("levels", "faint", "ends"),
    [
        ([[0.0, 0.0]], [], (-12.0, 6.0)),
        ([[-6.0, -np.inf]], [], (-30.0, 6.0)),
        ([[0.0, -10.0], [5.0, 2.0]], [], (-12.0, 12.0)),
        ([[-60.0, -61.0]], [], (-66.0, 6.0)),
        ([[0.0, -1.0]], [[-27.0, -np.inf]], (-36.0, 6.0)),
        ([[-np.inf, -np.inf]], [], (-12.0, 6.0)),
        ([], [], (-12.0, 6.0)),
    ],
)
def test_level_scale_shows_what_matters(
    levels: list[list[float]], faint: list[list[float]], ends: tuple[float, float]
) -> None:
    """Every line to 24 dB below its top, faint ones to 6 dB, in steps of 6 dB, with air above."""
    scale = db_scale([np.array(line) for line in levels], faint_db=[np.array(line) for line in faint])
    assert (scale.lowest, scale.highest) == ends


@pytest.mark.parametrize(
    ("span", "most", "step"), [(1.0, 5, 0.2), (6.0, 5, 2.0), (1.3, 6, 0.5), (12.0, 6, 2.0), (0.09, 5, 0.02)]
)
def test_steps_are_round(span: float, most: int, step: float) -> None:
    """1, 2 and 5 times a power of ten, no more of them than wanted."""
    assert nice_step(span, most=most) == pytest.approx(step)


def _panel(page: Page, up: Scale) -> Panel:
    across = Scale(20.0, 20_000.0, octaves=True)
    return Panel(page, left_px=60.0, top_px=40.0, width_px=370.0, height_px=200.0, across=across, up=up)


def test_lines_may_leave_the_panel_and_have_gaps() -> None:
    """Minus infinity and not-a-number draw without a warning, and nothing of them far outside."""
    page = Page(300)
    panel = _panel(page, Scale(-30.0, 6.0))
    frequency_hz = np.geomspace(20.0, 20_000.0, 50)
    level_db = np.full(50, -3.0)
    level_db[:10], level_db[20] = -np.inf, np.nan
    panel.draw([Stroke(frequency_hz, level_db, "#000000", 2.0, name="1")], rest=0.0)
    panel.grid_of_frequencies()
    panel.grid_up(6.0, rest=0.0)
    assert page.png().startswith(b"\x89PNG")


def test_a_deep_scale_is_numbered_where_there_is_room() -> None:
    """66 steps of 6 dB on 200 pixels: a line each, a number for some."""
    page = Page(300)
    _panel(page, Scale(-390.0, 6.0)).grid_up(6.0, rest=0.0)
    assert page.png().startswith(b"\x89PNG")
