from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.dropouts import measure_dropouts
from render.analysis.holes import HoleFinder
from render.analysis.stretches import Stretches
from tests.helpers.hard_sounds import CLEAN, clean_sound, few_bits, played, put_holes

RATE_HZ = 48_000


def _noise(frames: int, *, dbfs: float, seed: int = 1) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    return np.asarray(10.0 ** (dbfs / 20.0) * random.standard_normal((frames, 2)))


def _playing(seconds: float = 3.0) -> NDArray[np.float64]:
    sound = clean_sound("scene", seconds, sample_rate_hz=RATE_HZ, seed=1, peak_dbfs=-6.0)
    return sound.astype(np.float64)


def _count(audio: NDArray[np.float64]) -> int:
    return sum(one.count for one in measure_dropouts(audio.astype(np.float32), sample_rate_hz=RATE_HZ))


@pytest.mark.parametrize("frames", [96, 480, 4800, 19_200])
def test_hiss_where_the_source_is_gone(frames: int) -> None:
    """A gap with hiss in it is found where it is, as long as it is, in the source that has it."""
    audio = _playing()
    audio[60_000 : 60_000 + frames, 1] = _noise(frames, dbfs=-85.0)[:, 1]
    left, right = measure_dropouts(audio.astype(np.float32), sample_rate_hz=RATE_HZ)
    assert (left.count, right.count, right.zero_count) == (0, 1, 0)
    assert right.places[0] == pytest.approx(60_000, abs=20)
    assert right.lengths[0] == pytest.approx(frames, abs=30)


def test_a_hole_is_told_once() -> None:
    """Exact zeros are found once, not as a standstill and as a hole."""
    audio = _playing()
    audio[60_000:61_000] = 0.0
    assert [one.lengths for one in measure_dropouts(audio.astype(np.float32), sample_rate_hz=RATE_HZ)] == [
        (1000,),
        (1000,),
    ]


def test_holes_and_standstills_are_told_in_order() -> None:
    """Both kinds are counted together, by their places."""
    audio = _playing()
    audio[90_000:91_000] = 0.0
    audio[60_000:60_800] = _noise(800, dbfs=-85.0)
    for found in measure_dropouts(audio.astype(np.float32), sample_rate_hz=RATE_HZ):
        assert (found.count, found.zero_count) == (2, 1)
        assert found.places == tuple(sorted(found.places))
        assert found.duration_s == pytest.approx(1800 / RATE_HZ, abs=0.001)


def test_blocks_do_not_matter() -> None:
    """Holes are the same however the take is cut, those across the borders of stretches as well."""
    audio = np.asarray(_noise(200_000, dbfs=-20.0), np.float32)
    for first in range(5000, 190_000, 9000):
        audio[first : first + 4000] = _noise(4000, dbfs=-80.0)
    stretches, finder = Stretches(sample_rate_hz=RATE_HZ), HoleFinder(sample_rate_hz=RATE_HZ)
    for part in np.split(audio, range(777, 200_000, 777)):
        for stretch in stretches.add(part):
            finder.add(stretch)
    for stretch in stretches.finish():
        finder.add(stretch)
    for channel, found in enumerate(measure_dropouts(audio, sample_rate_hz=RATE_HZ)):
        assert tuple(hole.frame for hole in finder.found[channel]) == found.places
        assert len(found.places) == len(range(5000, 190_000, 9000))


@pytest.mark.parametrize("gone_ms", [700.0, 1500.0])
def test_rests_and_ends_are_no_holes(gone_ms: float) -> None:
    """Nothing but noise before the first note, after the last, and for longer than half a second is no hole."""
    audio = _playing()
    audio[:9000] = 0.0
    audio[60_000 : 60_000 + round(gone_ms * 48)] = 0.0
    audio[140_000:] = 0.0
    assert _count(few_bits(audio + _noise(len(audio), dbfs=-90.0), bits=24)) == 0


@pytest.mark.parametrize("fade_ms", [3.0, 10.0, 50.0])
def test_what_is_faded_is_no_hole(fade_ms: float) -> None:
    """A hand that damps, a gate, an edited pause: what goes and comes by and by is no hole, dither or not."""
    audio = _playing()
    fade = round(fade_ms * 48)
    shape = np.concatenate([np.linspace(1.0, 0.0, fade), np.zeros(2000), np.linspace(0.0, 1.0, fade)])
    for first in range(20_000, 120_000, 10_000):
        audio[first : first + len(shape)] *= shape[:, np.newaxis]
    for dbfs in (-140.0, -95.0, -80.0):
        assert _count(audio + _noise(len(audio), dbfs=dbfs)) == 0


def test_a_stop_without_return_is_no_hole() -> None:
    """Recorded notes cut hard at their end: the next rises by itself, and much louder than the last one ended."""
    t = np.arange(24_000) / RATE_HZ
    note = np.exp(-6.0 * t) * np.minimum(1.0, t / 0.003) * np.sin(2 * np.pi * 220.0 * t)
    audio = np.zeros((6 * 30_000, 2))
    for first in range(0, len(audio), 30_000):
        audio[first : first + 24_000] = 0.5 * note[:, np.newaxis]
    assert _count(audio + _noise(len(audio), dbfs=-90.0)) == 0


@pytest.mark.parametrize("kind", sorted(CLEAN))
def test_clean_sound_has_no_holes(kind: str) -> None:
    """Slaps, speech, gates, few bits, lossy coding: no clean sound has holes."""
    for seed, rate in ((70, 48_000), (71, 96_000 if kind != "through_mp3" else 44_100)):
        sound = clean_sound(kind, 3.0, sample_rate_hz=rate, seed=seed)
        assert all(one.count == 0 for one in measure_dropouts(sound, sample_rate_hz=rate))


def test_holes_put_in_are_found() -> None:
    """Of holes of 2 to 400 ms with dither or hiss at least 25 dB below the sound, nine of ten are found."""
    put_in = found = 0
    for kind in ("scene", "harmonics", "saddle", "knocks"):
        for seed in range(3):
            audio, rate = played(kind, seed)
            faulty = audio.astype(np.float64)
            places = put_holes(faulty, rate=rate, random=np.random.default_rng([45, seed]))
            said = measure_dropouts(faulty.astype(np.float32), sample_rate_hz=rate)
            put_in += len(places)
            found += sum(
                min((abs(place - first) for place in said[channel].places), default=rate) <= 0.003 * rate
                for first, channel in places
            )
    assert put_in > 60
    assert found >= 0.9 * put_in
