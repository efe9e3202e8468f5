"""Previews (Ogg, Opus, MP3) that keep to the recipe as they are heard: decoded.

A lossy encoder moves peaks by some tenths of a decibel, and the level a little. So a preview is encoded, decoded
again as a player would, and measured; where it stands too high the finish is planned again under a lower ceiling and
encoded again. What the log says is measured on the decoded file.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from render.audio.read import TakeReader
from render.engine.line import GAVE_WAY_LU
from render.finish.block_meter import BlockMeter
from render.finish.level import FinishPlan
from render.finish.loudness import (
    integrated_loudness_lufs,
    loudness_range_lu,
    max_momentary_lufs,
    max_short_term_lufs,
    measure_correlation,
    measure_mono_level_change_db,
    measure_mono_loudness_change_lu,
    measure_side_to_mid_db,
)
from render.finish.slots import SlotPowers
from render.units import db_from_gain

PREVIEW_FORMATS = ("ogg", "opus", "mp3")
# Rounds with a limiter under a lower ceiling; after them the whole is turned down instead.
PLANNED_ROUNDS = 6
TURNED_DOWN_ROUNDS = 3
# What a decoded peak may stand above the ceiling, and how far from its aim the loudness may end.
PEAK_TOLERANCE_DB = 0.02
LOUDNESS_TOLERANCE_LU = 0.01
# After some rounds an encoder that errs by more, each time anew, is met where the design's bound of 0.02 LU still is.
CLOSE_ROUNDS = 3
LATE_TOLERANCE_LU = 0.018
# An encoder never errs twice in the same way: a step past what was over, or the last hundredth takes many rounds.
PEAK_STEP_DB = 0.02
# What decoders make of silence is not quite that; -240 dB is.
SILENCE_GAIN = 1e-12
_READ_FRAMES = 65_536


@dataclass(frozen=True)
class Shift:
    """How the finish of a preview is aimed: the ceiling lower, the loudness higher, than what is wanted of it."""

    ceiling_db: float = 0.0
    loudness_lu: float = 0.0


UNSHIFTED = Shift()


@dataclass(frozen=True, eq=False)
class Decoded:
    """What a player hears of an encoded file; ``frames`` may differ from what was encoded."""

    slots: SlotPowers
    true_peak_dbtp: float
    loudness_lufs: float | None

    @property
    def frames(self) -> int:
        """Length of the decoded sound."""
        return self.slots.frames


def measure_decoded(path: Path, *, on_block: Callable[[], None] = lambda: None) -> Decoded:
    """Decode a file from beginning to end and measure it in passing; each block is a place to stop from."""
    with TakeReader([path]) as reader:
        meter = BlockMeter(sample_rate_hz=reader.info.sample_rate_hz)
        block = np.empty((2, _READ_FRAMES), np.float32).T
        for first in range(0, reader.frames_total, _READ_FRAMES):
            on_block()
            part = block[: min(_READ_FRAMES, reader.frames_total - first)]
            reader.read_into(part, first_frame=first)
            part[np.abs(part) < SILENCE_GAIN] = 0.0
            meter.add(part)
    slots = meter.finish()
    return Decoded(slots, db_from_gain(meter.true_peak_gain), integrated_loudness_lufs(slots))


Check = Callable[[Path], bool]


@dataclass
class Preview:
    """One preview on its way: what is wanted of it, and how a round is planned and written.

    Attributes
    ----------
    max_true_peak_dbtp : float
    aim_lufs : float or None
        Of the decoded file; None where the gain is not to be moved (a session's, or a kept level).
    plan : callable
        From a `Shift` to a plan of the finish.
    write : callable
        Encode by a plan, and keep the file if the check that it is given says so of it.
    on_block : callable
        Called now and then: the place to stop from.
    warnings : list of str
        What a player should know of it.
    """

    max_true_peak_dbtp: float
    aim_lufs: float | None
    plan: Callable[[Shift], FinishPlan]
    write: Callable[[FinishPlan, Check], None]
    on_block: Callable[[], None] = lambda: None
    warnings: list[str] = field(default_factory=list)

    def render(self) -> FinishPlan:
        """Write the preview; return its plan, with the figures of the decoded file."""
        shift = UNSHIFTED
        late = (LATE_TOLERANCE_LU,) * (PLANNED_ROUNDS - 1 - CLOSE_ROUNDS)
        for within_lu in (*(LOUDNESS_TOLERANCE_LU,) * CLOSE_ROUNDS, *late, math.inf):
            plan = self.plan(shift)
            decoded = self._attempt(plan, within_lu=within_lu)
            over_db, short_lu = self._over_db(decoded), self._short_lu(decoded, plan)
            if _holds(over_db, short_lu, within_lu=within_lu):
                if abs(short_lu) > GAVE_WAY_LU:
                    self.warnings.append(
                        f"{abs(short_lu):.2f} LU {'below' if short_lu > 0.0 else 'above'} the wanted loudness: "
                        f"packing changes it, and not twice alike"
                    )
                return self._heard(plan, decoded)
            shift = Shift(
                shift.ceiling_db + (over_db + PEAK_STEP_DB if over_db > PEAK_TOLERANCE_DB else 0.0),
                shift.loudness_lu + short_lu,
            )
        return self._turn_down(plan, over_db)

    def _turn_down(self, plan: FinishPlan, over_db: float) -> FinishPlan:
        """Turn the whole down by what is left over, limiter and all, and say so."""
        before_db = plan.gain_db
        for last in (False,) * (TURNED_DOWN_ROUNDS - 1) + (True,):
            lower_db = over_db + PEAK_STEP_DB
            plan = replace(
                plan, gain_db=round(plan.gain_db - lower_db, 9), gave_way_lu=plan.gave_way_lu + lower_db
            )
            decoded = self._attempt(plan, within_lu=math.inf, whatever=last)
            over_db = self._over_db(decoded)
            if _holds(over_db, 0.0, within_lu=math.inf):
                break
        text = f"turned down by {before_db - plan.gain_db:.1f} dB for the peaks that packing adds"
        if over_db > PEAK_TOLERANCE_DB:
            text += f"; they still stand {over_db:.1f} dB too high"
        self.warnings.append(text)
        return self._heard(plan, decoded)

    def _attempt(self, plan: FinishPlan, *, within_lu: float, whatever: bool = False) -> Decoded:
        """Encode and decode; the file stays if it holds, or whatever comes of it."""
        heard: list[Decoded] = []

        def check(path: Path) -> bool:
            heard.append(measure_decoded(path, on_block=self.on_block))
            over_db, short_lu = self._over_db(heard[0]), self._short_lu(heard[0], plan)
            return whatever or _holds(over_db, short_lu, within_lu=within_lu)

        self.write(plan, check)
        return heard[0]

    def _over_db(self, decoded: Decoded) -> float:
        return decoded.true_peak_dbtp - self.max_true_peak_dbtp

    def _short_lu(self, decoded: Decoded, plan: FinishPlan) -> float:
        """How much louder it should be; what the limiter may not give is not asked for again."""
        if self.aim_lufs is None or decoded.loudness_lufs is None:
            return 0.0
        short_lu = self.aim_lufs - decoded.loudness_lufs
        return min(0.0, short_lu) if plan.gave_way_lu > 0.0 else short_lu

    def _heard(self, plan: FinishPlan, decoded: Decoded) -> FinishPlan:
        """The plan with what is heard in place of what was meant."""
        slots, loudness_lufs = decoded.slots, decoded.loudness_lufs
        gave_way_lu = plan.gave_way_lu
        if gave_way_lu > 0.0 and self.aim_lufs is not None and loudness_lufs is not None:
            gave_way_lu = max(0.0, self.aim_lufs - loudness_lufs)
        return replace(
            plan,
            gave_way_lu=gave_way_lu,
            loudness_lufs=loudness_lufs,
            loudness_range_lu=loudness_range_lu(slots),
            max_momentary_lufs=max_momentary_lufs(slots),
            max_short_term_lufs=max_short_term_lufs(slots),
            true_peak_dbtp=decoded.true_peak_dbtp if math.isfinite(decoded.true_peak_dbtp) else None,
            correlation=measure_correlation(slots),
            side_to_mid_db=measure_side_to_mid_db(slots),
            mono_level_change_db=measure_mono_level_change_db(slots),
            mono_loudness_change_lu=measure_mono_loudness_change_lu(slots),
        )


def _holds(over_db: float, short_lu: float, *, within_lu: float) -> bool:
    return over_db <= PEAK_TOLERANCE_DB and abs(short_lu) <= within_lu
