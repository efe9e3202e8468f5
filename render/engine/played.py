"""Whether anything is played in a take: noise alone must not be brought to the loudness of music.

The line check tells it, and a render asks before it raises a very soft take.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from render.audio.array import Reals
from render.units import db_from_gain

if TYPE_CHECKING:
    from render.engine.inspect import Inspection
    from render.session.takes import Take

SOFT_DBTP = -40.0
"""A source that never comes above this was recorded some 30 dB too low: noise comes up with it."""

LEAST_HEARD_DB = 3.0
"""What rises less than this over its own quietest passage is noise."""

NOTHING_PLAYED = "nothing but noise: left at its own level"


def is_nothing_played(inspection: Inspection) -> bool:
    """Whether both tracks hold soft, steady noise and nothing else; loud, it may be playing that never rests."""
    return all(
        not source.life.dead
        and source.noise.noisy
        and source.noise.signal_to_noise_db < LEAST_HEARD_DB
        and db_from_gain(source.true_peak_gain) < SOFT_DBTP
        for source in inspection.sources
    )


def holds_nothing_played(take: Take, *, channels: tuple[int, int], source_sums: Reals, frames: int) -> bool:
    """Whether a take that is being rendered holds noise alone, as the line check has it.

    Parameters
    ----------
    take : Take
    channels : two numbers from 1
    source_sums : float64, shape (parts, 3)
        Sums of squares of both sources, third column unused, over `frames` or less.
    frames : int

    Raises
    ------
    TakeError
        If it cannot be read any more.

    Notes
    -----
    The take is listened to once more only if both sources are as soft as that all over: peaks below -40 dBTP mean
    an RMS below -40 dBFS.
    """
    if not np.all(source_sums[:, :2].sum(axis=0) < 10.0 ** (SOFT_DBTP / 10.0) * frames):
        return False
    from render.engine.inspect import inspect_take

    return is_nothing_played(inspect_take(take, channels=channels))
