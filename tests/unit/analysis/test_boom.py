"""Resonances of one source against the other."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.boom import BoomGauge, Resonance, measure_boom
from render.analysis.frames import each_spectra
from render.analysis.low_band import LowFrames
from tests.helpers.rehearsal import Body, Player, hiss, peaking, strings, two_sources
from tests.helpers.signals import noise

RATE_HZ = 8000


def _take(seed: int, modes: tuple[tuple[float, float, float], ...], duration_s: float = 25.0) -> np.ndarray:
    guitar = strings(duration_s, sample_rate_hz=RATE_HZ, seed=seed, player=Player(notes_per_s=2.0 + seed % 3))
    take = two_sources(guitar, sample_rate_hz=RATE_HZ, body=Body(modes=modes))
    return np.asarray(take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed, dbfs=(-75.0, -65.0)))


def test_known_resonances() -> None:
    """Resonances from 90 to 250 Hz, quality 5 to 30, 6 to 16 dB high: within 0.5 %, 1 dB and 15 % of quality."""
    random = np.random.default_rng(3)
    for seed in range(12):
        frequency_hz = float(random.uniform(90.0, 250.0))
        quality = float(np.exp(random.uniform(np.log(5.0), np.log(30.0))))
        height_db = float(random.uniform(6.0, 16.0))
        q = quality / 10.0 ** (height_db / 40.0)
        found = measure_boom(_take(seed, ((frequency_hz, q, height_db),)), sample_rate_hz=RATE_HZ)
        assert len(found) == 1
        assert found[0].frequency_hz == pytest.approx(frequency_hz, rel=0.005)
        assert found[0].prominence_db == pytest.approx(height_db, abs=1.0)
        assert found[0].quality == pytest.approx(quality, rel=0.15)
        assert found[0].peaking_q == pytest.approx(q, rel=0.2)


def test_a_body_has_three() -> None:
    """Air, top and back together: each is found, the highest first."""
    modes = ((104.0, 9.0, 11.0), (196.0, 12.0, 8.0), (243.0, 16.0, 6.0))
    found = measure_boom(_take(5, modes), sample_rate_hz=RATE_HZ)
    assert [one.frequency_hz for one in found] == pytest.approx([104.0, 196.0, 243.0], rel=0.01)
    assert [one.prominence_db for one in found] == pytest.approx([11.0, 8.0, 6.0], abs=1.0)


def test_nothing_stands_out() -> None:
    """Two sources that differ by slopes and a delay only, noises without anything in common, silence: no resonance."""
    for seed in range(6):
        assert measure_boom(_take(seed + 50, ()), sample_rate_hz=RATE_HZ) == ()
    assert measure_boom(noise(30 * RATE_HZ), sample_rate_hz=RATE_HZ) == ()
    assert measure_boom(np.zeros((30 * RATE_HZ, 2)), sample_rate_hz=RATE_HZ) == ()
    assert measure_boom(np.ones((1, 2)), sample_rate_hz=RATE_HZ) == ()


def test_the_other_source() -> None:
    """Asked of the first source, what stands out there is told; exchanging sources exchanges the answers."""
    take = _take(2, ((120.0, 8.0, 9.0),))
    here = measure_boom(take[:, ::-1], sample_rate_hz=RATE_HZ, source=0)
    assert here == measure_boom(take, sample_rate_hz=RATE_HZ)
    with pytest.raises(ValueError, match="source = 2: must be 0 or 1"):
        measure_boom(take, sample_rate_hz=RATE_HZ, source=2)


def test_lines_of_hum_are_left_out() -> None:
    """Hum in one source at a few lines is not taken for the body's, and is left out when named."""
    take = _take(6, ((104.0, 9.0, 11.0),))
    seconds = np.arange(len(take)) / RATE_HZ
    take += 0.02 * (np.sin(2 * np.pi * 100.0 * seconds) + np.sin(2 * np.pi * 150.0 * seconds))[:, np.newaxis]
    low = LowFrames(sample_rate_hz=RATE_HZ)
    gauge = BoomGauge(low)
    for spectra in each_spectra(take, sample_rate_hz=RATE_HZ):
        gauge.add(low.add(spectra))
    found = gauge.result(without_hz=(100.0, 150.0))
    assert [round(one.frequency_hz) for one in found] == [104]
    assert found[0].prominence_db == pytest.approx(11.0, abs=1.0)


def test_a_cut_takes_it_away() -> None:
    """A peaking cut of a resonance's `peaking_q` makes the curve flat; the bandwidth is where it has fallen by 3 dB."""
    one = Resonance(frequency_hz=110.0, prominence_db=9.0, quality=14.0)
    grid_hz = np.linspace(80.0, 150.0, 7001)
    square = 10.0 ** (one.prominence_db / 10.0)
    curve = 1.0 + (square - 1.0) / (1.0 + (one.quality * (grid_hz / 110.0 - 110.0 / grid_hz)) ** 2)
    cut = peaking(grid_hz, centre_hz=110.0, gain_db=-9.0, q=one.peaking_q)
    assert np.abs(cut) ** 2 * curve == pytest.approx(1.0, abs=1e-9)
    upper = grid_hz[curve >= 0.5 * square]
    assert upper[-1] - upper[0] == pytest.approx(one.bandwidth_hz, abs=0.03)
