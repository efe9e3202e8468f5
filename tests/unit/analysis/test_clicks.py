from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.clicks import measure_clicks
from tests.helpers.hard_sounds import CLEAN, clean_sound, few_bits, played
from tests.helpers.signals import noise, sine

RATE_HZ = 48000


def _count(audio: NDArray[np.floating], rate: int = RATE_HZ) -> int:
    return sum(one.count for one in measure_clicks(np.asarray(audio, np.float32), sample_rate_hz=rate))


def _tone() -> NDArray[np.float64]:
    return sine(220.0, duration_s=1.0, sample_rate_hz=RATE_HZ, peak_dbfs=-6.0) + noise(RATE_HZ, rms=3e-4)


def test_a_spike() -> None:
    """One sample a tenth of the peak too high is found where it is, in its channel, about as high."""
    audio = _tone()
    audio[20000, 0] += 0.05
    left, right = measure_clicks(audio, sample_rate_hz=RATE_HZ)
    assert (left.count, right.count) == (1, 0)
    assert abs(left.places[0] - 20000) <= 2
    assert left.highest_gain == pytest.approx(0.05, rel=0.2)
    assert left.heights == (left.highest_gain,)


def test_a_lost_buffer() -> None:
    """A step in the waveform, with the sound going on as before, is found."""
    audio = _tone()
    joined = np.concatenate([audio[:20000], audio[20000 + 131 :]])
    found = measure_clicks(joined, sample_rate_hz=RATE_HZ)[0]
    assert found.count == 1
    assert abs(found.places[0] - 20000) <= 2


@pytest.mark.parametrize("frames", [3, 5, 20, 45])
def test_a_short_pulse_is_one_click(frames: int) -> None:
    """A pulse up to a millisecond long is counted once."""
    audio = _tone()
    audio[30000 : 30000 + frames] += 0.1
    assert _count(audio) == 2


@pytest.mark.parametrize("frames", [3, 4, 5])
@pytest.mark.parametrize("height", [1.0, 3.0])
def test_a_round_pulse(frames: int, height: float) -> None:
    """A pulse without corners, as high as the sound, is a click, and by itself can be nothing else."""
    audio = 0.25 * _tone()
    audio[30000 : 30000 + frames, 0] += height * 0.125 * np.hanning(frames + 2)[1:-1]
    found = measure_clicks(audio.astype(np.float32), sample_rate_hz=RATE_HZ)[0]
    assert found.count == 1
    assert abs(found.places[0] - 30000) <= 4
    assert found.sure == (True,)


@pytest.mark.parametrize("decay_ms", [0.05, 0.1, 0.2])
def test_a_burst_of_noise(decay_ms: float) -> None:
    """Noise that is over within a millisecond, twice as high as the sound, is one click."""
    for seed in range(10):
        random = np.random.default_rng(seed)
        audio, t = 0.25 * _tone(), np.arange(72) / 48.0
        burst = random.standard_normal(72) * np.exp(-t / decay_ms)
        audio[30000:30072, 0] += 0.25 * burst / np.abs(burst).max()
        assert measure_clicks(audio.astype(np.float32), sample_rate_hz=RATE_HZ)[0].count == 1


def test_how_sure_a_click_is() -> None:
    """A spike as high as the sound can be nothing else; one of a tenth, or a step, may be a nail."""
    for jolt, sure in ((np.array([0.5]), True), (np.array([0.05]), False)):
        audio = _tone()
        audio[30000 : 30000 + len(jolt), 0] += jolt
        assert measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].sure == (sure,)


def test_clicks_across_the_borders_of_stretches() -> None:
    """Clicks are found wherever stretches end, not only in the middle of them."""
    audio = np.asarray(_tone()[:, :1].repeat(4, axis=0), np.float32)  # smooth: the tone has whole periods
    places = np.arange(3000, len(audio) - 3000, 2730)
    audio[places, 0] += 0.1
    found = measure_clicks(audio, sample_rate_hz=RATE_HZ)[0]
    assert found.count == len(places)


def test_what_begins_is_no_click() -> None:
    """A tone that begins at full height between two samples changes what follows."""
    audio = noise(RATE_HZ, rms=3e-4)
    audio[20000:] += 0.5 * np.cos(2 * np.pi * 500.0 * np.arange(RATE_HZ - 20000) / RATE_HZ)[:, np.newaxis]
    assert _count(audio) == 0


def test_a_slap_is_no_click() -> None:
    """A burst of noise that is gone within 3 ms rings longer than a click."""
    random = np.random.default_rng(2)
    audio = _tone()
    for first in range(2000, 46000, 2000):
        audio[first : first + 960] += (0.3 * np.exp(-np.arange(960) / 100.0) * random.standard_normal(960))[
            :, np.newaxis
        ]
    assert _count(audio) == 0


@pytest.mark.parametrize("rate", [8000, 48000, 192000])
def test_nothing_in_nothing(rate: int) -> None:
    """Silence, a constant, a single frame and a single spike in silence are handled."""
    for frames in (1, 100, rate // 2):
        assert _count(np.zeros((frames, 2)), rate) == 0
        assert _count(np.full((frames, 2), 0.3), rate) == 0
    spike = np.zeros((rate // 2, 2))
    spike[rate // 4] = 1.0
    assert _count(spike, rate) in (0, 2)


def test_square_waves_step_all_the_time() -> None:
    """Steps that come back with every turn are the sound itself."""
    assert _count(0.5 * np.sign(sine(110.0, duration_s=1.0, sample_rate_hz=RATE_HZ, phase_deg=1.0))) == 0


@pytest.mark.parametrize("kind", sorted(CLEAN))
def test_clean_sound_is_left_alone(kind: str) -> None:
    """Plucks on a saddle, slaps, knocks, few bits: none of it clicks."""
    for seed, rate in ((70, 48000), (71, 44100)):
        assert _count(clean_sound(kind, 4.0, sample_rate_hz=rate, seed=seed), rate) == 0


@pytest.mark.parametrize("rms", [1e-4, 0.1])
def test_noise_is_left_alone(rms: float) -> None:
    """Noise clicks at no level and in no word length."""
    assert _count(noise(RATE_HZ * 8, rms=rms)) == 0
    assert _count(few_bits(noise(RATE_HZ * 4, rms=rms), bits=16)) == 0


def test_a_stick_on_a_smooth_sound_is_hardly_ever_a_click() -> None:
    """Noise that halves in 0.4 ms, as a nail or a pick makes it, lasts longer than a click."""
    random = np.random.default_rng(6)
    audio = _tone()
    for first in range(2000, 46000, 1500):
        audio[first : first + 120] += (0.1 * 0.5 ** (np.arange(120) / 18.0) * random.standard_normal(120))[
            :, np.newaxis
        ]
    assert _count(audio) <= 6  # of 60


@pytest.mark.parametrize(("softer", "rms"), [(0.1, 1e-4), (0.03, 1e-5)])
def test_a_cut_into_louder_sound(softer: float, rms: float) -> None:
    """Where a buffer is lost just before a loud note, the sound jumps by 20 or 30 dB from one sample to the next."""
    audio = _tone() * np.where(np.arange(RATE_HZ) < 20100, softer, 1.0)[:, np.newaxis]
    audio += noise(RATE_HZ, rms=rms)
    joined = np.concatenate([audio[:20000], audio[20150:]])
    found = measure_clicks(joined, sample_rate_hz=RATE_HZ)[0]
    assert found.count == 1
    assert abs(found.places[0] - 20000) <= 2


@pytest.mark.parametrize("frames", [9, 10, 11])
def test_flat_pulses_with_two_edges(frames: int) -> None:
    """Flat pulses as long as their edges are apart are found where they begin, 97 of 100, in sound of strings."""
    random = np.random.default_rng(frames)
    put = found = 0
    for kind in ("scene", "harmonics"):
        for seed in range(5):
            audio, rate = played(kind, seed)
            audio, places = audio.copy(), []
            for at_s in np.arange(0.5, 7.0, 0.35):
                first, channel = round(float(at_s + random.uniform(0.0, 0.1)) * rate), int(random.integers(2))
                around = audio[first - 480 : first + 480, channel]
                if np.sqrt(np.mean(around**2)) < 0.005:
                    continue
                audio[first : first + frames, channel] += (
                    0.25 * np.abs(around).max() * random.choice((-1.0, 1.0))
                )
                places.append((first, channel))
            clicks = measure_clicks(audio, sample_rate_hz=rate)
            put += len(places)
            found += sum(
                any(abs(place - first) <= 4 for place in clicks[channel].places) for first, channel in places
            )
    assert put > 150
    assert found >= 0.97 * put


@pytest.mark.parametrize("rise", [1.6, 2.5])
def test_jumping_samples_where_sound_grows(rise: float) -> None:
    """Some samples that jump, as the sound becomes louder by 4 or 8 dB, are a click all the same."""
    random = np.random.default_rng(3)
    found = 0
    for _ in range(40):
        audio = _tone() * np.where(np.arange(RATE_HZ) < 20100, 1.0 / rise, 1.0)[:, np.newaxis]
        audio += noise(RATE_HZ, rms=1e-4)
        frames = int(random.integers(3, 11))
        jumps = random.uniform(0.5, 1.0, frames) * random.choice((-1, 1), frames)
        audio[20100 : 20100 + frames, 0] += 0.08 * jumps
        places = measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].places
        found += any(abs(place - 20100) <= 20 for place in places)
    assert found >= 37


def test_jumping_samples() -> None:
    """Some samples that jump up and down are one click, however sharp it is."""
    random = np.random.default_rng(7)
    audio = _tone()
    places = np.arange(2000, 46000, 2000)
    for first in places:
        frames = int(random.integers(2, 11))
        audio[first : first + frames, 0] += (
            0.1 * random.uniform(0.5, 1.0, frames) * random.choice((-1, 1), frames)
        )
    found = measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].places
    assert sum(min(abs(place - first) for place in found) <= 20 for first in places) >= 20
