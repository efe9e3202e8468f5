"""A take that stops while it still sounds, told from one that has died away, and from a knock at its end."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.cut_off import measure_cut_off
from render.analysis.levels import LevelCurve
from render.analysis.noise import Noise

PLAYING_DBFS, NOISE_DBFS = -24.0, -80.0


def _noise(*, settled: bool = True, level_dbfs: float = NOISE_DBFS) -> Noise:
    nothing = np.zeros(0)
    return Noise(level_dbfs, settled, PLAYING_DBFS, PLAYING_DBFS - level_dbfs, 0.0, nothing, nothing)


def _curve(*end_dbfs: float, steps: int = 100) -> LevelCurve:
    """Playing, and the last steps of a tenth of a second as given."""
    level_dbfs = np.full(steps, PLAYING_DBFS)
    level_dbfs[steps - len(end_dbfs) :] = end_dbfs
    gain = np.repeat(10.0 ** (level_dbfs / 20.0)[:, np.newaxis], 2, axis=1).astype(np.float32)
    return LevelCurve(0.1, gain, gain)


def _measured(curve: LevelCurve, *noises: Noise) -> float | None:
    return measure_cut_off(curve, noises or (_noise(), _noise()))


@pytest.mark.parametrize("below_db", [0.0, 10.0, 20.0])
def test_a_chord_that_still_rings_is_told(below_db: float) -> None:
    """By how far below the playing it is."""
    ringing = np.full(8, PLAYING_DBFS - below_db)

    assert _measured(_curve(*ringing)) == pytest.approx(below_db, abs=1e-4)


def test_what_has_died_away_is_not() -> None:
    """Nor is what ends in digital silence, or in a knock alone."""
    quiet = np.full(10, NOISE_DBFS)

    assert _measured(_curve(*quiet)) is None
    assert _measured(_curve(*np.full(10, -np.inf))) is None
    assert _measured(_curve(*quiet, PLAYING_DBFS)) is None


def test_noise_is_not_taken_for_a_ringing_string() -> None:
    """Loud noise 20 dB under the playing; where noise is not known only what is as loud as playing counts."""
    loud = _noise(level_dbfs=PLAYING_DBFS - 22.0)
    end = np.full(10, PLAYING_DBFS - 20.0)

    assert _measured(_curve(*end), loud, loud) is None
    assert _measured(_curve(*end), _noise(settled=False), _noise(settled=False)) is None
    assert _measured(_curve(), _noise(settled=False), _noise(settled=False)) == pytest.approx(0.0, abs=1e-4)


def test_a_very_short_take_is_not_judged() -> None:
    """A second and a half is all end."""
    assert _measured(_curve(steps=15)) is None


def test_a_constant_voltage_does_not_ring() -> None:
    """What is left after it counts: nothing, or a chord."""
    dc = 10.0 ** ((PLAYING_DBFS - 10.0) / 20.0)
    chord = 10.0 ** ((PLAYING_DBFS - 5.0) / 20.0)
    alone = np.full(10, 20.0 * np.log10(dc))
    with_chord = np.full(10, 20.0 * np.log10(np.hypot(dc, chord)))

    assert _measured(_curve(*alone)) == pytest.approx(10.0, abs=1e-3)
    assert measure_cut_off(_curve(*alone), (_noise(), _noise()), dc=(dc, -dc)) is None
    found_db = measure_cut_off(_curve(*with_chord), (_noise(), _noise()), dc=(dc, -dc))
    assert found_db == pytest.approx(5.0, abs=1e-3)
