"""What a recipe's picture shows, as numbers: compiled here, measured by `analysis`, drawn by `recipe`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from render.analysis.decay import band_centres_hz
from render.analysis.octave_decay import OctaveDecay, measure_octave_decay
from render.analysis.spectrum import Spectrum, measure_spectrum
from render.audio.array import Reals, Samples
from render.engine.compile import (
    SIDE_SLOPE_DB_PER_OCTAVE,
    CompiledRecipe,
    compile_chain,
    compile_room,
    compile_source,
)
from render.pictures.words import source_words, stage_words
from render.recipe.models import Gain, HighPass, ImpulseResponse, Recipe, Room, Source, Stage, Stereo
from render.stages.fir import Fir
from render.stages.room import room_decay_s

LOWEST_HZ = 20.0
HIGHEST_HZ = 20_000.0
HIGHEST_FRACTION = 0.45  # of the sample rate, the highest that a recipe may name
POINTS = 480
FILE_BANDS = 12.0  # per octave: impulse responses are too rough to be read as they are
FILE_DELAY_BANDS = 3.0
ROOM_BANDS = 3.0
ALIKE_DB = 0.1
ALIKE_IN_ROOM_DB = 1.0  # a third octave of a room differs by chance from side to side; less is not heard
ALIKE_DEPTH_DB = 24.0
NOTHING_DB = -100.0
OCTAVES_HZ = (125.0, 8000.0)


@dataclass(frozen=True, eq=False)
class Curve:
    """Level and group delay over the frequencies of a picture, and what it is.

    ``mark`` stands on its line and in the list: ``[0]`` is ``chain[0]``, as messages count; letters are not of a chain.
    ``faint``: of minor interest.
    """

    words: str
    level_db: Reals
    group_delay_ms: Reals
    faint: bool = False
    mark: str = ""


@dataclass(frozen=True, eq=False)
class SourceCurves:
    """One source: its stages in the order of the signal, and all of them with gain, polarity and delay."""

    name: str
    facts: str
    stages: tuple[Curve, ...]
    total: Curve
    smoothed: bool


@dataclass(frozen=True, eq=False)
class StereoCurves:
    """What is done to left and right together: every stage, and what becomes of mid and of side."""

    stages: tuple[Curve, ...]
    totals: tuple[Curve, ...]
    smoothed: bool


@dataclass(frozen=True, eq=False)
class Arrival:
    """One source behind everything: lines over frequency, those that are alike as one, and what is not there."""

    name: str
    lines: tuple[Curve, ...]
    absent: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class RoomCurves:
    """The asked decay over frequency, and each octave of the room that was computed."""

    law_hz: Reals
    law_s: Reals
    octaves: tuple[OctaveDecay, ...]
    sample_rate_hz: int


def picture_frequencies_hz(recipe: Recipe, *, sample_rate_hz: int) -> Reals:
    """Frequencies of all curves: evenly spread as one hears, and every one that a stage names.

    Parameters
    ----------
    recipe : Recipe
    sample_rate_hz : int

    Returns
    -------
    float64, shape (points,)
        Rising, 20 Hz to 20 kHz or 0.45 of the rate.
    """
    highest_hz = min(HIGHEST_HZ, HIGHEST_FRACTION * sample_rate_hz)
    named = [
        value
        for chain in (*(source.chain for source in recipe.sources.values()), recipe.stereo.chain)
        for stage in chain
        for key, value in stage.model_dump().items()
        if key.endswith("_hz") and LOWEST_HZ < value < highest_hz
    ]
    return np.union1d(np.geomspace(LOWEST_HZ, highest_hz, POINTS), np.asarray(named, dtype=np.float64))


def source_curves(name: str, source: Source, *, sample_rate_hz: int, frequency_hz: Reals) -> SourceCurves:
    """Curves of one source up to where it is placed."""
    total = compile_source(source, sample_rate_hz=sample_rate_hz)
    smoothed = _holds_file(source.chain)
    bands = FILE_BANDS if smoothed else None
    return SourceCurves(
        name=name,
        facts=source_words(source),
        stages=_stage_curves(source.chain, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz),
        total=_curves([_total_words(source)], total, sample_rate_hz, frequency_hz, bands)[0],
        smoothed=smoothed,
    )


def stereo_curves(stereo: Stereo, *, sample_rate_hz: int, frequency_hz: Reals) -> StereoCurves | None:
    """Curves of the stereo part; None if it changes nothing.

    The totals are mid and side, or each of them on left and on right where an impulse response of two channels
    treats these differently; side is missing where it is off.
    """
    off = stereo.side_gain_db == "off"
    side = [] if off else _side_stages(stereo)
    if not (off or side or stereo.chain):
        return None
    smoothed = _holds_file(stereo.chain)
    bands = FILE_BANDS if smoothed else None
    kinds: list[tuple[str, Sequence[Stage]]] = [("mid", stereo.chain)]
    if not off:
        kinds.append(("side", (*side, *stereo.chain)))
    totals: list[Curve] = []
    for kind, chain in kinds:
        fir = compile_chain(chain, sample_rate_hz=sample_rate_hz)
        names = [kind] if fir.taps.shape[1] == 1 else [f"{kind}, left", f"{kind}, right"]
        totals += _curves(names, fir, sample_rate_hz, frequency_hz, bands)
    stages = _stage_curves(side, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz, side_only=True)
    stages += _stage_curves(stereo.chain, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz)
    return StereoCurves(stages=stages, totals=_joined(totals), smoothed=smoothed)


def arrivals(recipe: Recipe, compiled: CompiledRecipe, *, frequency_hz: Reals) -> tuple[Arrival, ...]:
    """Each source as it comes out left, right, and in mono (half of left and right together).

    Parameters
    ----------
    recipe : Recipe
    compiled : CompiledRecipe
        Of this recipe.
    frequency_hz : float64, shape (points,)

    Returns
    -------
    tuple of Arrival
        In the order of the sources. Third-octave means where there is a room (`arrival_bands`).
    """
    bands = arrival_bands(recipe)
    arrived = []
    for index, name in enumerate(recipe.sources):
        left, right = compiled.response[:, 0, index], compiled.response[:, 1, index]
        ways = Fir(np.stack([left, right, 0.5 * (left + right)], axis=1), compiled.lead_frames)
        lines = _curves(["left", "right", "mono"], ways, compiled.sample_rate_hz, frequency_hz, bands)
        lines[2] = replace(lines[2], faint=True)
        heard = [line for line in lines if line.level_db.max() > NOTHING_DB]
        absent = tuple(line.words for line in lines if line.level_db.max() <= NOTHING_DB)
        lines_apart = _joined(heard, alike_db=ALIKE_DB if recipe.room is None else ALIKE_IN_ROOM_DB)
        arrived.append(Arrival(name=name, lines=lines_apart, absent=absent))
    return tuple(arrived)


def arrival_bands(recipe: Recipe) -> float | None:
    """Bands per octave over which the response of a whole recipe is averaged; None: not at all."""
    if recipe.room is not None:
        return ROOM_BANDS
    chains = [*(source.chain for source in recipe.sources.values()), recipe.stereo.chain]
    return FILE_BANDS if any(map(_holds_file, chains)) else None


def room_curves(room: Room, *, sample_rate_hz: int) -> RoomCurves:
    """Asked and computed decay of a room.

    Octaves from 125 Hz to 8 kHz, as far as they lie below half the sample rate; each is the energy that both sides
    answer to one side's impulse, the mean of the two.
    """
    computed = compile_room(room, sample_rate_hz=sample_rate_hz)
    ways: Samples = math.sqrt(0.5) * computed.reshape(len(computed), 4)
    highest_hz = min(OCTAVES_HZ[1], 0.5 * sample_rate_hz / math.sqrt(2.0))
    law_hz = np.geomspace(OCTAVES_HZ[0] / math.sqrt(2.0), OCTAVES_HZ[1] * math.sqrt(2.0), 97)
    return RoomCurves(
        law_hz=law_hz,
        law_s=room_decay_s(
            law_hz,
            decay_1khz_s=room.decay_1khz_s,
            decay_125hz_ratio=room.decay_125hz_ratio,
            decay_8khz_ratio=room.decay_8khz_ratio,
        ),
        octaves=tuple(
            measure_octave_decay(ways, sample_rate_hz=sample_rate_hz, centre_hz=float(centre_hz))
            for centre_hz in band_centres_hz(OCTAVES_HZ[0], highest_hz)
            if centre_hz * math.sqrt(2.0) <= 0.5 * sample_rate_hz
        ),
        sample_rate_hz=sample_rate_hz,
    )


def _side_stages(stereo: Stereo) -> list[Stage]:
    """What is done to the side alone, as the stages that it amounts to."""
    side: list[Stage] = []
    if stereo.side_high_pass_hz:
        values = {"cutoff_hz": stereo.side_high_pass_hz, "slope_db_per_octave": SIDE_SLOPE_DB_PER_OCTAVE}
        side.append(HighPass.model_validate({"stage": "high-pass", **values}))
    if stereo.side_gain_db != "off" and stereo.side_gain_db:
        side.append(Gain(stage="gain", gain_db=stereo.side_gain_db))
    return side


def _stage_curves(
    chain: Iterable[Stage], *, sample_rate_hz: int, frequency_hz: Reals, side_only: bool = False
) -> tuple[Curve, ...]:
    """Every stage by itself; the two channels of an impulse response as two curves."""
    found: list[Curve] = []
    for index, stage in enumerate(chain):
        fir = compile_chain((stage,), sample_rate_hz=sample_rate_hz)
        words = f"side only: {stage_words(stage)}" if side_only else stage_words(stage)
        mark = "ab"[index] if side_only else f"[{index}]"
        alone = fir.taps.shape[1] == 1
        bands = FILE_BANDS if isinstance(stage, ImpulseResponse) else None
        curves = _curves(
            [words] if alone else [f"{words}, left", f"{words}, right"],
            fir,
            sample_rate_hz,
            frequency_hz,
            bands,
        )
        sides = [""] if alone else ["L", "R"]
        found += [replace(curve, mark=mark + side) for curve, side in zip(curves, sides, strict=True)]
    return tuple(found)


def _curves(
    names: Sequence[str], fir: Fir, sample_rate_hz: int, frequency_hz: Reals, bands: float | None
) -> list[Curve]:
    """A curve for every channel of a response."""

    def measured(bands_per_octave: float | None) -> Spectrum:
        return measure_spectrum(
            fir.taps,
            sample_rate_hz=sample_rate_hz,
            frequency_hz=frequency_hz,
            lead_frames=fir.lead_frames,
            bands_per_octave=bands_per_octave,
        )

    level = measured(bands)
    delay = level if bands is None else measured(FILE_DELAY_BANDS)
    return [
        Curve(words, level.level_db[:, channel], 1000.0 * delay.group_delay_s[:, channel])
        for channel, words in enumerate(names)
    ]


def _joined(curves: Sequence[Curve], *, alike_db: float = ALIKE_DB) -> tuple[Curve, ...]:
    """Curves whose levels are alike as one, by the names of all."""
    groups: list[list[Curve]] = []
    for curve in curves:
        for group in groups:
            if _apart_db(group[0].level_db, curve.level_db) <= alike_db:
                group.append(curve)
                break
        else:
            groups.append([curve])
    return tuple(replace(group[0], words=_listed([curve.words for curve in group])) for group in groups)


def _apart_db(first_db: Reals, second_db: Reals) -> float:
    """How far two curves differ where they are loud: down to 24 dB below the top of the louder one."""
    floor_db = max(float(first_db.max()), float(second_db.max()), NOTHING_DB) - ALIKE_DEPTH_DB
    first, second = np.maximum(first_db, floor_db), np.maximum(second_db, floor_db)
    return float(np.max(np.abs(first - second)))


def _total_words(source: Source) -> str:
    """What the bold line of a source holds."""
    beside = [word for word, value in (("gain", source.gain_db), ("delay", source.own_delay_ms)) if value]
    if not source.chain:
        return " and ".join(beside) or "nothing is done to it"
    return f"all together, with {' and '.join(beside)}" if beside else "all together"


def _listed(names: Sequence[str]) -> str:
    """One; one and two; one, two and three."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _holds_file(chain: Iterable[Stage]) -> bool:
    return any(isinstance(stage, ImpulseResponse) for stage in chain)
