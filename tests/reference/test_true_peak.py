"""True peak against EBU Tech 3341, the filter printed in BS.1770, and SciPy's interpolation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from render.finish.true_peak import true_peak_gain
from tests.helpers.signals import noise, plucks
from tests.helpers.source import source

Audio = NDArray[np.float64]
BS1770 = "ITU-R BS.1770-5 (11/2023)"
TECH3341 = "EBU Tech 3341, version 4 (2023)"
RATE_HZ = 48_000
# BS.1770-5 Annex 2: phases 0 and 1; phase 2 is phase 1 reversed, phase 3 is phase 0 reversed.
PHASE_0 = (14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68)
PHASE_1 = (-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -476, 271, -155)


def annex_2_peak(audio: Audio) -> float:
    """Largest value after the printed 48 taps, four times oversampled."""
    taps = np.zeros(48)
    for phase, values in enumerate((PHASE_0, PHASE_1, PHASE_1[::-1], PHASE_0[::-1])):
        taps[phase::4] = np.array(values) / 8192.0
    return float(np.abs(signal.upfirdn(taps, audio, up=4, axis=0)).max())


def scipy_peak(audio: Audio, *, taps: int = 256, up: int = 16) -> float:
    """Largest value after SciPy's interpolation with a long filter of our choice, silence around.

    Four times first; all the way only where that stands within 0.9 of its largest: a wave that is band-limited does
    not fall below cos(pi / 8) = 0.92 of its top within an eighth of a frame (S. N. Bernstein).
    """
    padded = np.pad(audio, ((taps, taps), (0, 0)))
    coarse = np.abs(_interpolated(padded, taps=taps, up=4)).max(axis=1)
    near = np.unique(np.flatnonzero(coarse >= 0.9 * coarse.max()) // 4)
    largest = 0.0
    for frames in np.split(near, np.flatnonzero(np.diff(near) > 2 * taps) + 1):
        first, stop = max(0, int(frames[0]) - taps), int(frames[-1]) + 2 + taps
        fine = _interpolated(padded[first:stop], taps=taps, up=up)
        inside = slice(
            (int(frames[0]) - first) * up, (int(frames[-1]) + 1 - first) * up
        )  # not what the cut does
        largest = max(largest, float(np.abs(fine[inside]).max()))
    return largest


def _interpolated(audio: Audio, *, taps: int, up: int) -> Audio:
    window = signal.firwin(taps * up + 1, 1.0 / up, window=("kaiser", 10.0))
    return np.asarray(signal.resample_poly(audio, up, 1, axis=0, window=window), np.float64)


def _peak_dbtp(audio: Audio, rate: int = RATE_HZ) -> float:
    return 20.0 * math.log10(true_peak_gain(np.asfortranarray(audio), sample_rate_hz=rate))


def _faded_sine(divisor: int, *, gain: float, phase_deg: float) -> Audio:
    wave = gain * np.sin(2.0 * np.pi * np.arange(RATE_HZ // 2) / divisor + np.deg2rad(phase_deg))
    fade = np.minimum(1.0, np.minimum(np.arange(len(wave)), np.arange(len(wave))[::-1]) / (0.01 * RATE_HZ))
    return np.stack([wave * fade, wave * fade], axis=1)


@source(
    TECH3341,
    "table 1, cases 15 to 19",
    kind="standard",
    tolerance="+0.2 / -0.4 dB; 0.01 dB of the true value",
)
@pytest.mark.parametrize(
    ("divisor", "gain", "phase_deg", "expected"),
    [
        (4, 0.50, 0.0, -6.0),
        (4, 0.50, 45.0, -6.0),
        (6, 0.50, 60.0, -6.0),
        (8, 0.50, 67.5, -6.0),
        (4, 1.41, 45.0, 3.0),
    ],
)
def test_3341_sines(divisor: int, gain: float, phase_deg: float, expected: float) -> None:
    """Sines whose samples miss the top."""
    reading = _peak_dbtp(_faded_sine(divisor, gain=gain, phase_deg=phase_deg))
    assert expected - 0.4 <= reading <= expected + 0.2
    assert reading == pytest.approx(20.0 * math.log10(gain), abs=0.01)


def _burst_at_four_times() -> Audio:
    """Case 20 to 23: a sine of fs/6 and 0.5 that holds one period of fs/4 and 1.0, in phase; made at 4 fs."""
    around = 0.5 * np.sin(2.0 * np.pi * np.arange(24 * 400) / 24)
    wave = np.concatenate([around, np.sin(2.0 * np.pi * np.arange(16) / 16), around])
    fade = np.minimum(1.0, np.minimum(np.arange(len(wave)), np.arange(len(wave))[::-1]) / 1000)
    low_pass = signal.firwin(1023, 0.9 / 4.0)
    return np.asarray(signal.convolve(wave * fade, low_pass, mode="same"), np.float64)


@source(
    TECH3341,
    "table 1, cases 20 to 23; the low-pass is left to the maker, here 1023 taps at 0.9 of fs/2",
    kind="standard",
    tolerance="+0.2 / -0.4 dB as the table says; 0.02 dB of what 32 times oversampling reads (-0.119)",
)
@pytest.mark.parametrize("offset", range(4))
def test_3341_bursts(offset: int) -> None:
    """One period twice as high, taken down from 4 fs at four offsets."""
    wave = _burst_at_four_times()[offset::4]
    reading = _peak_dbtp(np.stack([wave, np.zeros_like(wave)], axis=1))
    assert -0.4 <= reading <= 0.2
    assert reading == pytest.approx(-0.119, abs=0.02)


@source("SciPy, signal.resample_poly", "16 times, 256 taps a phase", kind="library", tolerance="0.01 dB")
@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000, 192_000])
def test_plucks_against_scipy(rate: int) -> None:
    """Plucked strings at rates with different grids."""
    audio = plucks(0.8, sample_rate_hz=rate, seed=rate)
    assert _peak_dbtp(audio, rate) == pytest.approx(20.0 * math.log10(scipy_peak(audio)), abs=0.01)


@source(
    "SciPy, signal.resample_poly",
    "16 times, 256 taps a phase",
    kind="library",
    tolerance="0.01 dB for content up to 0.45 of the rate: the interpolators agree there",
)
def test_bright_noise_against_scipy() -> None:
    """Noise up to 0.45 of the rate, whose peaks lie anywhere; also its first and last frames, which are loud."""
    spectrum = np.fft.rfft(noise(30_000, seed=2), axis=0)
    spectrum[int(0.9 * len(spectrum)) :] = 0.0
    audio = np.fft.irfft(spectrum, axis=0)
    for piece in (audio, audio[:700], audio[1234:1300]):
        assert _peak_dbtp(piece) == pytest.approx(20.0 * math.log10(scipy_peak(piece)), abs=0.03)


@source(
    BS1770,
    "Annex 2, printed filter; read of a sine over all phases it errs by -0.30 to +0.22 dB up to 0.25 of the rate",
    kind="standard",
    tolerance="the printed filter's own error",
)
def test_against_the_printed_filter() -> None:
    """Plucked strings, and the sines of Tech 3341 with the readings known for them."""
    audio = plucks(1.0, sample_rate_hz=RATE_HZ, seed=8)
    difference = 20.0 * math.log10(annex_2_peak(audio)) - _peak_dbtp(audio)
    assert -0.30 <= difference <= 0.22
    for divisor, phase_deg, expected in (
        (4, 0.0, -6.217),
        (4, 45.0, -5.975),
        (6, 60.0, -6.314),
        (8, 67.5, -6.028),
    ):
        sine = _faded_sine(divisor, gain=0.5, phase_deg=phase_deg)
        assert 20.0 * math.log10(annex_2_peak(sine)) == pytest.approx(expected, abs=0.02)
