"""How far versions lie apart, and what a listener is hardly able to tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from render.page.content import PageTake, Version
from render.recipe.models import Recipe, Room, Source
from render.workflows.compare.choices import Choice
from render.workflows.compare.pairs import (
    compare_pairs,
    rooms_alike,
    spectral_distance_db,
    width_difference_db,
)
from tests.helpers.listening import excerpt_of
from tests.helpers.signals import noise

ROOM = Room(level_db=-16.0, decay_1khz_s=1.0)
SOURCES = {"a": Source(channel=1), "b": Source(channel=2)}


def version(name: str = "a") -> Version:
    """One with made-up figures."""
    return excerpt_of(noise(4800), {name: name}, sample_rate_hz=48_000).versions[0]


def raised(first: Version, name: str, *, band: int, by_db: float) -> Version:
    """A version that differs in one third octave."""
    spectrum = list(first.spectrum_db)
    spectrum[band] += by_db
    return replace(first, name=name, spectrum_db=tuple(spectrum))


def test_distance_counts_bands_that_are_heard() -> None:
    """Root mean square and largest difference; what is 50 dB down in both does not count."""
    flat = replace(version(), spectrum_db=(-20.0,) * 10 + (-90.0,) * 20)
    other = replace(flat, spectrum_db=(-20.0,) * 5 + (-22.0,) * 5 + (-120.0,) * 20)

    assert spectral_distance_db(flat, other) == pytest.approx((np.sqrt(2.0), 2.0))
    assert spectral_distance_db(flat, flat) == (0.0, 0.0)


def test_width_below_40_db_is_narrow() -> None:
    """Nothing, -60 and -40 dB are the same."""
    first, other = version(), version()
    octaves = len(first.side_to_mid_db)
    narrow = replace(first, side_to_mid_db=(None, -60.0, -40.0) + (-10.0,) * (octaves - 3))
    wide = replace(other, side_to_mid_db=(-60.0, -45.0, None) + (-10.0,) * (octaves - 4) + (-7.0,))

    assert width_difference_db(narrow, wide) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("change", "alike"),
    [
        ({}, True),
        ({"decay_1khz_s": 1.04}, True),
        ({"decay_1khz_s": 1.06}, False),
        ({"decay_125hz_ratio": 1.2}, False),
        ({"level_db": -15.2}, True),
        ({"level_db": -14.5}, False),
        ({"pre_delay_ms": 30.0}, False),
        ({"seed": 2}, False),
    ],
)
def test_rooms(change: dict[str, float], *, alike: bool) -> None:
    """Within 5 % of decay and 1 dB of level, all else the same."""
    assert rooms_alike(ROOM, ROOM.model_copy(update=change)) is alike


def test_a_room_and_none() -> None:
    """They differ; no room twice does not."""
    assert not rooms_alike(ROOM, None)
    assert rooms_alike(None, None)


@pytest.mark.parametrize(("by_db", "alike"), [(0.9, True), (1.1, False)])
def test_one_third_octave_decides(by_db: float, *, alike: bool) -> None:
    """Over all excerpts, and in both directions."""
    first = version()
    other = raised(first, "b", band=12, by_db=-by_db)
    excerpt = replace(excerpt_of(noise(4800), {"a": "a"}, sample_rate_hz=48_000), versions=(first, other))
    same = replace(excerpt, name="loudest", versions=(first, replace(first, name="b")))
    recipe = Recipe(sources=SOURCES)

    (pair,) = compare_pairs(
        [PageTake("take", (same, excerpt))], [Choice("a", "A", recipe), Choice("b", "B", recipe)]
    )

    assert pair.alike is alike
    assert pair.largest_band_db == pytest.approx(by_db, abs=1e-3)


def test_a_limiter_at_work_is_heard() -> None:
    """Where it is part of a version."""
    first = replace(version(), limiter_max_reduction_db=2.0)
    excerpt = replace(
        excerpt_of(noise(4800), {"a": "a"}, sample_rate_hz=48_000),
        versions=(first, replace(first, name="b")),
    )
    recipe = Recipe(sources=SOURCES)
    choices = [Choice("a", "A", recipe), Choice("b", "B", recipe)]
    takes = [PageTake("take", (excerpt,))]

    assert compare_pairs(takes, choices)[0].alike
    assert not compare_pairs(takes, [choices[0], replace(choices[1], limited=True)])[0].alike
