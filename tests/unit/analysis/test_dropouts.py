from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.dropouts import DropoutGauge, measure_dropouts
from render.analysis.stretches import Stretches
from tests.helpers.hard_sounds import CLEAN, clean_sound, few_bits
from tests.helpers.signals import noise, sine

RATE_HZ = 48000


def _guitar(seconds: float = 3.0, seed: int = 1) -> NDArray[np.float32]:
    return clean_sound("scene", seconds, sample_rate_hz=RATE_HZ, seed=seed, peak_dbfs=-6.0)


def _count(audio: NDArray[np.floating], rate: int = RATE_HZ) -> int:
    return sum(one.count for one in measure_dropouts(np.asarray(audio, np.float32), sample_rate_hz=rate))


@pytest.mark.parametrize("frames", [48, 480, 4800, 96000])
def test_zeros_inside_sound(frames: int) -> None:
    """Zeros are found where they are, as long as they are, however long, in the channel that has them."""
    audio = np.asarray(noise(4 * RATE_HZ, rms=0.1), np.float32)
    audio[60000 : 60000 + frames, 1] = 0.0
    left, right = measure_dropouts(audio, sample_rate_hz=RATE_HZ)
    assert left.count == 0
    assert (right.count, right.zero_count) == (1, 1)
    assert (right.places, right.lengths) == ((60000,), (frames,))
    assert right.longest_s == right.duration_s == frames / RATE_HZ


def test_zeros_between_two_turns() -> None:
    """Sound that passes zero just before a gap and after it is hardly there at its edges, but stops all the same."""
    t = np.arange(RATE_HZ) / RATE_HZ
    audio = 0.3 * np.sin(2 * np.pi * 240.0 * t)  # 200 frames a period
    audio += np.asarray(noise(RATE_HZ, rms=1e-5))[:, 0]
    audio[20007:22194] = 0.0
    found = measure_dropouts(audio[:, np.newaxis].astype(np.float32), sample_rate_hz=RATE_HZ)[0]
    assert (found.places, found.lengths) == ((20007,), (2187,))


def test_a_value_held() -> None:
    """The last value written again and again is found as well."""
    audio = np.asarray(sine(330.0, duration_s=1.0, sample_rate_hz=RATE_HZ, peak_dbfs=-6.0), np.float32)
    audio += np.asarray(noise(RATE_HZ, rms=1e-4), np.float32)
    audio[20020:20116] = audio[20019]
    for found in measure_dropouts(audio, sample_rate_hz=RATE_HZ):
        assert (found.count, found.zero_count) == (1, 0)
        assert found.places == (20019,)


def test_many_across_the_borders_of_stretches() -> None:
    """Dropouts every 1000 frames are all found, wherever blocks and stretches end."""
    audio = np.asarray(noise(150_000, rms=0.1), np.float32)
    for first in range(3000, 147_000, 3000):
        audio[first : first + 100] = 0.0
    stretches = Stretches(sample_rate_hz=RATE_HZ)
    gauge = DropoutGauge(sample_rate_hz=RATE_HZ)
    for part in np.split(audio, range(777, 150_000, 777)):
        for stretch in stretches.add(part):
            gauge.add(stretch)
    for stretch in stretches.finish():
        gauge.add(stretch)
    assert gauge.result()[0].places == tuple(range(3000, 147_000, 3000))


def test_silence_at_either_end() -> None:
    """Digital silence before the first and after the last sound is no dropout, nor is nothing but silence."""
    audio = np.zeros((RATE_HZ, 2), np.float32)
    assert _count(audio) == 0
    audio[9000:40000] = noise(31000, rms=0.1)
    assert _count(audio) == 0
    assert _count(audio[:1]) == 0


@pytest.mark.parametrize("fade_ms", [2.0, 5.0, 50.0])
def test_a_pause_that_is_faded(fade_ms: float) -> None:
    """An edited pause with fades, however short they are, is no dropout."""
    audio = _guitar()
    fade = round(fade_ms * RATE_HZ / 1000.0)
    shape = np.concatenate([np.linspace(1.0, 0.0, fade), np.zeros(2000), np.linspace(0.0, 1.0, fade)])
    for first in range(20000, 120000, 10000):
        audio[first : first + len(shape)] *= shape[:, np.newaxis].astype(np.float32)
    assert _count(audio) == 0


def test_background_under_a_gate() -> None:
    """A gate that cuts the background hard, far below the playing, is no dropout."""
    audio = np.asarray(noise(3 * RATE_HZ, rms=1e-4), np.float32)
    audio[:RATE_HZ] += _guitar(1.0)[:RATE_HZ]
    audio[100_000:110_000] = 0.0
    assert _count(audio) == 0


def test_clipping_is_no_dropout() -> None:
    """Flat tops, and square waves, stand still at their extremes."""
    assert _count(np.clip(sine(60.0, duration_s=1.0, sample_rate_hz=RATE_HZ), -0.5, 0.5)) == 0
    assert _count(np.sign(sine(60.0, duration_s=1.0, sample_rate_hz=RATE_HZ, phase_deg=1.0))) == 0


@pytest.mark.parametrize("level_db", [-20.0, -50.0, -70.0, -85.0])
@pytest.mark.parametrize("bits", [8, 16])
def test_quiet_and_coarse_sound_stands_still_by_itself(level_db: float, bits: int) -> None:
    """Where sound is as small as the steps of its words it stands still without a fault."""
    for frequency_hz in (30.0, 300.0):
        audio = sine(frequency_hz, duration_s=1.0, sample_rate_hz=RATE_HZ, peak_dbfs=level_db)
        assert _count(few_bits(audio + noise(RATE_HZ, rms=1e-6), bits=bits)) == 0


@pytest.mark.parametrize("kind", sorted(CLEAN))
def test_clean_sound_is_left_alone(kind: str) -> None:
    """Steep, soft, gated, coarse: no clean sound has dropouts."""
    for seed, rate in ((60, 48000), (61, 96000 if kind != "through_mp3" else 44100)):
        assert _count(clean_sound(kind, 3.0, sample_rate_hz=rate, seed=seed), rate) == 0
