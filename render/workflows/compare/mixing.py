"""One excerpt with one recipe: the linear mix as the main job makes it, measured; and its finished sound.

capture -> convolve (with the run-in that the response needs) -> passage, short fades -> kept
kept -> gain -> dither -> FLAC
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

from render.analysis.stereo_bands import measure_stereo_bands, waveform_columns
from render.audio.array import AnySamples
from render.audio.read import TakeInfo
from render.engine.mix import ReadyRecipe, mixed_store
from render.engine.workers import Workers
from render.finish.dither import FULL_SCALE, Quantiser
from render.finish.level import FinishPlan, apply_finish_block, plan_finish
from render.finish.loudness import measure_slots
from render.finish.matching import Unmatched
from render.finish.passage import Passage as Range
from render.finish.true_peak import true_peak_gain
from render.recipe.models import Finish
from render.session.takes import Take
from render.units import db_from_gain, gain_from_db
from render.workflows.compare.choices import Choice
from render.workflows.compare.kept import Excerpted
from render.workflows.compare.passages import Part

COLUMNS = 600
_BLOCK_FRAMES = 1 << 18


def mix_part(
    take: Take,
    info: TakeInfo,
    choice: Choice,
    ready: ReadyRecipe,
    part: Part,
    *,
    into: AnySamples,
    folder: Path,
    workers: Workers,
) -> Excerpted:
    """Render one excerpt with one recipe, and measure it.

    Parameters
    ----------
    take, info : Take, TakeInfo
    choice : Choice
    ready : ReadyRecipe
        Of `choice.linear`, at the capture's rate, moved as this take wants it.
    part : Part
    into : float32, shape (part.frames, 2)
        Becomes, to the bit, that part of the whole take's linear mix, faded at its ends.
    folder : Path
        Where a long passage may be spooled.
    workers : Workers
    """
    with mixed_store(take, info, ready, passage=part.passage, folder=folder, workers=workers) as mixed:
        stretch = mixed.stretch
        found = Range(
            mixed.store,
            stretch.first_frame,
            stretch.stop_frame,
            stretch.fade_in_frames,
            stretch.fade_out_frames,
        )
        for first in range(0, part.frames, _BLOCK_FRAMES):  # past its end the range is silent
            length = min(_BLOCK_FRAMES, part.frames - first)
            into[first : first + length] = found.windows(np.array([first]), length)[0].T
    if choice.is_capture:
        return measure_mix(into, sample_rate_hz=part.sample_rate_hz, limiter_max_reduction_db=0.0)
    plan = _own_finish(into, choice.recipe.finish, sample_rate_hz=part.sample_rate_hz)
    if choice.limited:
        for first in range(0, len(into), _BLOCK_FRAMES):
            stop = min(first + _BLOCK_FRAMES, len(into))
            into[first:stop] = apply_finish_block(into, plan, first, stop)
    return measure_mix(
        into, sample_rate_hz=part.sample_rate_hz, limiter_max_reduction_db=plan.limiter_max_reduction_db
    )


def measure_mix(mix: AnySamples, *, sample_rate_hz: int, limiter_max_reduction_db: float) -> Excerpted:
    """All figures of a faded linear mix."""
    return Excerpted(
        unmatched=Unmatched(
            measure_slots(mix, sample_rate_hz=sample_rate_hz),
            db_from_gain(true_peak_gain(mix, sample_rate_hz=sample_rate_hz)),
        ),
        bands=measure_stereo_bands(mix, sample_rate_hz=sample_rate_hz),
        columns=waveform_columns(mix, columns=COLUMNS),
        limiter_max_reduction_db=limiter_max_reduction_db,
    )


def encode(mix: AnySamples, file: BinaryIO, *, gain_db: float, take: str, part: Part) -> None:
    """Write a mix at its gain as FLAC of 24 bits; dither by take and place, so that all versions have the same.

    Parameters
    ----------
    mix : float32, shape (frames, 2)
    file : file
        Open for reading and writing.
    gain_db : float
    take : str
    part : Part
    """
    key = hashlib.sha256(f"compare\n{take}".encode()).digest()
    quantiser = Quantiser(bit_depth=24, key=key)
    rate_hz = part.sample_rate_hz
    factor = gain_from_db(gain_db) * FULL_SCALE
    with soundfile.SoundFile(file, "w", rate_hz, 2, subtype="PCM_24", format="FLAC") as sound:
        for first in range(0, len(mix), _BLOCK_FRAMES):
            scaled = np.multiply(mix[first : first + _BLOCK_FRAMES].T, factor, dtype=np.float64)
            sound.write(quantiser.quantise_scaled(scaled.T, first_frame=part.first_frame + first))


def _own_finish(mix: AnySamples, finish: Finish, *, sample_rate_hz: int) -> FinishPlan:
    """What the recipe's finish would do to this passage as a file of its own."""
    return plan_finish(
        mix,
        sample_rate_hz=sample_rate_hz,
        loudness_lufs=None if finish.loudness_lufs == "keep" else float(finish.loudness_lufs),
        max_true_peak_dbtp=finish.max_true_peak_dbtp,
        limit_at_most_db=finish.limit_at_most_db,
    )
