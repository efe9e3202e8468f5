"""Tests of what moves and chains do to a spectrum."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.analysis.balance import LINES_HZ
from render.analysis.moves import HighPassMove, Move, NotchMove, PeakMove, ShelfMove
from render.engine.compile import compile_chain
from render.engine.respond import chain_power, power_response
from render.recipe.models import Gain, HighPass, ImpulseResponse, LowShelf, Notch, Peaking, Stage

PAIRS: list[tuple[Move, Stage]] = [
    (HighPassMove(120.0, 18), HighPass(stage="high-pass", cutoff_hz=120.0, slope_db_per_octave=18)),
    (ShelfMove(250.0, -6.0, 0.6), LowShelf(stage="low-shelf", corner_hz=250.0, gain_db=-6.0, q=0.6)),
    (PeakMove(104.0, -9.0, 5.0), Peaking(stage="peaking", centre_hz=104.0, gain_db=-9.0, q=5.0)),
    (NotchMove(150.0, 30.0), Notch(stage="notch", centre_hz=150.0, q=30.0)),
]


@pytest.mark.parametrize(("move", "stage"), PAIRS, ids=lambda one: type(one).__name__)
def test_a_move_does_what_its_stage_does(move: Move, stage: Stage) -> None:
    """The power that a fit counts with is that of the compiled stage."""
    fir = compile_chain([stage], sample_rate_hz=48_000)
    hz = LINES_HZ[::9]
    turn = np.exp(-2j * np.pi * hz[:, np.newaxis] * np.arange(len(fir.taps)) / 48_000)
    compiled = np.abs(turn @ fir.taps[:, 0]) ** 2

    assert np.allclose(power_response(move, hz), compiled, rtol=2e-3, atol=1e-4)
    assert np.array_equal(power_response(move, hz), chain_power([stage], hz))


def test_a_chain_is_the_product_of_its_stages(tmp_path: Path) -> None:
    """Gains and impulse responses count as well; two channels as their mean."""
    soundfile.write(tmp_path / "wire.wav", np.eye(1, 64).T, 48_000, subtype="FLOAT")
    wire = ImpulseResponse(stage="impulse-response", file=tmp_path / "wire.wav")
    chain: list[Stage] = [Gain(stage="gain", gain_db=-6.0), PAIRS[0][1], wire]

    expected = 10.0**-0.6 * power_response(PAIRS[0][0], LINES_HZ)
    assert np.allclose(chain_power(chain), expected, rtol=2e-3)
    assert np.array_equal(chain_power([]), np.ones(len(LINES_HZ)))
