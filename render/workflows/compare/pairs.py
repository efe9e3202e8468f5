"""How far versions lie from each other, and which pairs a listener is hardly able to tell apart.

Thresholds, with where they come from:

- level: all versions are matched to 0.05 LU, half of the 0.1 dB that D. L. Clark, "High-Resolution Subjective Testing
  Using a Double-Blind Comparator", J. Audio Eng. Soc. 30(5), 1982, 330-338, asks of a comparison;
- spectrum: less than 1 dB in every third octave that counts; common practice, no source;
- width: side against mid within 1 dB in every octave, all below -40 dB being narrow; common practice, no source;
- room: decay times within 5 %, level within 1 dB (ISO 3382-1:2009, annex A, table A.1), all else of the room the same;
- limiter, where a version is limited at all: less than 1 dB; common practice, no source.

A version without a sound (one source of a recipe, where that is dead) is not compared.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from render.page.content import Excerpt, PageTake, Version
from render.recipe.models import Room
from render.workflows.compare.choices import Choice

LEAST_BAND_DB = 1.0
LEAST_WIDTH_DB = 1.0
LEAST_LEVEL_DB = 1.0
LEAST_DECAY_FRACTION = 0.05
LEAST_LIMITING_DB = 1.0
COUNTS_DB = 50.0
"""Bands more than this below the strongest of either version do not count."""

NARROW_DB = -40.0
THRESHOLDS = {
    "level_lu": "0.05: all are matched; Clark 1982 asks for 0.1 dB",
    "third_octaves_db": "1.0 in each; common practice, no source",
    "side_to_mid_db": "1.0 in each octave; common practice, no source",
    "room": "decay 5 %, level 1 dB: ISO 3382-1:2009, table A.1",
    "limiter_db": "1.0; common practice, no source",
}


@dataclass(frozen=True)
class Pair:
    """Two versions over all excerpts of all takes.

    Attributes
    ----------
    first, second : str
        Names.
    distance_db : float or None
        Root mean square of the differences in third octaves, mean over excerpts; only those in which both are at the
        common loudness count, and without one there is nothing to say.
    largest_band_db, largest_width_db : float or None
        Largest difference in any third octave, and of side against mid in any octave, of any excerpt.
    alike : bool
        Less than what a listener is likely to hear.
    """

    first: str
    second: str
    distance_db: float | None
    largest_band_db: float | None
    largest_width_db: float | None
    alike: bool

    def as_dict(self) -> dict[str, object]:
        """Plain values."""
        return asdict(self)


def compare_pairs(takes: Sequence[PageTake], choices: Sequence[Choice]) -> list[Pair]:
    """All pairs of versions, in the order of the choices."""
    excerpts = [excerpt for take in takes for excerpt in take.excerpts]
    return [_pair(excerpts, first, second) for first, second in itertools.combinations(choices, 2)]


def spectral_distance_db(first: Version, second: Version) -> tuple[float, float]:
    """Root mean square and largest difference of two matched spectra, over third octaves that count."""
    one, other = np.array(first.spectrum_db), np.array(second.spectrum_db)
    counts = (one > one.max() - COUNTS_DB) | (other > other.max() - COUNTS_DB)
    difference = (one - other)[counts]
    return float(np.sqrt(np.mean(difference**2))), float(np.abs(difference).max())


def width_difference_db(first: Version, second: Version) -> float:
    """Largest difference of side against mid in any octave."""
    pairs = zip(first.side_to_mid_db, second.side_to_mid_db, strict=True)
    return max((abs(_width(one) - _width(other)) for one, other in pairs), default=0.0)


def rooms_alike(first: Room | None, second: Room | None) -> bool:
    """Whether two rooms differ by less than the audible steps of ISO 3382-1 in decay and level, and in nothing else."""
    if first is None or second is None:
        return first is second
    judged = {"level_db", "decay_1khz_s", "decay_125hz_ratio", "decay_8khz_ratio"}
    if first.model_dump(exclude=judged) != second.model_dump(exclude=judged):
        return False
    decays = zip(first.decays_s, second.decays_s, strict=True)
    steady = all(abs(math.log(one / other)) <= math.log1p(LEAST_DECAY_FRACTION) for one, other in decays)
    return steady and abs(first.level_db - second.level_db) < LEAST_LEVEL_DB


def _pair(excerpts: Sequence[Excerpt], first: Choice, second: Choice) -> Pair:
    distances, bands, widths, limited = [], [], [], [0.0]
    for excerpt in excerpts:
        named = {version.name: version for version in excerpt.versions}
        one, other = named[first.name], named[second.name]
        if not (one.matched and other.matched):
            continue
        distance, largest = spectral_distance_db(one, other)
        distances.append(distance)
        bands.append(largest)
        widths.append(width_difference_db(one, other))
        worked = [version.limiter_max_reduction_db for choice, version in ((first, one), (second, other))
                  if choice.limited]  # fmt: skip
        limited += [reduction_db or 0.0 for reduction_db in worked]
    if not distances:
        return Pair(first.name, second.name, None, None, None, alike=False)
    alike = (
        max(bands) < LEAST_BAND_DB
        and max(widths) < LEAST_WIDTH_DB
        and max(limited) < LEAST_LIMITING_DB
        and rooms_alike(first.recipe.room, second.recipe.room)
    )
    return Pair(
        first.name,
        second.name,
        round(float(np.mean(distances)), 3),
        round(max(bands), 3),
        round(max(widths), 3),
        alike,
    )


def _width(side_to_mid_db: float | None) -> float:
    return NARROW_DB if side_to_mid_db is None else max(NARROW_DB, side_to_mid_db)
