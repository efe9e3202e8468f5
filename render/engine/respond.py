"""What a move of a first recipe, or a chain, does to a spectrum: by the prototypes that stages are made of."""

from __future__ import annotations

from collections.abc import Sequence
from typing import assert_never

import numpy as np

from render.analysis.balance import LINES_HZ
from render.analysis.moves import HighPassMove, Move, NotchMove, PeakMove, ShelfMove
from render.analysis.spectrum import measure_spectrum
from render.audio.array import Reals
from render.engine.compile import compile_stage
from render.recipe.models import Stage
from render.stages.equaliser import low_shelf, notch, peaking
from render.stages.passes import high_pass
from render.stages.prototype import Prototype, analogue_response

RATE_HZ = 48_000  # stages sound the same at every rate; what is drawn and read here ends at 20 kHz


def power_response(move: Move, frequency_hz: Reals) -> Reals:
    """Power response of a move, shape of `frequency_hz`."""
    response = analogue_response(_prototype(move), frequency_hz)
    return np.asarray(response.real**2 + response.imag**2, np.float64)


def _prototype(move: Move) -> Prototype:
    match move:
        case HighPassMove():
            return high_pass(cutoff_hz=move.cutoff_hz, slope_db_per_octave=move.slope_db_per_octave)
        case ShelfMove():
            return low_shelf(corner_hz=move.corner_hz, gain_db=move.gain_db, q=move.q)
        case PeakMove():
            return peaking(centre_hz=move.centre_hz, gain_db=move.gain_db, q=move.q)
        case NotchMove():
            return notch(centre_hz=move.centre_hz, q=move.q)
        case _:
            assert_never(move)


def chain_power(chain: Sequence[Stage], frequency_hz: Reals = LINES_HZ) -> Reals:
    """Power response of the stages of a chain one after the other, shape of `frequency_hz`.

    An impulse response of two channels counts as the mean of both.

    Raises
    ------
    RecipeError
        If an impulse-response file cannot be used.
    """
    power = np.ones(len(frequency_hz))
    for stage in chain:
        piece = compile_stage(stage, sample_rate_hz=RATE_HZ)
        if isinstance(piece, Prototype):
            response = analogue_response(piece, frequency_hz)
            power *= response.real**2 + response.imag**2
        else:
            spectrum = measure_spectrum(piece.taps, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz)
            power *= np.mean(10.0 ** (spectrum.level_db / 10.0), axis=1)
    return power
