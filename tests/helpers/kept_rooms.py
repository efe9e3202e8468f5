"""Rooms made once a process: designing one costs more than rendering a short take with it, and it is a pure function.

Every test of `tests/unit/stages`, `tests/property/test_room.py` and `tests/reference/test_room.py` makes its own, and
so do all renders in `tests/determinism` and `tests/golden`.
"""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.stages.room import room_response


@functools.lru_cache(maxsize=16)
def kept_room(**asked: Any) -> NDArray[np.float64]:
    """What `room_response` gives for this, read-only."""
    room = room_response(**asked)
    room.setflags(write=False)
    return room
