"""Where the name of a line is written: on the line itself, where no other line or name is near, else close beside it.

A name that sits on its line needs no colour and no legend, and reads in grey print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.audio.array import Reals

STEP_PX = 2.0
EDGE_PX = 3.0
GAP_PX = 3.0
ROW_GAP_PX = 6.0
DOT_PX = 8.0
ENOUGH_PX = 22.0
COVERED_PRICE = 5.0
COVERED_BOLD_PRICE = 16.0
WRITTEN_OVER_PRICE = 1000.0
SHAPE_SHARE = 0.5
SHAPE_PX = 36.0
BETWEEN_PRICE = 12.0
MIDDLE_WEIGHT = 0.01
BESIDE: tuple[tuple[float, float, float], ...] = (
    (0.0, 0.0, 0.0),
    (0.0, 1.1, 6.0),
    (0.0, -1.1, 6.0),
    (1.3, 0.0, 7.0),
    (-1.3, 0.0, 7.0),
    (0.0, 1.7, 9.0),
    (0.0, -1.7, 9.0),
)
"""Places of a name around its line: across and up, in its half width and half height, and what each costs."""


@dataclass(frozen=True)
class Label:
    """Size of a name."""

    width_px: float
    height_px: float


@dataclass(frozen=True)
class Spot:
    """Centre of a name, from the lower left of its panel; on its line or beside it."""

    right_px: float
    up_px: float
    on_line: bool = True


def stacked(at_px: Sequence[float], widths_px: Sequence[float], *, most_rows: int) -> list[int | None]:
    """Rows, counted from 0, in which names centred at rising places do not touch; None where no row has room.

    Parameters
    ----------
    at_px, widths_px : sequence of float
        Middle and width of each name.
    most_rows : int
    """
    ends_px = [-math.inf] * most_rows
    rows: list[int | None] = []
    for middle_px, width_px in zip(at_px, widths_px, strict=True):
        free = [row for row in range(most_rows) if middle_px - 0.5 * width_px >= ends_px[row] + ROW_GAP_PX]
        rows.append(free[0] if free else None)
        if free:
            ends_px[free[0]] = middle_px + 0.5 * width_px
    return rows


def place_labels(
    lines_px: Sequence[tuple[Reals, Reals]],
    labels: Sequence[Label | None],
    *,
    bold: Sequence[bool],
    width_px: float,
    height_px: float,
    rest_px: float | None = None,
    clear_top_px: float = 0.0,
    dots_px: Sequence[tuple[float, float]] = (),
) -> list[Spot | None]:
    """Find a place on each line for its name.

    Parameters
    ----------
    lines_px : sequence of (across, up), float64, shape (points,) each
        Lines from the lower left of the panel, rising across; they may leave the panel or have gaps (not-a-number).
    labels : sequence of Label or None
        Names, in the order of their importance; None for a line that has none but is to be kept clear.
    bold : sequence of bool
        Lines that a name should not cover if there is another way.
    width_px, height_px : float
        Of the panel.
    rest_px : float, optional
        Height of the line that says "nothing happens": a name sits better where its line is far from it, for there it
        shows what it does.
    clear_top_px : float
        So much of the upper edge is kept clear of names.
    dots_px : sequence of (across, up)
        Centres of dots that no name may cover.

    Returns
    -------
    list of Spot or None
        None where a line has no name, or nowhere passes through the panel.
    """
    grid_px = np.arange(0.0, width_px + STEP_PX, STEP_PX)
    heights = np.array([_on_grid(grid_px, across, up) for across, up in lines_px]).reshape(
        len(lines_px), len(grid_px)
    )
    taken = [(Spot(across, up), Label(DOT_PX, DOT_PX)) for across, up in dots_px]
    spots: list[Spot | None] = []
    for index, label in enumerate(labels):
        spot = None
        if label is not None:
            spot = _best_spot(
                grid_px,
                heights[index],
                np.delete(heights, index, axis=0),
                bold=np.delete(np.asarray(bold, dtype=bool), index),
                label=label,
                taken=taken,
                size=(width_px, height_px - clear_top_px),
                rest_px=rest_px,
            )
        if spot is not None and label is not None:
            taken.append((spot, label))
        spots.append(spot)
    return spots


def _on_grid(grid_px: Reals, across: Reals, up: Reals) -> Reals:
    """Height of a line at every step; not-a-number beyond its ends and in its gaps."""
    known = np.isfinite(across) & np.isfinite(up)
    if not known.any():
        return np.full(len(grid_px), np.nan)
    return np.asarray(np.interp(grid_px, across[known], up[known], left=np.nan, right=np.nan))


def _best_spot(
    grid_px: Reals,
    own: Reals,
    others: Reals,
    *,
    bold: NDArray[np.bool_],
    label: Label,
    taken: Sequence[tuple[Spot, Label]],
    size: tuple[float, float],
    rest_px: float | None,
) -> Spot | None:
    """Of all places on the line, above and below it, the one with most air around the name."""
    half_width, half_height = 0.5 * label.width_px + EDGE_PX, 0.5 * label.height_px + EDGE_PX
    reach = math.ceil((half_width + GAP_PX) / STEP_PX)
    least_px = SHAPE_SHARE * _farthest(own, size[1], rest_px)
    best, best_score = None, -math.inf
    for step in np.flatnonzero(np.isfinite(own)):
        line_up = float(own[step])
        if not 0.0 <= line_up <= size[1] or (rest_px is not None and abs(line_up - rest_px) < least_px):
            continue
        for beside_across, beside_up, price in BESIDE:
            right, up = float(grid_px[step]) + beside_across * half_width, line_up + beside_up * half_height
            if not half_width <= right <= size[0] - half_width:
                continue
            if not half_height <= up <= size[1] - half_height:
                continue
            middle = round(right / STEP_PX)
            window = slice(max(middle - reach, 0), middle + reach + 1)
            air = _least_gap(others[:, window], up)
            score = -price - MIDDLE_WEIGHT * abs(right - 0.5 * size[0])
            if price:
                air = min(air, _least_gap(own[np.newaxis, window], up))
                at_line = others[:, min(middle, len(grid_px) - 1)]
                score -= BETWEEN_PRICE if np.any((at_line - line_up) * (at_line - up) < 0.0) else 0.0
            score += air
            enough = half_height - (EDGE_PX if price else 0.0)
            score -= COVERED_PRICE if air < enough else 0.0
            score -= COVERED_BOLD_PRICE if _least_gap(others[bold, window], up) < enough else 0.0
            score -= sum(_overlap(right, up, label, spot, other) for spot, other in taken)
            if score > best_score:
                best, best_score = Spot(right, up, on_line=not price), score
    return best


def _farthest(own: Reals, height_px: float, rest_px: float | None) -> float:
    """How far a line goes away from rest within the panel; no more than is enough to be seen."""
    inside = own[np.isfinite(own) & (own >= 0.0) & (own <= height_px)]
    if rest_px is None or not inside.size:
        return 0.0
    return min(float(np.abs(inside - rest_px).max()), SHAPE_PX)


def _least_gap(near: Reals, up: float) -> float:
    """How near the nearest line comes; no more than is enough."""
    gaps = np.abs(near[np.isfinite(near)] - up)
    return min(float(gaps.min()), ENOUGH_PX) if gaps.size else ENOUGH_PX


def _overlap(right: float, up: float, label: Label, spot: Spot, other: Label) -> float:
    """A high price for writing over another name."""
    apart_across = abs(right - spot.right_px) - 0.5 * (label.width_px + other.width_px) - GAP_PX
    apart_up = abs(up - spot.up_px) - 0.5 * (label.height_px + other.height_px) - GAP_PX
    return 0.0 if max(apart_across, apart_up) >= 0.0 else WRITTEN_OVER_PRICE
