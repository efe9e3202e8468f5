"""A recipe run the plain way: one stage after the other over the whole take, in double precision.

Nothing of `render.engine` is used, and no arithmetic of `render.stages.placement` or `render.units`: each stage's
own response is convolved by SciPy, and what a recipe says of gains and places is written down again here.
A sound knows where it begins (`first_frame` may lie before time zero), so no delay is compensated anywhere.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.recipe.models import (
    AllPass,
    Delay,
    Gain,
    HighPass,
    HighShelf,
    ImpulseResponse,
    LowPass,
    LowShelf,
    Notch,
    Peaking,
    Recipe,
    Room,
    Source,
    Stage,
)
from render.stages import equaliser, passes
from render.stages.delay import delay_response
from render.stages.impulse_response import prepare_impulse_response
from render.stages.minimum_phase import response_frames
from render.stages.prototype import Prototype
from tests.helpers.kept_rooms import kept_room
from tests.helpers.responses import impulse_response_of

Reals = NDArray[np.float64]
FLOOR_DB = -220.0  # where a stage's response is cut: far below anything compared
_PROTOTYPES: dict[type[object], Callable[..., Prototype]] = {
    HighPass: passes.high_pass,
    LowPass: passes.low_pass,
    Peaking: equaliser.peaking,
    LowShelf: equaliser.low_shelf,
    HighShelf: equaliser.high_shelf,
    Notch: equaliser.notch,
    AllPass: equaliser.all_pass,
}


@dataclass(frozen=True)
class Sound:
    """Mono sound; frame 0 of the take is ``samples[-first_frame]``."""

    samples: Reals
    first_frame: int = 0

    def through(self, taps: Reals, lead_frames: int = 0) -> Sound:
        """Convolve with a response whose time zero is tap `lead_frames`."""
        return Sound(scipy.signal.oaconvolve(self.samples, taps), self.first_frame - lead_frames)

    def times(self, factor: float) -> Sound:
        """Louder, softer or upside down."""
        return Sound(factor * self.samples, self.first_frame)

    def between(self, first: int, stop: int) -> Reals:
        """Frames `first` to `stop` of the take, zero where there is nothing."""
        out = np.zeros(stop - first)
        low, high = max(first, self.first_frame), min(stop, self.first_frame + len(self.samples))
        if low < high:
            out[low - first : high - first] = self.samples[low - self.first_frame : high - self.first_frame]
        return out


def together(*sounds: Sound) -> Sound:
    """All of them at once."""
    first = min(sound.first_frame for sound in sounds)
    stop = max(sound.first_frame + len(sound.samples) for sound in sounds)
    return Sound(np.sum([sound.between(first, stop) for sound in sounds], axis=0), first)


def run_stage_by_stage(recipe: Recipe, take: Reals, *, sample_rate_hz: int, frames: int) -> Reals:
    """The linear part of a recipe over a take.

    Parameters
    ----------
    recipe : Recipe
    take : float64, shape (frames, channels)
    sample_rate_hz : int
    frames : int
        How many frames of the mix are wanted, from the take's first.

    Returns
    -------
    float64, shape (frames, 2)
    """
    left, right = run_to_stereo(recipe, take, sample_rate_hz=sample_rate_hz)
    if recipe.room is not None:
        room = _room(recipe.room, sample_rate_hz)
        left, right = (
            together(left, left.through(room[:, 0, 0]), right.through(room[:, 0, 1])),
            together(right, left.through(room[:, 1, 0]), right.through(room[:, 1, 1])),
        )
    return np.stack([left.between(0, frames), right.between(0, frames)], axis=1)


def level_db(error: Reals, signal: Reals) -> float:
    """RMS of an error against that of a signal, all channels together."""
    floor = np.finfo(np.float64).tiny
    return 10.0 * math.log10(max(float(np.square(error).mean()), floor) / float(np.square(signal).mean()))


def run_to_stereo(recipe: Recipe, take: Reals, *, sample_rate_hz: int) -> tuple[Sound, Sound]:
    """Left and right before the room."""
    placed = []
    for source in recipe.sources.values():
        sound = run_source(source, take, sample_rate_hz=sample_rate_hz)
        to_left, to_right = _pan(source.place)
        placed.append((sound.times(to_left), sound.times(to_right)))
    left = together(*(one for one, _ in placed))
    right = together(*(other for _, other in placed))
    mid = together(left, right).times(0.5)
    side = together(left, right.times(-1.0)).times(0.5)
    if recipe.stereo.side_high_pass_hz:
        high_pass = passes.high_pass(cutoff_hz=recipe.stereo.side_high_pass_hz, slope_db_per_octave=12)
        side = side.through(_taps(high_pass, sample_rate_hz))
    gain_db = recipe.stereo.side_gain_db
    side = side.times(0.0 if gain_db == "off" else 10.0 ** (gain_db / 20.0))
    left, right = together(mid, side), together(mid, side.times(-1.0))
    for stage in recipe.stereo.chain:
        left, right = (
            run_stage(stage, sound, sample_rate_hz=sample_rate_hz, channel=channel)
            for channel, sound in enumerate((left, right))
        )
    return left, right


def run_source(source: Source, take: Reals, *, sample_rate_hz: int) -> Sound:
    """One source up to where it is placed."""
    sound = Sound(np.ascontiguousarray(take[:, source.channel - 1]))
    for stage in source.chain:
        sound = run_stage(stage, sound, sample_rate_hz=sample_rate_hz)
    sound = sound.times(10.0 ** (source.gain_db / 20.0) * (-1.0 if source.polarity == "flip" else 1.0))
    return _delayed(sound, source.own_delay_ms, sample_rate_hz)


def run_stage(stage: Stage, sound: Sound, *, sample_rate_hz: int, channel: int = 0) -> Sound:
    """One stage; `channel` is which one of a two-channel impulse response."""
    match stage:
        case Gain():
            return sound.times(10.0 ** (stage.gain_db / 20.0))
        case Delay():
            return _delayed(sound, stage.delay_ms, sample_rate_hz)
        case ImpulseResponse():
            samples, file_rate_hz = soundfile.read(stage.file, dtype="float64", always_2d=True)
            fir = prepare_impulse_response(
                samples,
                file_rate_hz=file_rate_hz,
                sample_rate_hz=sample_rate_hz,
                wet_fraction=stage.wet_fraction,
            )
            return sound.through(fir.taps[:, min(channel, fir.taps.shape[1] - 1)], fir.lead_frames)
        case _:
            return sound.through(_taps(_prototype(stage), sample_rate_hz))


def _prototype(stage: Stage) -> Prototype:
    numbers = stage.model_dump(exclude={"stage"})
    return _PROTOTYPES[type(stage)](**numbers)


@functools.lru_cache(maxsize=32)
def _taps(prototype: Prototype, sample_rate_hz: int) -> Reals:
    frames = response_frames(prototype, sample_rate_hz=sample_rate_hz, floor_db=FLOOR_DB)
    return impulse_response_of(prototype, sample_rate_hz=sample_rate_hz, frames=frames)


def _room(room: Room, sample_rate_hz: int) -> Reals:
    return kept_room(sample_rate_hz=sample_rate_hz, **room.model_dump())


def _delayed(sound: Sound, delay_ms: float, sample_rate_hz: int) -> Sound:
    fir = delay_response(delay_ms=delay_ms, sample_rate_hz=sample_rate_hz)
    return sound.through(fir.taps[:, 0], fir.lead_frames)


def _pan(place: float | str) -> tuple[float, float]:
    """Gains to left and right: power kept, the centre 1 on both."""
    if place == "mid":
        return 1.0, 1.0
    if place == "side":
        return 1.0, -1.0
    angle = math.pi / 4.0 * (1.0 + float(place) / 100.0)
    return math.sqrt(2.0) * math.cos(angle), math.sqrt(2.0) * math.sin(angle)
