"""Suggested recipes against guitars of which everything is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from render.analysis.advice import find_hum_notches
from render.analysis.balance import LINES_HZ
from render.analysis.hum import Hum, HumLine
from render.analysis.lowest_note import high_pass_below_hz, note_name
from render.analysis.moves import HighPassMove
from render.engine.compile import compile_chain
from render.engine.respond import power_response
from render.workflows.suggest.plan import PICKUP_SLOPE
from tests.helpers.evidence import RATE_HZ, evidence_of, plan_for
from tests.helpers.known_guitar import Reals, balance_db, play_known, random_known
from tests.helpers.source import source

COOKBOOK = "R. Bristow-Johnson, Audio EQ Cookbook, W3C Group Note, 2021"
BLUMLEIN = "A. D. Blumlein, British patent 394,325, 1931 (sum and difference; algebra)"
ISO_16 = "ISO 16:1975, A4 = 440 Hz, and equal temperament"
SEEDS = range(8)


def _behind(chain_of: list[object], sound: Reals) -> Reals:
    """A sound behind stages compiled as a render compiles them."""
    fir = compile_chain(chain_of, sample_rate_hz=RATE_HZ)  # type: ignore[arg-type]
    size = scipy.fft.next_fast_len(len(sound) + len(fir.taps), real=True)
    product = np.fft.rfft(sound, size) * np.fft.rfft(fir.taps[:, 0], size)
    return np.asarray(np.fft.irfft(product, size)[: len(sound)])


@source(
    COOKBOOK,
    "peakingEQ and lowShelf, H(s): put on a microphone that is otherwise the pickup; energies by one plain transform",
    kind="closed form",
    tolerance="3 dB, as asked of the low band; 3 % for a resonance's frequency; 1 dB for the width",
)
@pytest.mark.parametrize("seed", SEEDS)
def test_known_filters_are_undone(seed: int) -> None:
    """Two resonances and a shelf, drawn by seed: lows within 3 dB, the strong resonance found, the width kept."""
    known = random_known(np.random.default_rng(100 + seed))
    audio = play_known(known, seed=seed, duration_s=14.0)
    plan = plan_for([evidence_of(audio)], width_db=-7.0)
    sounds = {
        source.name: 10.0 ** (source.gain_db / 20.0)
        * _behind([placed.stage for placed in source.chain], audio[:, channel])
        for channel, source in enumerate(plan.sources)
    }

    low_db, thirds_db = balance_db(audio[:, 0], sounds["mic"])
    assert abs(low_db) < 3.0
    assert np.max(thirds_db) < 3.0
    for hz, height_db, _ in known.booms:
        if height_db >= 7.0:
            assert min(abs(found.frequency_hz / hz - 1.0) for found in plan.resonances) < 0.03
    left, right = sounds["pickup"] + sounds["mic"], sounds["pickup"] - sounds["mic"]
    side_to_mid_db = 10.0 * np.log10(np.mean((left - right) ** 2) / np.mean((left + right) ** 2))
    assert side_to_mid_db == pytest.approx(-7.0, abs=1.0)


@source(BLUMLEIN, "power of left - right against left + right", kind="closed form", tolerance="rounding")
def test_width_at_which_one_loudspeaker_loses_little() -> None:
    """-8 dB: the fold loses 10 lg(1 + 10^-0.8) = 0.64 LU, as the default width says of itself."""
    from render.analysis.moves import DEFAULT_WIDTH_DB

    assert 10.0 * np.log10(1.0 + 10.0 ** (DEFAULT_WIDTH_DB / 10.0)) == pytest.approx(0.64, abs=0.005)


@source(
    "S. Butterworth, Experimental Wireless 7, 1930: 1 / (1 + (fc / f)^(2 n))",
    "order 4, half an octave below",
    kind="closed form",
    tolerance="cut-offs are whole hertz",
)
@pytest.mark.parametrize("note_hz", [61.735, 65.406, 73.416, 82.407, 110.0])
def test_the_lowest_note_keeps_its_level(note_hz: float) -> None:
    """A high-pass half an octave below takes 0.26 dB off the note."""
    move = HighPassMove(high_pass_below_hz(note_hz), PICKUP_SLOPE)
    loss_db = -10.0 * np.log10(power_response(move, np.array([note_hz]))[0])

    assert loss_db == pytest.approx(10.0 * np.log10(1.0 + 2.0**-4.0), abs=0.06)


@source(ISO_16, "open strings and low tunings", kind="closed form", tolerance="names")
def test_names_of_strings() -> None:
    """E A D G B E, and D, C and B of low tunings."""
    strings_hz = (82.407, 110.0, 146.832, 195.998, 246.942, 329.628, 73.416, 65.406, 61.735)

    names = [note_name(hz) for hz in strings_hz]
    assert names == ["E2", "A2", "D3", "G3", "B3", "E4", "D2", "C2", "B1"]


@source(
    COOKBOOK,
    "notch, H(s): |H|^2 = v^2 / (v^2 + 1/Q^2), v = f/f0 - f0/f",
    kind="closed form",
    tolerance="rounding",
)
def test_what_a_hum_notch_costs_the_note_beside_it() -> None:
    """The loss that a comment tells of G2 beside 100 Hz is that of the notch at 97.999 Hz."""
    hum = Hum(True, 50.0, 50.0, -60.0, (HumLine(2, 100.0, -60.0),))
    (found,) = find_hum_notches(
        hum, playing_dbfs=-25.0, lowest_note_hz=82.4, chain=np.ones(len(LINES_HZ)), respond=power_response
    )
    note_hz = 440.0 * 2.0 ** (-26.0 / 12.0)
    v = note_hz / 100.0 - 100.0 / note_hz

    expected_db = -10.0 * np.log10(v**2 / (v**2 + 1.0 / found.notch.q**2))
    assert found.note_loss_db == pytest.approx(expected_db, abs=1e-6)
