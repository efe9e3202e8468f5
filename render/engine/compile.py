"""Compile a recipe: sources, stereo and room become one two-in, two-out impulse response for one sample rate.

    source 1 -> chain -> gain, polarity, delay -> place \
                                                         left, right -> side -> chain -> (1 + room) -> left, right
    source 2 -> chain -> gain, polarity, delay -> place /

Everything here is linear and time-invariant, so responses are multiplied at one set of frequencies and transformed
back once. This is the only module that knows both what a recipe says and what a stage does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import assert_never

import numpy as np
import scipy.fft

from render.audio.array import Complexes, Samples
from render.audio.sound import read_sound
from render.errors import Problem, RecipeError, TakeError
from render.finish.ends import tail_frames
from render.recipe.check import problem_at
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
    Stereo,
)
from render.recipe.walk import leaves
from render.stages.delay import delay_response
from render.stages.equaliser import all_pass, high_shelf, low_shelf, notch, peaking
from render.stages.fir import Fir
from render.stages.impulse_response import prepare_impulse_response
from render.stages.minimum_phase import CORRECTION_FRAMES, chain_frames, chain_response
from render.stages.passes import high_pass, low_pass
from render.stages.placement import apply_side_response, place_gains, side_gain
from render.stages.prototype import Prototype
from render.stages.room import room_response
from render.units import gain_from_db, power_from_db

CUT_DB = -123.0  # at every frequency: what is left past the end of a response without a room
CUT_WITH_ROOM_DB = -100.5
HEARD_DB = -20.0  # frequencies that a recipe takes out further than this, against the mean, count as so much
SIDE_SLOPE_DB_PER_OCTAVE = 12
TAIL_FALL_DB = -60.0


@dataclass(frozen=True)
class CompiledRecipe:
    """All that a recipe does before the finish, for one sample rate.

    ``response`` has shape (taps, 2 out, 2 in), float64, read-only; its first ``lead_frames`` taps lie before time
    zero. ``room_tail_frames`` is when the room has fallen by 60 dB (0 without a room), ``tail_frames`` how long
    after its last sound a take still rings: as long as that, or until the whole response has fallen by 60 dB.
    """

    response: Samples
    lead_frames: int
    sample_rate_hz: int
    tail_frames: int
    room_tail_frames: int


def compile_recipe(recipe: Recipe, *, sample_rate_hz: int) -> CompiledRecipe:
    """Turn a recipe into its two-in, two-out response.

    Parameters
    ----------
    recipe : Recipe
    sample_rate_hz : int

    Returns
    -------
    CompiledRecipe
        Columns are the sources in the order of the recipe. The end is cut where, at every frequency, what is left
        of a source's response is below -123 dB (-100.5 dB with a room) of the whole of it.

    Raises
    ------
    RecipeError
        If an impulse-response file cannot be used; `check_impulse_responses` tells where it stands in the recipe.
    """
    sources = [compile_source(source, sample_rate_hz=sample_rate_hz) for source in recipe.sources.values()]
    stereo = compile_chain(recipe.stereo.chain, sample_rate_hz=sample_rate_hz)
    side = _side_filter(recipe.stereo)
    room = None if recipe.room is None else compile_room(recipe.room, sample_rate_hz=sample_rate_hz)

    lead_frames = max(source.lead_frames for source in sources)
    aligned = [np.pad(source.taps[:, 0], (lead_frames - source.lead_frames, 0)) for source in sources]
    frames = max(map(len, aligned)) + len(stereo.taps) + chain_frames(side, sample_rate_hz=sample_rate_hz)
    fft_frames = _even_fast_length(frames + (0 if room is None else len(room)))

    left, right = _place(recipe, [scipy.fft.rfft(taps, fft_frames) for taps in aligned])
    width = side_gain(recipe.stereo.side_gain_db)
    if side:
        filtered = width * chain_response(side, sample_rate_hz=sample_rate_hz, fft_frames=fft_frames)
        left, right = apply_side_response(left, right, side_response=filtered)
    else:
        left, right = apply_side_response(left, right, side_response=width)
    shared = scipy.fft.rfft(stereo.taps, fft_frames, axis=0)
    left, right = left * shared[:, 0], right * shared[:, -1]
    if room is not None:
        left, right = _apply_room(room, left, right, fft_frames=fft_frames)

    rows = scipy.fft.irfft(np.stack([left, right]), fft_frames, axis=-1)
    lead_frames += stereo.lead_frames
    floor_db = CUT_DB if room is None else CUT_WITH_ROOM_DB
    frames = max(_cut_frames(rows[:, source], floor_db) for source in range(len(sources)))
    response = np.ascontiguousarray(rows[:, :, : max(frames, lead_frames + 1)].transpose(2, 0, 1))
    response.flags.writeable = False
    room_tail_frames = 0 if room is None else _frames_above(room, TAIL_FALL_DB)
    rings_frames = max(_frames_above(response, TAIL_FALL_DB) - lead_frames, 0)
    return CompiledRecipe(
        response, lead_frames, sample_rate_hz, max(rings_frames, room_tail_frames), room_tail_frames
    )


def compile_source(source: Source, *, sample_rate_hz: int) -> Fir:
    """Response of one source up to where it is placed: chain, gain, polarity, delay; shape (frames, 1).

    What is "auto" is left at 0 ms and as it came: `engine.align` moves a compiled response take by take.
    """
    chain = compile_chain(source.chain, sample_rate_hz=sample_rate_hz, most_channels=1)
    gain = gain_from_db(source.gain_db) * (-1.0 if source.polarity == "flip" else 1.0)
    moved = delay_response(delay_ms=source.own_delay_ms, sample_rate_hz=sample_rate_hz)
    return _in_series([Fir(gain * chain.taps, chain.lead_frames), moved])


def compile_chain(chain: Sequence[Stage], *, sample_rate_hz: int, most_channels: int = 2) -> Fir:
    """Response of the stages one after the other, shape (frames, channels); a source has one channel only."""
    pieces = [
        compile_stage(stage, sample_rate_hz=sample_rate_hz, most_channels=most_channels) for stage in chain
    ]
    filters = [piece for piece in pieces if isinstance(piece, Prototype)]
    parts = [piece for piece in pieces if isinstance(piece, Fir)]
    if filters:
        frames = chain_frames(filters, sample_rate_hz=sample_rate_hz)
        fft_frames = _even_fast_length(frames)
        response = chain_response(filters, sample_rate_hz=sample_rate_hz, fft_frames=fft_frames)
        parts.append(Fir(scipy.fft.irfft(response, fft_frames)[:frames, np.newaxis], 0))
    return _in_series(parts)


def compile_room(room: Room, *, sample_rate_hz: int) -> Samples:
    """Response of the room, shape (frames, 2 out, 2 in), without the direct sound."""
    return room_response(sample_rate_hz=sample_rate_hz, **room.model_dump())


def compile_stage(  # noqa: C901, PLR0911 - a case a stage
    stage: Stage, *, sample_rate_hz: int, most_channels: int = 2
) -> Prototype | Fir:
    """What one stage of a chain does: an analogue prototype where there is one, else its taps."""
    match stage:
        case Gain():
            return Fir(np.full((1, 1), gain_from_db(stage.gain_db)), 0)
        case HighPass():
            return high_pass(cutoff_hz=stage.cutoff_hz, slope_db_per_octave=stage.slope_db_per_octave)
        case LowPass():
            return low_pass(cutoff_hz=stage.cutoff_hz, slope_db_per_octave=stage.slope_db_per_octave)
        case Peaking():
            return peaking(centre_hz=stage.centre_hz, gain_db=stage.gain_db, q=stage.q)
        case LowShelf():
            return low_shelf(corner_hz=stage.corner_hz, gain_db=stage.gain_db, q=stage.q)
        case HighShelf():
            return high_shelf(corner_hz=stage.corner_hz, gain_db=stage.gain_db, q=stage.q)
        case Notch():
            return notch(centre_hz=stage.centre_hz, q=stage.q)
        case AllPass():
            return all_pass(centre_hz=stage.centre_hz, q=stage.q)
        case Delay():
            return delay_response(delay_ms=stage.delay_ms, sample_rate_hz=sample_rate_hz)
        case ImpulseResponse():
            return _read_impulse_response(stage, sample_rate_hz=sample_rate_hz, most_channels=most_channels)
        case _:
            assert_never(stage)


def check_impulse_responses(recipe: Recipe) -> list[Problem]:
    """Faults of the sound files that a recipe names: read and made ready once, before anything is rendered."""
    problems = []
    for leaf in leaves(recipe):
        if isinstance(leaf.owner, ImpulseResponse) and leaf.name == "file":
            most = 2 if leaf.keys[0] == "stereo" else 1
            try:
                _read_impulse_response(leaf.owner, sample_rate_hz=48_000, most_channels=most)
            except RecipeError as error:
                (found,) = error.problems
                name = leaf.owner.file.name
                problems.append(
                    problem_at(recipe, leaf.keys, name, found.reason, found.fix, stage="impulse-response")
                )
    return problems


def _read_impulse_response(stage: ImpulseResponse, *, sample_rate_hz: int, most_channels: int) -> Fir:
    """The file of a stage, made ready."""
    try:
        samples, file_rate_hz = read_sound(stage.file)
        if samples.shape[1] <= most_channels:
            return prepare_impulse_response(
                samples,
                file_rate_hz=file_rate_hz,
                sample_rate_hz=sample_rate_hz,
                wet_fraction=stage.wet_fraction,
            )
        reason = f"it has {samples.shape[1]} channels"
    except TakeError as error:
        reason = error.reason
    except ValueError as error:
        reason = str(error)
    allowed = "one channel (two are for stereo.chain)" if most_channels == 1 else "one channel or two"
    fix = f"name another sound file, an impulse response of {allowed}"
    raise RecipeError([Problem(stage.file, "", None, f"cannot be used: {reason}", fix)])


def _in_series(parts: Sequence[Fir]) -> Fir:
    """Several responses one after the other; one channel goes with two as the same on both."""
    if not parts:
        return Fir(np.ones((1, 1)), 0)
    if len(parts) == 1:
        return parts[0]
    frames = sum(len(part.taps) for part in parts) - len(parts) + 1
    fft_frames = _even_fast_length(frames)
    product: Complexes = np.ones((fft_frames // 2 + 1, 1), np.complex128)
    for part in parts:
        product = product * scipy.fft.rfft(part.taps, fft_frames, axis=0)
    taps = scipy.fft.irfft(product, fft_frames, axis=0)[:frames]
    return Fir(taps, sum(part.lead_frames for part in parts))


def _place(recipe: Recipe, sources: list[Complexes]) -> tuple[Complexes, Complexes]:
    """Left and right of every source, each of shape (2 in, bins)."""
    gains = [place_gains(source.place) for source in recipe.sources.values()]
    left = np.stack([gain[0] * spectrum for gain, spectrum in zip(gains, sources, strict=True)])
    right = np.stack([gain[1] * spectrum for gain, spectrum in zip(gains, sources, strict=True)])
    return left, right


def _side_filter(stereo: Stereo) -> list[Prototype]:
    """What keeps the low end of the side out, if anything."""
    if stereo.side_high_pass_hz == 0.0:
        return []
    return [high_pass(cutoff_hz=stereo.side_high_pass_hz, slope_db_per_octave=SIDE_SLOPE_DB_PER_OCTAVE)]


def _apply_room(
    room: Samples, left: Complexes, right: Complexes, *, fft_frames: int
) -> tuple[Complexes, Complexes]:
    """Direct sound and the room's answer to it."""
    answer = scipy.fft.rfft(np.ascontiguousarray(room.transpose(1, 2, 0)), fft_frames, axis=-1)
    return (
        left + (answer[0, 0] * left + answer[0, 1] * right),
        right + (answer[1, 1] * right + answer[1, 0] * left),
    )


def _cut_frames(rows: Samples, floor_db: float) -> int:
    """Frames of one source's response, shape (2 out, frames), that have to be kept.

    Energy alone does not tell: what rings longest is narrow and low, and a low note meets all of it. So what is cut
    off is looked at frequency by frequency, together on both sides.
    """
    frames = int(rows.shape[1])
    power = np.square(rows).sum(axis=0)
    left = np.cumsum(power[::-1])[::-1]
    if left[0] == 0.0:
        return 0
    heard = _power_spectrum(rows, frames)
    allowed = power_from_db(floor_db) * np.maximum(heard, power_from_db(HEARD_DB) * left[0])
    cut = int(np.count_nonzero(left > power_from_db(floor_db) * left[0]))
    while cut < frames:
        excess = float((_power_spectrum(rows[:, cut:], frames) / allowed).max())
        if excess <= 1.0:
            break
        # go on to where the energy has fallen by as much as is too much; never by a hair only
        cut = max(int(np.count_nonzero(left > left[cut] / excess)), cut + 1 + frames // 500)
    return min(cut, frames)


def _power_spectrum(rows: Samples, frames: int) -> Samples:
    """Power of both rows together at the frequencies of a transform of so many frames."""
    spectrum = scipy.fft.rfft(rows, frames, axis=-1)
    return np.asarray((np.square(spectrum.real) + np.square(spectrum.imag)).sum(axis=0))


def _frames_above(response: Samples, floor_db: float) -> int:
    """Frames until every source's own share of the response has fallen so far."""
    return max(tail_frames(response[:, :, source], fall_db=-floor_db) for source in range(response.shape[2]))


def _even_fast_length(frames: int) -> int:
    return 2 * int(scipy.fft.next_fast_len(max((frames + 1) // 2, CORRECTION_FRAMES), real=True))
