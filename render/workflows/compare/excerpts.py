"""Excerpts of all takes in all versions: what is not kept is rendered, then all are brought to one loudness.

mixes (rendered or kept) -> the loudness that every peak allows -> gain, dither, FLAC -> what the page shows
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from render.engine.identity import recipe_sha256
from render.engine.ledger import identity_of
from render.engine.mix import ReadyRecipe, make_ready
from render.engine.ready import moved as moved_ready
from render.engine.spares import Spares
from render.engine.store import open_store
from render.engine.workers import Workers
from render.errors import TakeError
from render.finish.loudness import (
    integrated_loudness_lufs,
    loudness_range_lu,
    measure_mono_loudness_change_lu,
    measure_side_to_mid_db,
)
from render.finish.matching import highest_common_loudness_lufs, matching_gain_db
from render.finish.slots import SlotPowers
from render.page.content import Version
from render.units import db_from_power, power_from_db
from render.workflows.compare.choices import Choice, common_target_lufs
from render.workflows.compare.gather import Gathering, Material, mix_identity
from render.workflows.compare.kept import Excerpted
from render.workflows.compare.mixing import encode, mix_part
from render.workflows.compare.passages import Part
from render.workflows.compare.side_by_side import side_by_side

LOUDEST_LUFS = -16.0
CEILING_DBTP = -1.0
SILENCE_DB = -200.0
SHORTEST_RANGE_S = 60.0
"""EBU Tech 3342 (2023) is not for programmes shorter than a minute: of so few short-term values the range is chance."""


@dataclass(eq=False)
class Cell:
    """One version of one excerpt: where it stands, by what it is known, and what is known of it."""

    material: Material
    place: int
    choice: Choice
    part: Part
    identity: str
    figures: Excerpted | None = None
    gain_db: float = 0.0
    matched: bool = True
    audio: str = ""

    @property
    def measured(self) -> Excerpted:
        """Its figures."""
        if self.figures is None:
            raise ValueError("figures must be known: this excerpt was not rendered")
        return self.figures

    @property
    def silent(self) -> bool:
        """Whether there is no sound in it at all."""
        return self.measured.unmatched.true_peak_dbtp == -math.inf

    @property
    def peak_dbtp(self) -> float:
        """True peak after matching."""
        return self.measured.unmatched.true_peak_dbtp + self.gain_db

    @property
    def side_to_mid_db(self) -> float | None:
        """Width of the whole of it."""
        return measure_side_to_mid_db(self.measured.unmatched.slots)


@dataclass(frozen=True, eq=False)
class CommonLoudness:
    """The loudness of a page, in words why, and the version whose peaks hold it down, if one does."""

    loudness_lufs: float
    because: str
    set_by: Cell | None


def make_cells(gathering: Gathering, materials: Sequence[Material]) -> list[Cell]:
    """All versions of all excerpts, with the figures of those that are kept."""
    hashes = [recipe_sha256(choice.recipe) for choice in gathering.choices]
    cells = [
        Cell(
            material,
            place,
            choice,
            part,
            mix_identity(material, choice, material.moves.get(place), part, recipe_sha256=hashes[place]),
        )
        for material in materials
        if material.failure is None
        for part in material.parts
        for place, choice in enumerate(gathering.choices)
    ]
    for cell in cells:
        cell.figures = gathering.kept.figures(cell.identity)
    return cells


def render_missing(
    gathering: Gathering,
    cells: Sequence[Cell],
    *,
    tell: Callable[[str], None],
    on_frames: Callable[[int], None],
) -> int:
    """Render what is not kept; tell how many excerpts that were."""
    missing = [cell for cell in cells if cell.figures is None]
    kinds = {(cell.place, cell.material.known.sample_rate_hz): cell.choice for cell in missing}
    made: dict[tuple[int, int], ReadyRecipe] = {}

    def compile_kind(kind: tuple[int, int]) -> None:
        tell(f"{kinds[kind].name} at {kind[1]} Hz")
        made[kind] = make_ready(kinds[kind].linear, sample_rate_hz=kind[1])

    side_by_side(compile_kind, list(kinds), jobs=gathering.jobs, cancel=gathering.cancel)
    columns: dict[tuple[int, int], list[Cell]] = {}
    for cell in missing:
        columns.setdefault((id(cell.material), cell.place), []).append(cell)
    workers = Workers(cancel=gathering.cancel, spares=Spares())

    def render_column(column: list[Cell]) -> None:
        first = column[0]
        if first.material.failure is not None:
            return
        ready = made[first.place, first.material.known.sample_rate_hz]
        move = first.material.moves.get(first.place)
        if move is not None:
            ready = moved_ready(ready, move, double_precision=False)
        try:
            for cell in column:
                _render(gathering, cell, ready, workers)
                on_frames(cell.part.frames)
        except TakeError as error:
            first.material.failure = error

    side_by_side(render_column, list(columns.values()), jobs=gathering.jobs, cancel=gathering.cancel)
    return len(missing)


def _render(gathering: Gathering, cell: Cell, ready: ReadyRecipe, workers: Workers) -> None:
    kept = gathering.kept
    frames, spares = cell.part.frames, workers.spares
    with open_store(frames, dtype=np.dtype(np.float32), folder=kept.folder, spares=spares) as mix:
        figures = mix_part(
            cell.material.take,
            cell.material.known,
            cell.choice,
            ready,
            cell.part,
            into=mix,
            folder=kept.folder,
            workers=workers,
        )
        kept.keep(cell.identity, mix, figures)
    cell.figures = figures


def match_all(gathering: Gathering, cells: Sequence[Cell]) -> CommonLoudness:
    """Bring all cells to the loudness that the recipes ask for, or the highest below it that every peak allows."""
    asked_lufs = common_target_lufs(gathering.choices)
    wanted_lufs = LOUDEST_LUFS if asked_lufs is None else asked_lufs
    loudness_lufs = highest_common_loudness_lufs(
        [cell.measured.unmatched for cell in cells],
        at_most_lufs=wanted_lufs,
        max_true_peak_dbtp=CEILING_DBTP,
    )
    for cell in cells:
        gain_db = matching_gain_db(cell.measured.unmatched.slots, loudness_lufs=loudness_lufs)
        cell.gain_db, cell.matched = (0.0, False) if gain_db is None else (gain_db, True)

    def finish(cell: Cell) -> None:
        take = cell.material.take.name
        identity = identity_of({"mix": cell.identity, "gain_db": cell.gain_db, "take": take})
        name = f"{identity}.flac"
        kept = gathering.kept.sound(name)
        if kept is None:
            Workers(cancel=gathering.cancel).step(0)
            mix = gathering.kept.mix(cell.identity)
            kept = gathering.kept.keep_sound(
                name, partial(encode, mix, gain_db=cell.gain_db, take=take, part=cell.part)
            )
        cell.audio = kept

    side_by_side(finish, cells, jobs=gathering.jobs, cancel=gathering.cancel)
    if loudness_lufs < wanted_lufs:
        highest = max((cell for cell in cells if cell.matched), key=lambda cell: cell.peak_dbtp)
        because = f"the highest that the peaks of {highest.material.take.name} allow without a limiter"
        return CommonLoudness(loudness_lufs, because, highest)
    if asked_lufs is None:
        return CommonLoudness(loudness_lufs, "our choice where recipes ask for different levels", None)
    several = len({choice.recipe.path for choice in gathering.choices if not choice.is_capture}) > 1
    return CommonLoudness(loudness_lufs, f"as the recipe{'s ask' if several else ' asks'}", None)


def version_of(cell: Cell, *, bands: int, octaves: int) -> Version:
    """What the page shows of a cell, with so many bands as all takes have."""
    figures, gain_db = cell.measured, cell.gain_db
    slots = figures.unmatched.slots
    gain = 10.0 ** (gain_db / 20.0)
    return Version(
        name=cell.choice.name,
        title=cell.choice.title,
        audio=cell.audio,
        frames=cell.part.frames,
        sample_rate_hz=cell.part.sample_rate_hz,
        loudness_before_lufs=_rounded(integrated_loudness_lufs(slots)),
        gain_db=round(gain_db, 6),
        true_peak_dbtp=_rounded(cell.peak_dbtp),
        limiter_max_reduction_db=round(figures.limiter_max_reduction_db, 6) + 0.0
        if cell.choice.finished
        else None,
        loudness_range_lu=_rounded(loudness_range_lu(_raised(cell)))
        if cell.part.frames >= SHORTEST_RANGE_S * cell.part.sample_rate_hz
        else None,
        spectrum_db=tuple(
            max(SILENCE_DB, db_from_power(float(power)) + gain_db) for power in figures.bands.power[:bands]
        ),
        side_to_mid_db=tuple(
            None if math.isnan(ratio) else db_from_power(float(ratio))
            for ratio in figures.bands.side_to_mid[:octaves]
        ),
        correlation=tuple(
            None if math.isnan(value) else float(value) for value in figures.bands.correlation[:octaves]
        ),
        mono_loss_lu=_rounded(measure_mono_loudness_change_lu(slots, gain_db=gain_db)),
        peaks=tuple((float(low), float(high)) for low, high in np.round(figures.columns * gain, 6)),
        matched=cell.matched,
    )


def _raised(cell: Cell) -> SlotPowers:
    """Sums per slot after the gain: the gate of the loudness range stands still."""
    slots = cell.measured.unmatched.slots
    power = power_from_db(cell.gain_db)
    return SlotPowers(slots.weighted * power, slots.plain * power, slots.sample_rate_hz, slots.frames)


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 6) + 0.0
