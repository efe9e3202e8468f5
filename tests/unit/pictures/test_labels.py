"""Names on lines: on their own line, clear of the others, never over each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from render.pictures.labels import Label, Spot, place_labels, stacked

WIDTH_PX, HEIGHT_PX = 300.0, 200.0
ACROSS = np.linspace(0.0, WIDTH_PX, 301)
NAME = Label(10.0, 12.0)

Line = tuple[NDArray[np.float64], NDArray[np.float64]]


def level(up_px: float) -> Line:
    """A level line."""
    return ACROSS, np.full(len(ACROSS), up_px)


def bump(up_px: float, height_px: float) -> Line:
    """A level line with a bump in its left third."""
    return ACROSS, up_px + height_px * np.exp(-(((ACROSS - 80.0) / 20.0) ** 2))


def place(
    lines: list[Line],
    labels: list[Label | None],
    *,
    dots_px: Sequence[tuple[float, float]] = (),
    **options: float,
) -> list[Spot | None]:
    """Place names in the usual panel."""
    return place_labels(
        lines,
        labels,
        bold=[label is None for label in labels],
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        dots_px=dots_px,
        **options,
    )


def test_a_line_alone_bears_its_name_in_the_middle() -> None:
    """On the line, in the middle of the panel."""
    (spot,) = place([level(70.0)], [NAME])
    assert spot is not None
    assert spot.on_line
    assert abs(spot.right_px - 150.0) <= 2.0
    assert spot.up_px == 70.0


def test_a_name_stands_where_its_line_does_something() -> None:
    """On the bump, not on the level part, which other lines share."""
    (spot, _) = place([bump(100.0, 60.0), level(100.0)], [NAME, None], rest_px=100.0)
    assert spot is not None
    assert 50.0 < spot.right_px < 110.0
    assert spot.up_px > 110.0


def test_a_name_stands_beside_a_line_that_another_covers() -> None:
    """Two lines upon each other: the name lies above or below, on no line."""
    (spot, _) = place([level(100.0), level(101.0)], [NAME, None])
    assert spot is not None
    assert not spot.on_line
    assert 6.0 < abs(spot.up_px - 100.0) < 25.0


def test_no_other_line_lies_between_a_line_and_its_name() -> None:
    """Beside a covered line, on the free side."""
    (spot, *_) = place([level(100.0), level(101.0), level(105.0)], [NAME, None, None])
    assert spot is not None
    assert spot.up_px < 100.0


def test_names_do_not_cover_each_other() -> None:
    """Eight lines close together: all named, all apart."""
    lines = [level(100.0 + 2.0 * index) for index in range(8)]
    spots = place(lines, [NAME] * 8)
    found = [spot for spot in spots if spot is not None]
    assert len(found) == 8
    for index, first in enumerate(found):
        for second in found[index + 1 :]:
            across, up = abs(first.right_px - second.right_px), abs(first.up_px - second.up_px)
            assert across >= NAME.width_px or up >= NAME.height_px


def test_names_stay_inside() -> None:
    """Whole names within the panel, below what is kept clear."""
    lines = [level(1.0), level(199.0), (ACROSS, 2.0 * ACROSS - 200.0)]
    for spot in place(lines, [NAME] * 3, clear_top_px=16.0):
        if spot is not None:
            assert 5.0 <= spot.right_px <= WIDTH_PX - 5.0
            assert 6.0 <= spot.up_px <= HEIGHT_PX - 16.0 - 6.0


def test_lines_without_a_place_have_no_name() -> None:
    """Outside the panel, nothing but gaps, or nameless."""
    nothing = (ACROSS, np.full(len(ACROSS), np.nan))
    assert place([level(500.0), nothing, level(50.0)], [NAME, NAME, None]) == [None, None, None]
    assert place([], []) == []


def test_the_same_lines_have_the_same_places() -> None:
    """No chance in it."""
    lines = [bump(90.0, 30.0), bump(95.0, -40.0), level(90.0)]
    assert place(lines, [NAME, NAME, None], rest_px=90.0) == place(lines, [NAME, NAME, None], rest_px=90.0)


def test_a_name_covers_no_dot() -> None:
    """Dots in the middle of a line, where its name would sit: it moves along, or beside the line."""
    dots = [(right_px, 70.0) for right_px in (120.0, 150.0, 180.0)]

    (spot,) = place([level(70.0)], [NAME], dots_px=dots)

    assert spot is not None
    for right_px, up_px in dots:
        across, up = abs(spot.right_px - right_px), abs(spot.up_px - up_px)
        assert across > 0.5 * NAME.width_px or up > 0.5 * NAME.height_px


def test_names_that_would_touch_are_stacked() -> None:
    """Side by side as long as there is room, then a row up, then not at all."""
    assert stacked([100.0, 200.0, 220.0, 300.0], [40.0] * 4, most_rows=3) == [0, 0, 1, 0]
    assert stacked([100.0, 105.0, 110.0, 115.0], [40.0] * 4, most_rows=3) == [0, 1, 2, None]
    assert stacked([100.0, 145.9, 191.9], [40.0] * 3, most_rows=2) == [0, 1, 0]
    assert stacked([], [], most_rows=2) == []
