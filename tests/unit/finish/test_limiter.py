"""The gain curve: enough everywhere, nothing where nothing is needed, smooth, bounded in time."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from render.finish import limiter
from render.finish.limiter import GainCurve, LimitedPassage, design_gain_curve
from render.finish.passage import Passage
from render.finish.slots import cell_frames
from tests.helpers.signals import noise

NOTHING = np.zeros(0, np.int64)


def _random_curve(count: int, *, rate: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, GainCurve]:
    random = np.random.default_rng(seed)
    cells = np.sort(random.choice(20_000, count, replace=False))
    need_db = random.uniform(0.01, 6.0, count)
    return cells, need_db, design_gain_curve(cells, need_db, sample_rate_hz=rate)


def _per_frame(curve: GainCurve, frames: int) -> np.ndarray:
    gain = np.ones(frames)
    for first, stop, piece in curve.pieces(0, frames):
        gain[first:stop] = piece
    return gain


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 192_000])
@pytest.mark.parametrize("count", [1, 2, 30, 400])
def test_every_cell_gets_what_it_needs(rate: int, count: int) -> None:
    """At both its ends; the largest reduction is the largest need, not more."""
    cells, need_db, curve = _random_curve(count, rate=rate)
    reduction_db = -20.0 * np.log10(np.maximum(curve.knots(cells), curve.knots(cells + 1)))
    assert (reduction_db >= need_db - 1e-9).all()
    assert curve.max_reduction_db == pytest.approx(need_db.max(), abs=1e-9)
    assert (curve.gain <= 1.0).all()
    assert (curve.gain[curve.offset[:-1]] == 1.0).all()
    assert (curve.gain[curve.offset[1:] - 1] == 1.0).all()
    assert curve.cell_frames == cell_frames(rate)


def test_long_curves_are_made_in_parts_like_short_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Regions do not reach into each other, however many are laid end to end."""
    cells, need_db, whole = _random_curve(60, rate=48_000)
    monkeypatch.setattr(limiter, "_KNOTS_AT_ONCE", 300)
    parts = design_gain_curve(cells, need_db, sample_rate_hz=48_000)
    assert len(whole.first_cell) > 5
    assert parts.gain == pytest.approx(whole.gain, abs=1e-12)


@pytest.mark.parametrize(("need_db", "longest_s"), [(0.1, 0.050), (1.0, 0.115), (3.0, 0.165), (6.0, 0.200)])
def test_attack_and_release(need_db: float, longest_s: float) -> None:
    """One over: the gain begins 5 ms before it and is 1 again within the documented time, without a jump."""
    curve = design_gain_curve(np.array([1_000]), np.array([need_db]), sample_rate_hz=48_000)
    gain_db = 20.0 * np.log10(_per_frame(curve, 48_000))
    at = np.flatnonzero(gain_db < 0.0)
    assert 0.004 <= (16_000 - at[0]) / 48_000 <= 0.0065
    assert (at[-1] - 16_000) / 48_000 <= longest_s
    assert np.abs(np.diff(gain_db)).max() <= need_db * 16 / 960
    assert gain_db[16_000 : 16_000 + 700] == pytest.approx(np.full(700, -need_db), abs=1e-9)


def test_steady_overs_of_a_low_note_give_a_steady_gain() -> None:
    """Tops 18 ms apart, one polarity of 55 Hz: nothing follows them."""
    cells = np.arange(500, 6_000, 54)
    curve = design_gain_curve(cells, np.full(len(cells), 2.0), sample_rate_hz=48_000)
    gain_db = 20.0 * np.log10(_per_frame(curve, 100_000))
    assert gain_db[10_000:90_000] == pytest.approx(np.full(80_000, -2.0), abs=1e-9)


def test_pieces_and_windows_agree() -> None:
    """Cut anywhere; windows aligned with each other and not."""
    _, _, curve = _random_curve(100, rate=48_000, seed=2)
    whole = _per_frame(curve, 330_000)
    random = np.random.default_rng(3)
    edges = np.unique(np.concatenate([[0, 330_000], random.integers(0, 330_000, 200)]))
    cut = np.ones(330_000)
    for first, stop in pairwise(edges):
        for low, high, gain in curve.pieces(int(first), int(stop)):
            cut[low:high] = gain
    assert np.array_equal(cut, whole)
    for starts in (random.integers(0, 320_000, 50), 160 * random.integers(0, 2_000, 50) + 7):
        windows = curve.windows(starts, 500)
        expected = [whole[start : start + 500] for start in starts]
        assert windows == pytest.approx(np.array(expected), abs=1e-6)
    assert curve.windows(np.zeros(0, np.int64), 100).shape == (0, 100)


def test_figures_of_a_curve() -> None:
    """Frames with a gain below 1, and mean squares per slot."""
    _, _, curve = _random_curve(40, rate=48_000, seed=4)
    whole = _per_frame(curve, 336_000)
    assert curve.active_frames(336_000) == pytest.approx(np.count_nonzero(whole < 1.0), rel=0.01)
    assert curve.active_frames(10_000) <= 10_000
    expected = (whole.reshape(-1, 960) ** 2).mean(axis=1)
    assert curve.mean_squares(350, 960) == pytest.approx(expected, abs=0.01)


def test_nothing_over_nothing_done() -> None:
    """No region, gain 1."""
    curve = design_gain_curve(NOTHING, np.zeros(0), sample_rate_hz=48_000)
    assert len(curve.first_cell) == len(curve.gain) == 0
    assert curve.max_reduction_db == 0.0
    assert curve.active_frames(1_000) == 0
    assert list(curve.pieces(0, 1_000)) == []
    assert (curve.knots(np.arange(10)) == 1.0).all()
    assert (curve.mean_squares(3, 960) == 1.0).all()


def test_an_over_at_the_very_beginning_is_met() -> None:
    """The region begins before the file."""
    curve = design_gain_curve(np.array([-1, 0]), np.array([1.0, 2.0]), sample_rate_hz=48_000)
    assert curve.first_cell[0] < 0
    gain = _per_frame(curve, 20_000)
    assert 20.0 * np.log10(gain[:16]) == pytest.approx(np.full(16, -2.0), abs=1e-9)
    assert curve.mean_squares(2, 960)[0] < 0.7


def test_a_limited_passage_is_the_passage_times_the_gain() -> None:
    """The same on both channels."""
    store = np.asfortranarray(noise(330_000, seed=5), np.float32)
    _, _, curve = _random_curve(100, rate=48_000, seed=6)
    passage = Passage(store, 0, len(store))
    limited = LimitedPassage(passage, curve)
    starts = np.array([0, 960, 96_000])
    plain, under = passage.windows(starts, 960), limited.windows(starts, 960)
    assert limited.frames == len(store)
    assert under == pytest.approx(plain * curve.windows(starts, 960)[:, np.newaxis], abs=1e-7)


@pytest.mark.parametrize(
    ("cells", "need_db", "message"),
    [
        ([3, 2], [1.0, 1.0], "cells must be in order"),
        ([2, 2], [1.0, 1.0], "cells must be in order"),
        ([2, 3], [1.0], "cells must be in order, none twice, and as many as need_db"),
        ([2, 3], [1.0, 0.0], "need_db must be greater than 0, not 0"),
    ],
)
def test_what_makes_no_sense_is_refused(cells: list[int], need_db: list[float], message: str) -> None:
    """Named in the message."""
    with pytest.raises(ValueError, match=message):
        design_gain_curve(np.array(cells), np.array(need_db), sample_rate_hz=48_000)
