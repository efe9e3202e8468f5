from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.unexplained import (
    ORDER,
    Unexplained,
    fit_models,
    measure_change,
    measure_growth,
    measure_sharpness,
    measure_unexplained,
)

AROUND = 480
GAP = 74
PLACE = ORDER + AROUND + 8
Wave = NDArray[np.float64]


def _piece(jolt: Wave | None = None, *, cut: int = 0) -> Wave:
    """Three partials and a little noise, with a jolt in the middle, or some frames cut out there."""
    frames = ORDER + 2 * AROUND + GAP
    t = np.arange(frames + cut) / 48000.0
    wave = sum(np.sin(2 * np.pi * hz * t + hz) / hz for hz in (110.0, 223.0, 341.0)) * 30.0
    wave = np.asarray(wave + 1e-4 * np.random.default_rng(4).standard_normal(len(t)))
    wave = np.concatenate([wave[:PLACE], wave[PLACE + cut :]])
    if jolt is not None:
        wave[PLACE : PLACE + len(jolt)] += jolt
    return wave[np.newaxis]


def _left(piece: Wave) -> Unexplained:
    models = fit_models(piece[:, : ORDER + AROUND], piece[:, -AROUND:])
    return measure_unexplained(piece, models, around=AROUND)


def test_the_model_foretells_a_sine() -> None:
    """Two coefficients foretell a sine: 2 cos(w) and -1, but for the little noise that is added."""
    wave = np.sin(0.3 * np.arange(2000))
    np.testing.assert_allclose(
        fit_models(wave[np.newaxis], wave[np.newaxis], order=2)[0], [2 * np.cos(0.3), -1.0], atol=2e-3
    )


def test_a_spike_is_one_frame_that_follows_from_neither_side() -> None:
    """Its height comes out, one frame is unexplained, and it stands far above all else, forwards and backwards."""
    left = _left(_piece(np.array([0.05])))
    assert left.height[0] == pytest.approx(0.05, rel=0.05)
    assert (left.frames[0], left.span[0], left.coarse_frames[0], left.coarse_span[0]) == (1, 1, 1, 1)
    assert min(left.height[0] / left.elsewhere[0], left.backwards[0]) > 50.0


def test_jumping_samples_are_counted() -> None:
    """Eight samples that jump up and down are eight frames, and no more."""
    left = _left(_piece(0.05 * np.array([1.0, -0.8, 0.9, 0.7, -1.0, 0.8, -0.9, 1.0])))
    assert (left.frames[0], left.span[0]) == (8, 8)


def test_of_a_cut_nothing_is_unexplained() -> None:
    """Where a piece is lost every frame follows from before or from after, though it stands out of both."""
    left = _left(_piece(cut=97))
    assert left.frames[0] == 0
    assert left.span[0] == 0
    assert left.height[0] > 20.0 * left.elsewhere[0]


def test_a_burst_lasts() -> None:
    """Noise that decays by half in 0.4 ms follows from neither side for longer than any click."""
    decay = 0.5 ** (np.arange(60) / 20.0)
    left = _left(_piece(0.1 * decay * np.random.default_rng(3).standard_normal(60)))
    assert left.frames[0] > 12
    assert left.span[0] > 20


def test_growth_of_shapes() -> None:
    """A spike does not grow, a step stays, what begins with a bend goes on growing."""
    line = np.arange(40.0)
    found = []
    for jolt in (line == 0, line >= 0, 0.1 * (line + 1.0)):
        piece = _piece(0.05 * np.asarray(jolt, np.float64))
        models = fit_models(piece[:, : ORDER + AROUND], piece[:, -AROUND:])
        found.append(float(measure_growth(piece, models, around=AROUND)[0]))
    assert found[0] < 0.1
    assert 0.7 < found[1] < 1.2
    assert found[2] > 2.0


def test_change_is_the_largest_of_whole_and_treble() -> None:
    """Twice as loud is 2, softer is below 1, and treble that comes in counts though the whole hardly changes."""
    sound = _piece()[:, :AROUND]
    assert measure_change(sound, 2.0 * sound)[0] == pytest.approx(2.0)
    assert measure_change(sound, 0.5 * sound)[0] == pytest.approx(0.5)
    treble = 0.02 * np.where(np.arange(AROUND) % 2, 1.0, -1.0)
    assert measure_change(sound, sound + treble)[0] > 10.0


def test_sharpness_of_shapes() -> None:
    """A spike, a step, a bend, a step over two samples, a spike of two samples: as the docstring says."""
    line = np.arange(24.0)
    shapes = [line == 12, line >= 12, np.maximum(line - 12, 0), np.clip((line - 11) / 2, 0, 1)]
    shapes.append((line == 12) | (line == 13))
    found = [measure_sharpness(np.asarray(shape, np.float64)) for shape in shapes]
    np.testing.assert_allclose(found, [21.0, 70 / 6, 5.0, 7 / 3, 4.2])
