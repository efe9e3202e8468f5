"""Tests of the balance of two sources over frequency."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.balance import (
    EDGES_HZ,
    FINE_HZ,
    FINE_TOP_HZ,
    LINES_HZ,
    BalanceGauge,
    measure_balance,
)
from render.analysis.frames import SpectralFrames
from render.analysis.low_band import LowFrames
from render.audio.array import Reals

RATES_HZ = (8_000, 44_100, 48_000, 96_000)


def _noise(seed: int, seconds: float = 8.0, rate_hz: int = 48_000) -> Reals:
    return np.random.default_rng(seed).standard_normal((int(seconds * rate_hz), 2)) * 0.05


def test_lines_follow_each_other() -> None:
    """Lines cover 20 Hz to 20 kHz without gaps, half a hertz wide below 600 Hz and a 24th octave above."""
    assert EDGES_HZ[0] == 20.0
    assert EDGES_HZ[-1] == 20_000.0
    assert np.all(np.diff(EDGES_HZ) > 0.0)
    assert np.allclose(np.diff(EDGES_HZ)[LINES_HZ < FINE_TOP_HZ], FINE_HZ)
    assert np.all(EDGES_HZ[1:] / EDGES_HZ[:-1] <= 2.0 ** (1.0 / 24.0) + 1e-9)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("frequency_hz", [83.3, 251.7, 900.0, 2500.0])
def test_a_sine_has_its_power_where_it_is(rate_hz: int, frequency_hz: float) -> None:
    """A steady sine of amplitude 0.2 reads a mean square of 0.02 at its frequency, at every rate."""
    t = np.arange(6 * rate_hz) / rate_hz
    sine = 0.2 * np.sin(2.0 * np.pi * frequency_hz * t)
    balance = measure_balance(np.stack([sine, 0.5 * sine], axis=1), sample_rate_hz=rate_hz)

    width = 6.0 if frequency_hz < FINE_TOP_HZ else 0.06 * frequency_hz
    near = np.abs(LINES_HZ - frequency_hz) < width
    assert balance.power[0, near].sum() == pytest.approx(0.02, rel=0.02)
    assert balance.power[1, near].sum() == pytest.approx(0.005, rel=0.02)
    assert balance.power[:, ~near].sum() < 1e-3 * balance.power.sum()


def test_noise_of_their_own_is_not_shared() -> None:
    """Of independent noise nothing is shared, and a copy shares all."""
    own = measure_balance(_noise(1, 30.0), sample_rate_hz=48_000)
    one = _noise(2)[:, :1]
    copied = measure_balance(np.hstack([one, 0.3 * one]), sample_rate_hz=48_000)

    assert own.shared.sum() < 0.05 * own.power.sum()
    assert copied.shared.sum() == pytest.approx(copied.power.sum(), rel=1e-3)


def test_noise_under_the_guitar_is_taken_off() -> None:
    """Sound that stops leaves its noise behind; the guitar's power is what both share."""
    sound = _noise(3, 10.0)[:, :1] * np.array([1.0, 1.0])
    sound[len(sound) // 2 :] = 0.0
    noise = np.random.default_rng(4).standard_normal(sound.shape) * np.array([1e-4, 2e-2])
    balance = measure_balance(sound + noise, sample_rate_hz=48_000)
    clean = measure_balance(sound, sample_rate_hz=48_000)

    low = LINES_HZ < 2000.0
    assert balance.power[1, low].sum() > 1.25 * clean.power[1, low].sum()
    assert balance.guitar[1, low].sum() == pytest.approx(clean.power[1, low].sum(), rel=0.06)


def test_onsets_are_counted() -> None:
    """Bursts that both sources have count as onsets, steady sound does not."""
    steady = _noise(5)[:, :1] * np.array([1.0, 0.5])
    bursts = steady * 0.01
    for second in range(1, 8):
        bursts[second * 48_000 : second * 48_000 + 9_600] = steady[:9_600]

    assert measure_balance(steady, sample_rate_hz=48_000).onsets == 0
    found = measure_balance(bursts, sample_rate_hz=48_000)
    assert 7 <= found.onsets <= 21
    assert found.onset[0].sum() > 3.0 * found.power[0].sum()


@pytest.mark.parametrize("cuts", [(1, 7, 999, 48_000), (200_000,), (5_000, 5_001, 150_000)])
def test_blocks_do_not_matter(cuts: tuple[int, ...]) -> None:
    """The result does not depend on how the take is cut into blocks."""
    audio = _noise(6, 5.0)
    whole = measure_balance(audio, sample_rate_hz=48_000)
    frames, low = SpectralFrames(sample_rate_hz=48_000), LowFrames(sample_rate_hz=48_000)
    gauge = BalanceGauge(frames, low)
    for part in np.split(audio, sorted(cuts)):
        for spectra in [frames.add(part)] if len(part) else []:
            if spectra is not None:
                gauge.add(spectra, low.add(spectra))
    last = frames.finish()
    if last is not None:
        gauge.add(last, low.add(last))
    cut = gauge.result()

    assert cut.onsets == whole.onsets
    for name in ("power", "shared", "quiet", "onset"):
        assert np.allclose(getattr(cut, name), getattr(whole, name), rtol=1e-4, atol=1e-12), name


@pytest.mark.parametrize("frames", [1, 100, 9_000])
def test_silence_and_next_to_nothing(frames: int) -> None:
    """Silence reads nothing, without a warning, however short."""
    balance = measure_balance(np.zeros((frames, 2)), sample_rate_hz=48_000)

    assert not balance.power.any()
    assert not balance.shared.any()
    assert balance.sound_s == 0.0


def test_one_channel_is_refused() -> None:
    """A balance needs two sources."""
    with pytest.raises(ValueError, match="channels = 1: must be 2"):
        BalanceGauge(SpectralFrames(sample_rate_hz=48_000, channels=1), LowFrames(sample_rate_hz=48_000))
