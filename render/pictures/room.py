"""The room in a picture: how long it rings at each octave, and how loud it is over time."""

from __future__ import annotations

import math

import numpy as np

from render.pictures import style
from render.pictures.axes import Panel, Scale, Stroke, nice_step
from render.pictures.curves import RoomCurves
from render.pictures.layout import (
    AXIS_PX,
    CAPTION_PX,
    COLUMN_PX,
    HEAD_PX,
    LINE_PX,
    SECTION_PX,
    Section,
    column,
    heading,
)
from render.pictures.page import Page
from render.pictures.words import octave_words

ROOM_PX = 160
FALL_DB = 66.0


def room_section(room: RoomCurves, facts: str) -> Section:
    """How long the room rings at each octave, and how loud it is over time."""
    panel_top_px = HEAD_PX + LINE_PX + CAPTION_PX

    def draw(page: Page, top_px: float) -> None:
        heading(page, style.MARGIN_PX, top_px, "Room", [facts])
        _draw_decay(page, top_px + panel_top_px, room)
        _draw_fall(page, top_px + panel_top_px, room)

    return Section(panel_top_px + ROOM_PX + AXIS_PX + SECTION_PX, draw)


def _draw_decay(page: Page, top_px: float, room: RoomCurves) -> None:
    """Asked decay as a line, computed decay of every octave as dots."""
    centres_hz = np.array([octave.centre_hz for octave in room.octaves])
    measured_s = np.array([octave.t30_s for octave in room.octaves])
    longest_s = float(np.nanmax([*room.law_s, *measured_s]))
    step_s = nice_step(1.15 * longest_s, most=5)
    up = Scale(0.0, step_s * math.ceil(1.15 * longest_s / step_s - 1e-9))
    panel = Panel(
        page,
        left_px=style.MARGIN_PX,
        top_px=top_px,
        width_px=COLUMN_PX,
        height_px=ROOM_PX,
        across=Scale(float(room.law_hz[0]), float(room.law_hz[-1]), octaves=True),
        up=up,
    )
    panel.caption("seconds to fall by 60 dB: asked (line), measured (dots)")
    panel.grid_of_frequencies([125.0 * 2.0**octave for octave in range(7)])
    panel.grid_up(step_s)
    panel.draw([Stroke(room.law_hz, room.law_s, style.THIN, style.LINE_PX)])
    panel.dots(centres_hz, measured_s, colour=style.ACCENT, size_px=9.0)
    for centre_hz, decay_s in zip(centres_hz, measured_s, strict=True):
        if math.isfinite(decay_s):
            panel.write_inside(
                panel.width_px * panel.across.at(centre_hz),
                panel.height_px * panel.up.at(decay_s) + 14.0,
                f"{decay_s:.2f}",
                colour=style.ACCENT,
            )


def _draw_fall(page: Page, top_px: float, room: RoomCurves) -> None:
    """Level of the room over time, for a low, a middle and a high octave."""
    chosen = [room.octaves[0], room.octaves[3], room.octaves[-1]]
    top_db = max(float(octave.curve_db[0]) for octave in chosen)
    highest_db = 6.0 * math.ceil(max(top_db, 0.0) / 6.0 - 1e-6)
    lowest_db = 6.0 * math.floor((top_db - FALL_DB) / 6.0)
    frames = max(int(np.count_nonzero(octave.curve_db > lowest_db)) for octave in chosen)
    longest_s = frames / room.sample_rate_hz
    step_s = nice_step(longest_s, most=6)
    panel = Panel(
        page,
        left_px=column(1),
        top_px=top_px,
        width_px=COLUMN_PX,
        height_px=ROOM_PX,
        across=Scale(0.0, longest_s),
        up=Scale(lowest_db, highest_db + 3.0),
    )
    panel.caption("what is still to come of the room, in dB of the direct sound")
    panel.grid_of_seconds(step_s)
    panel.grid_up(6.0, rest=0.0)
    looks = [(style.QUIET_INK, (4.5, 2.0)), (style.ACCENT, style.SOLID), (style.QUIET_INK, (1.2, 1.6))]
    stride = max(1, frames // 600)
    strokes = [
        Stroke(
            np.arange(0, len(octave.curve_db), stride) / room.sample_rate_hz,
            octave.curve_db[::stride],
            colour,
            style.BOLD_PX if dashes == style.SOLID else style.LINE_PX,
            dashes,
        )
        for octave, (colour, dashes) in zip(chosen, looks, strict=False)
    ]
    panel.draw([strokes[0], *strokes[2:], *strokes[1:2]])
    panel.legend(strokes, [octave_words(octave.centre_hz) for octave in chosen])
    panel.dots(np.zeros(1), np.zeros(1), colour=style.INK, size_px=8.0)
    panel.write_inside(10.0, panel.height_px * panel.up.at(0.0) - 9.0, "direct sound", align="left")
