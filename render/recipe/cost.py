"""How long a recipe rings: known from its numbers alone, before anything is computed.

Times are upper estimates of when a response has fallen for good below the level at which it is cut:
each stage by the slowest of its analogue poles, a chain by the sum of its stages.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from render.units import gain_from_db

if TYPE_CHECKING:
    from render.recipe.models import Recipe, Room, Source

FILTER_FALL_DB = 140.0
ROOM_FALL_DB = 130.0
LONGEST_STAGE_S = 6.0
LONGEST_RESPONSE_S = 80.0
ROOM_BUILD_UP_S = 0.25  # before the echoes are dense, at delay_scale 1


def resonance_s(*, frequency_hz: float, pole_q: float) -> float:
    """Time a pair of poles takes to fall by 140 dB.

    Poles of s^2 + s w / Q + w^2: the slower decays with w / (2 Q) while they are complex (Q > 1/2), else with
    w (1 / (2 Q) - sqrt(1 / (4 Q^2) - 1)).
    """
    damping = 0.5 / pole_q
    slowest = damping - math.sqrt(max(damping * damping - 1.0, 0.0))
    return math.log(gain_from_db(FILTER_FALL_DB)) / (2.0 * math.pi * frequency_hz * slowest)


def pole_q_range(*, frequency_hz: float) -> tuple[float, float]:
    """Lowest and highest Q of a pair of poles that ring no longer than a stage may.

    The slower decay d w must be at least d = t1 / T, with t1 the time of e^(-w t) and T the longest: Q = 1 / (2 d)
    for complex poles; of two real ones d + 1 / d = 1 / Q.
    """
    slowest = resonance_s(frequency_hz=frequency_hz, pole_q=0.5) / LONGEST_STAGE_S
    return slowest / (1.0 + slowest * slowest), 0.5 / slowest


def butterworth_s(*, cutoff_hz: float, slope_db_per_octave: int) -> float:
    """Time a Butterworth filter takes to fall by 140 dB: that of its sharpest pair of poles."""
    order = slope_db_per_octave // 6
    return resonance_s(frequency_hz=cutoff_hz, pole_q=0.5 / math.sin(math.pi / (2 * order)))


def estimate_response_s(recipe: Recipe) -> float:
    """Upper estimate of the length of the compiled response, to 2 percent; impulse-response files are not counted.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    float
        Seconds. One second is 4 x 8 bytes a frame in memory: 1.5 MB at 48 kHz.
    """
    lengths = response_parts_s(recipe)
    sources = max(length for name, length in lengths.items() if name.startswith("sources."))
    return (
        sources + lengths["stereo.chain"] + lengths["stereo.side_high_pass_hz"] + lengths["room.decay_1khz_s"]
    )


def response_parts_s(recipe: Recipe) -> dict[str, float]:
    """The same by parts, under the key that decides it."""
    return {
        **{f"sources.{name}.chain": _source_s(source) for name, source in recipe.sources.items()},
        "stereo.chain": sum(stage.longest_s for stage in recipe.stereo.chain),
        "stereo.side_high_pass_hz": high_pass_s(recipe.stereo.side_high_pass_hz),
        "room.decay_1khz_s": 0.0 if recipe.room is None else room_s(recipe.room),
    }


def room_s(room: Room) -> float:
    """Time the room takes to fall by 130 dB, with what comes before its tail."""
    before_s = room.pre_delay_ms / 1000.0 + ROOM_BUILD_UP_S * room.delay_scale
    return before_s + high_pass_s(room.high_pass_hz) + max(room.decays_s) * ROOM_FALL_DB / 60.0


def high_pass_s(cutoff_hz: float) -> float:
    """Time of a high-pass of 12 dB per octave; 0 Hz is none."""
    return butterworth_s(cutoff_hz=cutoff_hz, slope_db_per_octave=12) if cutoff_hz else 0.0


def _source_s(source: Source) -> float:
    return abs(source.own_delay_ms) / 1000.0 + sum(stage.longest_s for stage in source.chain)
