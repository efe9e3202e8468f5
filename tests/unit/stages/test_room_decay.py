"""Decay law, absorption, length."""

from __future__ import annotations

import numpy as np
import pytest

from render.stages.room.absorption import (
    Steadiness,
    apply_absorption,
    measure_steadiness,
    piece_frames,
    soft_bands,
    steady_centres_hz,
    travel_bins,
)
from render.stages.room.law import DecayLaw, causal_spectrum
from render.stages.room.length import frames_to_fall, trimmed_frames

RATE_HZ = 16000
LAW = DecayLaw(decay_1khz_s=0.8, decay_125hz_ratio=1.5, decay_8khz_ratio=0.3)
EVEN = Steadiness(every_frames=100, gain=np.ones((1, 1, 1)), centres_hz=np.array([1000.0]))


def test_longest_and_shortest() -> None:
    """Of all frequencies, whichever end they are at."""
    assert LAW.longest_s == pytest.approx(1.2)
    assert LAW.shortest_s == pytest.approx(0.24)
    assert DecayLaw(2.0, 0.5, 1.0).longest_s == 2.0


def test_one_frame_of_travel_is_a_causal_response() -> None:
    """A thousand frames of it: magnitude by the law, nothing in the second half, which stands for before."""
    bins = travel_bins(RATE_HZ)
    exponent = LAW.exponent(bins, sample_rate_hz=RATE_HZ)
    travelled = np.fft.irfft(np.exp(-1000.0 * exponent))
    assert float(np.abs(travelled[bins:]).max()) < 2e-4 * float(np.abs(travelled).max())
    frequency_hz = np.linspace(0.0, 0.5 * RATE_HZ, bins)
    fall_db = 60.0 * 1000 / RATE_HZ / LAW.decay_s(frequency_hz)
    np.testing.assert_allclose(-20.0 * np.log10(np.abs(np.fft.rfft(travelled))), fall_db, atol=1e-6)


def test_causal_spectrum_keeps_its_real_part() -> None:
    """The transform has the real part given, and a response that is zero in its second half."""
    real = 1.0 + 0.3 * np.cos(np.linspace(0.0, 3.0, 129)) ** 2
    spectrum = causal_spectrum(real)
    np.testing.assert_allclose(spectrum.real, real, atol=1e-14)
    np.testing.assert_allclose(np.fft.irfft(spectrum)[129:], 0.0, atol=1e-14)


@pytest.mark.parametrize("at_frames", [0, 700, 5000])
def test_an_echo_has_lost_what_its_travel_takes(at_frames: int) -> None:
    """A single echo at frame n falls by 60 dB n / (rate decay) at each frequency, and is not earlier than n."""
    rows = np.zeros((1, at_frames + RATE_HZ))
    rows[0, at_frames] = 1.0
    apply_absorption(
        rows,
        exponent=LAW.exponent(travel_bins(RATE_HZ), sample_rate_hz=RATE_HZ),
        piece=piece_frames(LAW.shortest_s, sample_rate_hz=RATE_HZ),
        steadiness=EVEN,
        sample_rate_hz=RATE_HZ,
    )
    heard = np.fft.rfft(rows[0, at_frames:])
    frequency_hz = np.array([125, 250, 500, 1000, 2000, 4000])
    level_db = 20.0 * np.log10(np.abs(heard[frequency_hz]))
    asked_db = -60.0 * at_frames / RATE_HZ / LAW.decay_s(frequency_hz.astype(np.float64))
    np.testing.assert_allclose(level_db, asked_db, atol=0.08)
    assert float(np.abs(rows[0, :at_frames]).max(initial=0.0)) < 1e-3 * float(np.abs(rows[0]).max())


def test_rows_are_absorbed_each_for_itself() -> None:
    """What a row gives does not depend on the others."""
    random = np.random.default_rng(1)
    rows = random.standard_normal((3, 3000))
    single = rows[1:2].copy()
    settings = {
        "exponent": LAW.exponent(travel_bins(RATE_HZ), sample_rate_hz=RATE_HZ),
        "piece": 100,
        "steadiness": EVEN,
        "sample_rate_hz": RATE_HZ,
    }
    apply_absorption(rows, **settings)  # type: ignore[arg-type]
    apply_absorption(single, **settings)  # type: ignore[arg-type]
    np.testing.assert_allclose(rows[1], single[0], atol=1e-14)


def test_soft_bands_add_up_to_one() -> None:
    """Everywhere, 0 Hz and half the rate included."""
    bands = soft_bands(np.linspace(0.0, 24000.0, 500), steady_centres_hz(48000))
    np.testing.assert_allclose(bands.sum(axis=0), 1.0, atol=1e-12)


def test_unsteady_energy_is_found_and_evened_out() -> None:
    """Noise that swells by 3 dB for 200 ms: the gains take the swell away, and without absorption it is gone."""
    random = np.random.default_rng(4)
    swell = np.ones(2 * RATE_HZ)
    swell[8000:11200] = 10.0 ** (3.0 / 20.0)
    rows = random.standard_normal((2, 2 * RATE_HZ)) * swell
    centres_hz = steady_centres_hz(RATE_HZ)
    steadiness = measure_steadiness(rows, sample_rate_hz=RATE_HZ, band_decay_s=np.full(len(centres_hz), 1.5))
    apply_absorption(
        rows,
        exponent=np.zeros(travel_bins(RATE_HZ), dtype=np.complex128),
        piece=160,
        steadiness=steadiness,
        sample_rate_hz=RATE_HZ,
    )
    inside, outside = rows[:, 8400:10800], rows[:, 2000:7600]
    assert 10.0 * np.log10(np.mean(inside**2) / np.mean(outside**2)) == pytest.approx(0.0, abs=0.2)


def test_gains_stay_moderate_where_nothing_sounds() -> None:
    """Silence cannot be raised to noise: 6 dB at most."""
    centres_hz = steady_centres_hz(RATE_HZ)
    steadiness = measure_steadiness(
        np.zeros((1, RATE_HZ)), sample_rate_hz=RATE_HZ, band_decay_s=np.full(len(centres_hz), 0.5)
    )
    assert float(steadiness.gain.max()) == 2.0


def test_length_of_an_even_decay_is_known() -> None:
    """The same decay everywhere: 130 / 60 of it, and the margin."""
    frames = frames_to_fall(
        DecayLaw(0.6, 1.0, 1.0), np.ones(513, dtype=np.complex128), sample_rate_hz=RATE_HZ
    )
    assert frames / RATE_HZ == pytest.approx(1.02 * 1.3 + 0.05, abs=0.002)


def test_bass_that_a_high_pass_takes_away_needs_no_time() -> None:
    """Without its long bass a room is shorter."""
    frequency_hz = np.linspace(0.0, 8000.0, 2049)
    passes = np.where(frequency_hz > 900.0, 1.0, 1e-8).astype(np.complex128)
    law = DecayLaw(0.6, 3.0, 0.5)
    short = frames_to_fall(law, passes, sample_rate_hz=RATE_HZ)
    assert short < 0.5 * frames_to_fall(law, np.ones_like(passes), sample_rate_hz=RATE_HZ)


def test_trimming_keeps_130_db() -> None:
    """Whole blocks of 1024 frames; what is cut is below, what is kept is needed; silence has no length to lose."""
    rows = np.tile(10.0 ** (-3.0 * np.arange(20000) / 4000.0), (4, 1))
    kept = trimmed_frames(rows)
    assert kept % 1024 == 0
    energy = np.cumsum((rows**2).sum(axis=0)[::-1])[::-1]
    assert energy[kept] <= 1e-13 * energy[0] < energy[kept - 1024]
    assert trimmed_frames(np.zeros((4, 5000))) == 5000
