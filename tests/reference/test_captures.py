"""Hum, noise, bands and resonances of a capture against closed forms and printed tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.analysis.bands import BandGauge, a_weighting_db, measure_bands
from render.analysis.boom import measure_boom
from render.analysis.hum import measure_hum
from render.analysis.noise import measure_noise
from tests.helpers.signals import noise, sine
from tests.helpers.source import source

RATES_HZ = (8000, 44100, 48000, 96000)

# IEC 61260-1:2014, exact mid-band frequencies 1000 * 10**(n / 10) of third octaves, to 5 digits as tabulated
EXACT_HZ = (
    31.623, 39.811, 50.119, 63.096, 79.433, 100.00, 125.89, 158.49, 199.53, 251.19, 316.23, 398.11, 501.19, 630.96,
    794.33, 1000.0, 1258.9, 1584.9, 1995.3, 2511.9, 3162.3, 3981.1, 5011.9, 6309.6, 7943.3, 10000.0, 12589.0, 15849.0,
    19953.0,
)  # fmt: skip

# IEC 61672-1:2013, table 3: A weighting in dB at nominal frequencies
A_WEIGHTING = {
    31.623: -39.4, 63.096: -26.2, 100.0: -19.1, 125.89: -16.1, 251.19: -8.6, 501.19: -3.2, 1000.0: 0.0, 1995.3: 1.2,
    3981.1: 1.0, 7943.3: -1.1, 10000.0: -2.5, 15849.0: -6.6,
}  # fmt: skip

# equal temperament on A4 = 440 Hz (ISO 16): the notes that lie next to multiples of 50 and 60 Hz
NEAR_MAINS_HZ = {"G1": 48.9994, "B1": 61.7354, "G2": 97.9989, "B2": 123.4708, "D3": 146.8324, "B3": 246.9417}


@source(
    "closed form: a sine of amplitude a has the RMS level 20 lg a - 3.0103 dB",
    "levels of a sum of sines add as powers",
    kind="closed form",
    tolerance="0.05 dB: the estimate reads between bins of a quarter hertz",
)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("mains_hz", [50.0, 49.93, 60.0, 60.11])
def test_levels_of_hum(rate_hz: int, mains_hz: float) -> None:
    """Mains and multiples of known amplitudes, over noise far below: each line and their sum at their RMS level."""
    amplitudes_db = {1: -40.0, 2: -55.0, 3: -46.0, 5: -50.0}
    seconds = np.arange(20 * rate_hz) / rate_hz
    wave = sum(
        10.0 ** (level / 20.0) * np.sin(2.0 * np.pi * k * mains_hz * seconds + k)
        for k, level in amplitudes_db.items()
    )
    take = np.stack([wave, wave], axis=1) + noise(len(seconds), rms=1e-5)
    found = measure_hum(take, sample_rate_hz=rate_hz)[0]
    assert found.present
    assert found.mains_hz == round(mains_hz)
    assert found.frequency_hz == pytest.approx(mains_hz, abs=0.01)
    assert {line.multiple for line in found.lines} == set(amplitudes_db)
    for line in found.lines:
        assert line.level_dbfs == pytest.approx(amplitudes_db[line.multiple] - 3.0103, abs=0.05)
    whole = sum(10.0 ** (level / 10.0) / 2.0 for level in amplitudes_db.values())
    assert found.level_dbfs == pytest.approx(10.0 * math.log10(whole), abs=0.05)


@source(
    "ISO 16:1975 (A4 = 440 Hz), equal temperament f = 440 * 2**((n - 69) / 12)",
    "notes next to multiples of 50 and 60 Hz",
    kind="closed form",
    tolerance="none: nothing may be told",
)
@pytest.mark.parametrize("note", list(NEAR_MAINS_HZ))
def test_notes_next_to_the_mains(note: str) -> None:
    """A note next to a multiple of the mains, as steady as hum itself, is no hum: it lies beside the grid."""
    number = {"G1": 31, "B1": 35, "G2": 43, "B2": 47, "D3": 50, "B3": 59}[note]
    assert NEAR_MAINS_HZ[note] == pytest.approx(440.0 * 2.0 ** ((number - 69) / 12.0), abs=5e-5)
    take = sine(NEAR_MAINS_HZ[note], duration_s=30.0, sample_rate_hz=8000, peak_dbfs=-20.0)
    take += noise(len(take), rms=1e-4)
    assert [one.present for one in measure_hum(take, sample_rate_hz=8000)] == [False, False]


@source(
    "IEC 61260-1:2014, Electroacoustics - Octave-band and fractional-octave-band filters - Part 1",
    "5.2 to 5.6: G = 10**0.3, exact mid-band frequencies and band edges",
    kind="standard",
    tolerance="5 printed digits",
)
def test_third_octaves() -> None:
    """Mid-band frequencies are those of the standard, and a sine just inside an edge counts in its own band."""
    gauge = BandGauge(sample_rate_hz=48000)
    assert gauge.centre_hz == pytest.approx(EXACT_HZ, rel=5e-5)
    own = 15
    for edge_hz, inside in ((891.25, 1), (1122.0, -1)):
        for moved_hz, band in ((12.0 * inside, own), (-12.0 * inside, own - inside)):
            take = sine(edge_hz + moved_hz, duration_s=2.0, sample_rate_hz=48000, peak_dbfs=-20.0)
            power = measure_bands(take, sample_rate_hz=48000).power[3, 0]
            assert int(np.argmax(power)) == band
            assert 10.0 * math.log10(float(power[band])) == pytest.approx(-23.01, abs=0.35)


@source(
    "IEC 61672-1:2013, Electroacoustics - Sound level meters - Part 1",
    "table 3, frequency weighting A",
    kind="standard",
    tolerance="0.06 dB: the table prints one decimal",
)
def test_a_weighting() -> None:
    """The weighting of noise against playing is A."""
    found = a_weighting_db(np.array(list(A_WEIGHTING)))
    assert found == pytest.approx(list(A_WEIGHTING.values()), abs=0.06)


@source(
    "closed form: white noise of variance s**2, one-sided density 2 s**2 / rate",
    "a third octave is G**(1/6) - G**(-1/6) of its centre wide",
    kind="closed form",
    tolerance="0.5 dB above 100 Hz: chance of 20 s of noise in bands 23 Hz wide or more",
)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_noise_floor(rate_hz: int) -> None:
    """White noise at -60 dBFS: the whole, and every third octave, at its level."""
    found = measure_noise(noise(20 * rate_hz, rms=1e-3), sample_rate_hz=rate_hz)[0]
    assert found.level_dbfs == pytest.approx(-60.0, abs=0.1)
    width_hz = found.centre_hz * (10.0**0.05 - 10.0**-0.05)
    expected = -60.0 + 10.0 * np.log10(2.0 * width_hz / rate_hz)
    wide = found.centre_hz > 100.0
    assert found.band_dbfs[wide] == pytest.approx(expected[wide], abs=0.5)


@source(
    "closed form: one resonance beside a direct path, 1 + g / (1 + j Q (f/f0 - f0/f))",
    "power 1 + ((1 + g)**2 - 1) / (1 + (Q (f/f0 - f0/f))**2): height 1 + g, half of it at 3 dB down",
    kind="closed form",
    tolerance="0.2 % of frequency, 0.4 dB, 6 % of width: chance of 60 s of noise",
)
@pytest.mark.parametrize(
    ("frequency_hz", "quality", "g"), [(98.0, 18.0, 3.0), (182.0, 25.0, 2.0), (130.0, 7.0, 4.0)]
)
def test_a_resonance_beside_a_direct_path(frequency_hz: float, quality: float, g: float) -> None:
    """Noise heard directly and through a resonance: frequency, height and bandwidth are those of the formula."""
    rate_hz, frames = 4000, 60 * 4000
    sound = noise(frames, channels=1, seed=8)[:, 0]
    bins_hz = np.maximum(np.fft.rfftfreq(frames, 1.0 / rate_hz), 1e-6)
    mode = 1.0 / (1.0 + 1j * quality * (bins_hz / frequency_hz - frequency_hz / bins_hz))
    heard = np.fft.irfft(np.fft.rfft(sound) * (1.0 + g * mode), frames)
    found = measure_boom(np.stack([sound, heard], axis=1), sample_rate_hz=rate_hz)
    assert len(found) == 1
    assert found[0].frequency_hz == pytest.approx(frequency_hz, rel=0.002)
    assert found[0].prominence_db == pytest.approx(20.0 * math.log10(1.0 + g), abs=0.4)
    height = (1.0 + g) ** 2
    width_hz = frequency_hz / quality * math.sqrt((height - 1.0) / (0.5 * height - 1.0) - 1.0)
    assert found[0].bandwidth_hz == pytest.approx(width_hz, rel=0.06)
