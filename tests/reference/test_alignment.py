"""Delay and polarity of two sources against bounds, closed forms, and takes whose truth is known."""

from __future__ import annotations

import math
from collections import Counter
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.coherence import pool
from render.analysis.cross import CrossGauge
from render.analysis.delay import Alignment, measure_alignment
from render.analysis.frames import SpectralFrames, each_spectra
from tests.helpers.plucks import Known, Path, Scene, play_scene, random_scene, whitened_peak_s
from tests.helpers.source import source

pytestmark = pytest.mark.reference

KNAPP_CARTER = (
    "C. H. Knapp and G. C. Carter, The generalized correlation method for estimation of time delay, "
    "IEEE Trans. ASSP 24(4), 1976, 320-327"
)
REAL_KINDS = ("filters", "reflections", "body", "strings", "hum", "everything")
EACH = 6


def bound_s(*, low_hz: float, high_hz: float, duration_s: float, snr: float) -> float:
    """Cramer-Rao bound of a delay, flat spectra between two frequencies, the same signal to noise in both sources."""
    information = snr**2 / (1.0 + 2.0 * snr)
    integral = (2.0 * math.pi) ** 2 * (high_hz**3 - low_hz**3) / 3.0 * information
    return 1.0 / math.sqrt(2.0 * duration_s * integral)


def delayed_noise(
    *,
    sample_rate_hz: int,
    low_hz: float,
    high_hz: float,
    duration_s: float,
    snr: float,
    delay_s: float,
    seed: int,
) -> NDArray[np.float64]:
    """Noise of a band and its delayed, inverted copy, each with white noise of its own."""
    random = np.random.default_rng(seed)
    frames = round(duration_s * sample_rate_hz)
    frequency_hz = np.fft.rfftfreq(frames, 1.0 / sample_rate_hz)
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    spectrum = np.fft.rfft(random.standard_normal(frames)) * inside
    later = spectrum * np.exp(-2j * np.pi * frequency_hz * delay_s)
    both = np.fft.irfft(np.stack([spectrum, -later], axis=1), frames, axis=0)
    # White noise of power density 1 / snr of that of the signal inside its band.
    return np.asarray(both + random.standard_normal(both.shape) / math.sqrt(snr), np.float64)


@source(
    KNAPP_CARTER,
    "variance at least 1 / (2T integral (2 pi f)^2 g^2 / (1 - g^2) df); flat band, equal noise",
    kind="closed form",
    tolerance="three printed digits",
)
@pytest.mark.parametrize(
    ("low_hz", "high_hz", "duration_s", "snr", "expected_us"),
    [(100, 5000, 10, 10, 0.0799), (100, 5000, 1, 1, 0.955), (80, 2000, 5, 100, 0.138)],
)
def test_the_bound_itself(
    low_hz: float, high_hz: float, duration_s: float, snr: float, expected_us: float
) -> None:
    """The bound that the estimator is held to, against values worked out elsewhere."""
    found = bound_s(low_hz=low_hz, high_hz=high_hz, duration_s=duration_s, snr=snr)
    assert 1e6 * found == pytest.approx(expected_us, rel=0.006)


@source(
    KNAPP_CARTER,
    "maximum-likelihood weight reaches the Cramer-Rao bound",
    kind="paper",
    tolerance="1.5 times the bound, of the issue; the spread of 60 trials is itself known to 9 %",
)
@pytest.mark.parametrize(
    ("sample_rate_hz", "low_hz", "high_hz", "duration_s"),
    [(16000, 100, 5000, 3.0), (16000, 0, 8000, 3.0), (8000, 80, 2000, 6.0)],
)
def test_spread_reaches_the_bound(
    sample_rate_hz: int, low_hz: float, high_hz: float, duration_s: float
) -> None:
    """Noise and its delayed copy at 20 dB: spread against the bound, and true delays inside the uncertainty."""
    limit_s = bound_s(low_hz=low_hz, high_hz=high_hz, duration_s=duration_s, snr=100.0)
    random = np.random.default_rng(sample_rate_hz)
    errors, uncertainties = [], []
    for trial in range(60):
        delay_s = float(random.uniform(-6e-4, 6e-4))
        audio = delayed_noise(
            sample_rate_hz=sample_rate_hz,
            low_hz=low_hz,
            high_hz=high_hz,
            duration_s=duration_s,
            snr=100.0,
            delay_s=delay_s,
            seed=trial,
        )
        found = measure_alignment(audio, sample_rate_hz=sample_rate_hz)
        assert found.delay_s is not None
        assert found.uncertainty_s is not None
        assert found.polarity == -1
        errors.append(found.delay_s - delay_s)
        uncertainties.append(found.uncertainty_s)
    spread_s = float(np.sqrt(np.mean(np.square(errors))))
    assert spread_s < 1.5 * limit_s
    assert spread_s > 0.7 * limit_s  # better than the bound would be a fault of the test
    assert np.mean(np.abs(errors) <= uncertainties) >= 0.95
    assert np.median(uncertainties) < 6.0 * limit_s


@source(
    "T. I. Laakso et al., Splitting the unit delay, IEEE Signal Processing Magazine 13(1), 1996",
    "the ideal fractional delay, exp(-j w d)",
    kind="closed form",
    tolerance="1/20 frame, of the issue; the bound of a parabola on such a peak is 0.07 to 0.12",
)
@pytest.mark.parametrize("delay_frames", [0.05, 0.25, 0.5, -7.31, 48.77, 319.6, -320.4])
def test_delayed_copy_to_a_fraction(delay_frames: float) -> None:
    """Copies of noise, later or earlier by fractions of a frame up to 20 ms: fifty times inside the asked precision."""
    audio = delayed_noise(
        sample_rate_hz=16000,
        low_hz=0.0,
        high_hz=8000.0,
        duration_s=4.0,
        snr=1000.0,
        delay_s=delay_frames / 16000,
        seed=7,
    )
    found = measure_alignment(audio, sample_rate_hz=16000)
    assert found.delay_s is not None
    assert found.delay_s * 16000 == pytest.approx(
        delay_frames, abs=0.05 if abs(delay_frames) > 100 else 0.005
    )


@source(
    "G. C. Carter, Coherence and time delay estimation, Proc. IEEE 75(2), 1987, 236-255",
    "independent signals: raw coherence averages one by the number of averages; same signal, noise: (s / (1 + s))^2",
    kind="closed form",
    tolerance="0.015: 117 averages, 700 bins",
)
@pytest.mark.parametrize("snr", [0.0, 0.5, 1.0, 4.0])
def test_coherence_of_noise(snr: float) -> None:
    """What chance adds is taken off: the mean coherence of noisy copies is that of the closed form."""
    random = np.random.default_rng(11)
    audio = random.standard_normal((8000 * 12, 2)) + math.sqrt(snr) * random.standard_normal((8000 * 12, 1))
    frames = SpectralFrames(sample_rate_hz=8000)
    gauge = CrossGauge(frames)
    for spectra in each_spectra(audio, sample_rate_hz=8000):
        gauge.add(spectra)
    cross = gauge.result()
    pooled = pool(cross, weights=np.ones(len(cross.windows)))
    raw = np.abs(pooled.cross) ** 2 / (pooled.first * pooled.second)
    unbiased = float(np.mean((raw - pooled.chance)[20:-20] / (1.0 - pooled.chance[20:-20])))
    assert unbiased == pytest.approx((snr / (1.0 + snr)) ** 2, abs=0.015)


@lru_cache
def measured(kind: str) -> tuple[tuple[Known, Alignment], ...]:
    """Random takes of a kind, 3 to 9 s long."""
    found = []
    for seed in range(700, 700 + EACH):
        known = random_scene(kind, seed=seed)
        audio = play_scene(known.scene, duration_s=3.0 + 3.0 * (seed % 3), sample_rate_hz=24000, seed=seed)
        found.append((known, measure_alignment(audio, sample_rate_hz=24000)))
    return tuple(found)


@source(
    KNAPP_CARTER,
    "the delay inserted into each take; main peak of the phase transform of the noise-free responses, 50 Hz to 10 kHz",
    kind="closed form",
    tolerance="95 % of takes inside the stated uncertainty",
)
def test_share_inside_the_uncertainty() -> None:
    """Sources with filters, reflections, body, hum, knocks, talk: both truths lie inside the stated uncertainty."""
    inside = answered = takes = 0
    for kind in ("copy", *REAL_KINDS):
        for known, found in measured(kind):
            takes += 1
            if found.delay_s is None or found.uncertainty_s is None:
                continue
            peak_s = whitened_peak_s(known.scene, low_hz=50.0, high_hz=10000.0, about_s=known.delay_s)
            for truth_s in (known.delay_s, peak_s):
                answered += 1
                inside += abs(found.delay_s - truth_s) <= found.uncertainty_s
    assert answered >= 0.95 * 2 * takes
    assert inside >= 0.95 * answered


@source(
    "polarity of two sources: the sign put into each take",
    kind="closed form",
    tolerance="none wrong, 95 % told, all copies told",
)
def test_polarity_is_right_or_not_told() -> None:
    """The sign is that of the take, or unsure; for a copy always told."""
    counts: Counter[str] = Counter()
    for kind in ("copy", *REAL_KINDS):
        for known, found in measured(kind):
            told = (
                "none" if found.polarity is None else "right" if found.polarity == known.polarity else "wrong"
            )
            counts[told] += 1
            assert kind != "copy" or told == "right"
    assert counts["wrong"] == 0
    assert counts["right"] >= 0.95 * sum(counts.values())


@source(
    KNAPP_CARTER,
    "with signals of many colours the phase transform keeps a sharp peak where plain correlation has none",
    kind="paper",
    tolerance="whitened within a frame at 24 kHz of the delay put in; plain off by more than 10 frames at 48 kHz",
)
def test_whitened_where_plain_correlation_fails() -> None:
    """A microphone in a booming body: the plain correlation is 0.2 ms off, the whitened less than 0.04."""
    plain_off, whitened_off = [], []
    for seed in range(6):
        random = np.random.default_rng(seed)
        boom = tuple(
            (float(random.uniform(low, high)), float(random.uniform(15, 30)), float(random.uniform(10, 25)))
            for low, high in ((90, 125), (170, 230))
        )
        delay_s = float(random.uniform(-1e-3, 1e-3))
        scene = Scene((Path(), Path(modes=boom, delay_s=delay_s)))
        audio = play_scene(scene, duration_s=5.0, sample_rate_hz=24000, seed=seed).astype(np.float64)
        size = 1 << 18
        first, second = np.fft.rfft(audio, size, axis=0).T
        plain = np.fft.irfft(first.conj() * second, size)
        lags = np.arange(-480, 481)
        best = int(lags[np.argmax(np.abs(plain[lags]))])
        found = measure_alignment(audio, sample_rate_hz=24000)
        assert found.delay_s is not None
        plain_off.append(abs(best / 24000 - delay_s))
        whitened_off.append(abs(found.delay_s - delay_s))
    assert max(whitened_off) < 1 / 24000
    assert np.median(plain_off) > 10 / 48000
