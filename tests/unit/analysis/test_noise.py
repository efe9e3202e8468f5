"""Noise in the quietest passages, and third octaves it is read from."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.bands import BandGauge, measure_bands
from render.analysis.frames import SpectralFrames
from render.analysis.noise import NOISY_DB, measure_noise
from tests.helpers.rehearsal import Player, hiss, strings, two_sources
from tests.helpers.signals import noise, sine

RATE_HZ = 16_000


def test_noise_between_notes() -> None:
    """With a rest before and after the playing the noise is told within 0.5 dB, and counts as noise."""
    random = np.random.default_rng(2)
    for seed in range(4):
        frames = 20 * RATE_HZ
        level = float(random.uniform(-95, -50)), float(random.uniform(-85, -50))
        room = hiss(frames, sample_rate_hz=RATE_HZ, seed=seed, dbfs=level)
        player = Player(notes_per_s=float(random.uniform(1, 5)), tail_s=4.0)
        guitar = strings(20.0, sample_rate_hz=RATE_HZ, seed=seed, player=player)
        take = two_sources(guitar, sample_rate_hz=RATE_HZ) + room
        for channel, one in enumerate(measure_noise(take, sample_rate_hz=RATE_HZ)):
            assert one.settled
            assert one.level_dbfs == pytest.approx(10.0 * math.log10(np.mean(room[:, channel] ** 2)), abs=0.5)
            assert one.noisy == (one.signal_to_noise_db < NOISY_DB)


def test_playing_without_rest_is_no_noise() -> None:
    """Where nobody pauses, the quietest passage is not taken for noise."""
    for seed in range(6):
        player = Player(notes_per_s=1.0 + seed, lead_s=0.0, tail_s=0.0)
        guitar = strings(25.0, sample_rate_hz=RATE_HZ, seed=seed, player=player)
        take = two_sources(guitar, sample_rate_hz=RATE_HZ) + noise(len(guitar), rms=1e-5)
        assert not any(one.settled or one.noisy for one in measure_noise(take, sample_rate_hz=RATE_HZ))


def test_noise_that_is_heard() -> None:
    """White noise 25 dB under the playing is a matter for a warning, 45 dB under it is not."""
    guitar = np.repeat(strings(25.0, sample_rate_hz=RATE_HZ, seed=1)[:, np.newaxis], 2, axis=1)
    take = guitar + noise(len(guitar)) * 10.0 ** (-np.array([25.0, 45.0]) / 20.0)
    loud, soft = measure_noise(take, sample_rate_hz=RATE_HZ)
    assert loud.noisy
    assert not soft.noisy
    assert soft.signal_to_noise_db - loud.signal_to_noise_db == pytest.approx(20.0, abs=1.0)


def _ringing(duration_s: float, *, fall_db_per_s: float) -> NDArray[np.float64]:
    """Partials of a low string that die away slowly."""
    t = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    partials = sum(np.sin(2 * np.pi * 110.0 * k * t + k) / k for k in range(1, 12))
    return np.asarray(0.01 * partials * 10.0 ** (-fall_db_per_s * t / 20.0))


def test_a_last_note_is_no_noise() -> None:
    """A take that ends while its last note dies away by 3.5 dB a second is not noisy."""
    for seed in range(4):
        guitar = strings(
            20.0, sample_rate_hz=RATE_HZ, seed=seed, player=Player(notes_per_s=5.0, tail_s=0.0, lead_s=0.0)
        )
        guitar = np.concatenate([guitar / np.abs(guitar).max(), 5.0 * _ringing(4.0, fall_db_per_s=3.5)])
        take = guitar[:, np.newaxis] + noise(len(guitar), rms=1e-5)
        assert not any(one.noisy for one in measure_noise(take, sample_rate_hz=RATE_HZ))


def test_a_held_note_is_no_noise() -> None:
    """A note that rests at its level between others, in bands that are quieter elsewhere, is not noisy."""
    for seed in range(4):
        player = Player(notes_per_s=5.0, tail_s=0.0, lead_s=0.0)
        guitar = strings(10.0, sample_rate_hz=RATE_HZ, seed=seed, player=player)
        guitar /= np.abs(guitar).max()
        held = _ringing(3.0, fall_db_per_s=0.5)
        other = np.sin(np.arange(3 * RATE_HZ) * 2.0) * 0.02
        whole = np.concatenate([guitar, held, guitar, other, guitar])
        take = whole[:, np.newaxis] + noise(len(whole), rms=1e-5)
        assert not any(one.noisy for one in measure_noise(take, sample_rate_hz=RATE_HZ))


def test_digital_silence_is_told_as_such() -> None:
    """A take that is silent is minus infinity; one that begins so has the noise of the rest, the time told."""
    silent = measure_noise(np.zeros((5 * RATE_HZ, 2)), sample_rate_hz=RATE_HZ)[0]
    assert silent.level_dbfs == -math.inf
    assert silent.signal_to_noise_db == math.inf
    assert silent.silence_s == pytest.approx(5.0, abs=0.3)
    take = noise(10 * RATE_HZ, rms=1e-3)
    take[: 4 * RATE_HZ] = 0.0
    partly = measure_noise(take, sample_rate_hz=RATE_HZ)[0]
    assert partly.level_dbfs == pytest.approx(-60.0, abs=0.2)
    assert partly.silence_s == pytest.approx(4.0, abs=0.3)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 192_000])
def test_bands_hold_all_the_power(rate_hz: int) -> None:
    """White noise: bands rise with their width, and together with what is left they are the mean square."""
    take = noise(3 * rate_hz, rms=0.1)
    bands = measure_bands(take, sample_rate_hz=rate_hz)
    density = bands.power.mean(axis=(0, 1)) / bands.centre_hz
    wide = bands.centre_hz > 200.0
    assert 10.0 * np.log10(density[wide] / density[wide].mean()) == pytest.approx(0.0, abs=0.6)
    assert float(bands.total[:-1].mean()) == pytest.approx(0.01, rel=0.02)
    assert bands.centre_hz[-1] * 10.0**0.05 <= 0.5 * rate_hz


def test_constant_voltage_is_no_level() -> None:
    """An offset of half of full scale adds nothing to the level."""
    take = noise(4 * RATE_HZ, rms=1e-3) + 0.5
    assert measure_noise(take, sample_rate_hz=RATE_HZ)[0].level_dbfs == pytest.approx(-60.0, abs=0.2)


def test_a_sine_lies_in_its_band() -> None:
    """A sine of amplitude 0.1 is -23 dBFS in its own third octave and 40 dB less two bands away."""
    bands = measure_bands(
        sine(1000.0, duration_s=2.0, sample_rate_hz=RATE_HZ, peak_dbfs=-20.0), sample_rate_hz=RATE_HZ
    )
    level = 10.0 * np.log10(bands.power[2, 0])
    own = int(np.argmin(np.abs(bands.centre_hz - 1000.0)))
    assert level[own] == pytest.approx(-23.01, abs=0.01)
    assert level[own + 2] < -63.0
    assert level[own - 2] < -63.0


def test_short_takes_and_blocks() -> None:
    """One frame, a square wave, blocks of any length: figures, the same ones."""
    assert len(measure_noise(np.ones((1, 2)), sample_rate_hz=RATE_HZ)) == 2
    assert measure_noise(np.zeros((0, 2)), sample_rate_hz=RATE_HZ)[0].level_dbfs == -math.inf
    take = noise(2 * RATE_HZ).astype(np.float32)
    whole = measure_bands(take, sample_rate_hz=RATE_HZ)
    gauge, windows = BandGauge(sample_rate_hz=RATE_HZ), SpectralFrames(sample_rate_hz=RATE_HZ)
    for first in range(0, len(take), 777):
        spectra = windows.add(take[first : first + 777])
        if spectra is not None:
            gauge.add(spectra)
    last = windows.finish()
    if last is not None:
        gauge.add(last)
    assert gauge.result().power == pytest.approx(whole.power, rel=1e-4)


@pytest.mark.parametrize("lead_s", [0.0, 0.45])
def test_a_third_of_a_second_of_noise_is_enough(lead_s: float) -> None:
    """Half a second before the first note tells the noise within 1 dB; without, nothing is told where none rests."""
    for seed in range(6):
        player = Player(notes_per_s=4.0, lead_s=0.0, tail_s=0.0)
        guitar = strings(16.0, sample_rate_hz=48_000, seed=seed + 50, player=player)
        sounding = np.flatnonzero(np.abs(guitar) > 0.05 * np.abs(guitar).max())
        guitar = guitar[sounding[0] : 15 * 48_000]
        guitar = np.concatenate([np.zeros(round(lead_s * 48_000)), guitar])
        room = noise(len(guitar), seed=seed)
        room *= np.sqrt(np.mean(guitar**2) / np.mean(room**2)) * 10.0 ** (-25.0 / 20.0)
        for channel, one in enumerate(measure_noise(guitar[:, np.newaxis] + room, sample_rate_hz=48_000)):
            if lead_s or one.known:
                level_dbfs = 10.0 * math.log10(np.mean(room[:, channel] ** 2))
                assert one.level_dbfs == pytest.approx(level_dbfs, abs=1.0)
            assert one.noisy or not lead_s


def test_how_even_noise_and_notes_are() -> None:
    """White and brown noise are as even as noise can be, pi / 4; a chord is not; silence has nothing."""
    white = noise(3 * 48_000)
    brown = np.cumsum(white, axis=0)
    chord = sum(np.sin(2 * np.pi * hz * np.arange(3 * 48_000) / 48_000) for hz in (311.0, 466.1, 587.3))
    for wave in (white, brown - brown.mean(axis=0)):
        evenness = measure_bands(wave, sample_rate_hz=48_000).evenness[1:-2]
        assert evenness == pytest.approx(math.pi / 4.0, abs=0.06)
    assert measure_bands(np.asarray(chord)[:, np.newaxis], sample_rate_hz=48_000).evenness[1:-2].max() < 0.4
    assert not measure_bands(np.zeros((48_000, 2)), sample_rate_hz=48_000).evenness.any()
