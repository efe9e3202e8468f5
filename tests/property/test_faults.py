"""Whatever the take: blocks do not matter, channels are as if alone, faults put in are found, clean sound is left."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.analysis.clicks import ClickGauge, measure_clicks
from render.analysis.clipping import ClippingGauge, measure_clipping
from render.analysis.dropouts import DropoutGauge, measure_dropouts
from render.analysis.levels import LevelGauge, measure_levels
from render.analysis.stretches import Stretches
from tests.helpers.hard_sounds import clean_sound, few_bits, played, put_clicks, put_gaps

Audio = NDArray[np.float32]
MEASURES = (measure_levels, measure_clipping, measure_dropouts, measure_clicks)
GUITARS = ("scene", "harmonics")
SEEDS = 5
KINDS = ("saddle", "harmonics", "tones", "noises", "speech", "scene", "nothing")  # quickly made


def _faulty(kind: str, seed: int, rate: int) -> Audio:
    """A sound with some of every fault in it."""
    audio = clean_sound(kind, 2.0, sample_rate_hz=rate, seed=seed, peak_dbfs=-6.0)
    random = np.random.default_rng(seed)
    audio = np.clip(audio, -0.3, 0.3)
    for first in random.integers(100, len(audio) - 5000, 4):
        audio[first : first + int(random.integers(20, 4000)), int(random.integers(2))] = 0.0
    audio[random.integers(0, len(audio), 6), random.integers(0, 2, 6)] += 0.2
    audio.setflags(write=False)
    return audio


def _in_blocks(audio: Audio, rate: int, cuts: list[int]) -> list[Any]:
    gauges = [gauge(sample_rate_hz=rate) for gauge in (LevelGauge, ClippingGauge, DropoutGauge, ClickGauge)]
    stretches = Stretches(sample_rate_hz=rate)
    for part in np.split(audio, sorted(cuts)):
        for stretch in stretches.add(part):
            for gauge in gauges:
                gauge.add(stretch)
    for stretch in stretches.finish():
        for gauge in gauges:
            gauge.add(stretch)
    return [gauge.result() for gauge in gauges]


@settings(max_examples=12)
@given(
    kind=st.sampled_from(KINDS),
    seed=st.integers(0, 1000),
    rate=st.sampled_from([16_000, 44_100, 48_000]),
    cuts=st.lists(st.integers(0, 32_000), max_size=6),
)
def test_blocks_do_not_matter(kind: str, seed: int, rate: int, cuts: list[int]) -> None:
    """However a take is cut into blocks, all gauges say the same."""
    audio = _faulty(kind, seed, rate)
    whole = [measure(audio, sample_rate_hz=rate) for measure in MEASURES]
    assert _in_blocks(audio, rate, cuts) == whole


@settings(max_examples=8)
@given(kind=st.sampled_from(KINDS), seed=st.integers(0, 1000))
def test_channels_are_as_if_alone(kind: str, seed: int) -> None:
    """What one source has does not depend on the other, nor on the order of memory or the kind of floats."""
    audio = _faulty(kind, seed, 48_000)
    for measure in MEASURES:
        both = measure(audio, sample_rate_hz=48_000)
        assert measure(np.asfortranarray(audio), sample_rate_hz=48_000) == both
        assert measure(audio.astype(np.float64), sample_rate_hz=48_000) == both
        for channel in range(2):
            assert (
                measure(audio[:, channel : channel + 1], sample_rate_hz=48_000) == both[channel : channel + 1]
            )


@settings(max_examples=8)
@given(kind=st.sampled_from(GUITARS), seed=st.integers(0, 1000))
def test_upside_down_is_the_same(kind: str, seed: int) -> None:
    """Turned over, a take has the same faults at the same places."""
    audio = _faulty(kind, seed, 48_000)
    for one, other in zip(
        measure_clipping(audio, sample_rate_hz=48_000),
        measure_clipping(-audio, sample_rate_hz=48_000),
        strict=True,
    ):
        assert (one.places, one.upper_count, one.lower_count) == (
            other.places,
            other.lower_count,
            other.upper_count,
        )
    assert measure_dropouts(audio, sample_rate_hz=48_000) == measure_dropouts(-audio, sample_rate_hz=48_000)
    for click, turned in zip(
        measure_clicks(audio, sample_rate_hz=48_000),
        measure_clicks(-audio, sample_rate_hz=48_000),
        strict=True,
    ):
        assert click.places == turned.places


@settings(max_examples=40)
@given(
    frames=st.integers(1, 3000),
    channels=st.integers(1, 3),
    rate=st.sampled_from([1000, 8_000, 11_025, 192_000]),
    value=st.sampled_from([0.0, 1.0, -0.5]),
    seed=st.integers(0, 1000),
)
def test_short_and_still_takes(frames: int, channels: int, rate: int, value: float, seed: int) -> None:
    """Takes of a few frames, silence and constants are measured without a fault, and without complaint."""
    audio = np.full((frames, channels), value, np.float32)
    for find in (measure_clipping, measure_dropouts, measure_clicks):
        assert all(one.count == 0 for one in find(audio, sample_rate_hz=rate))
    random = np.random.default_rng(seed)
    for measure in MEASURES:
        assert len(measure(random.standard_normal((frames, channels)), sample_rate_hz=rate)) == channels


@pytest.mark.parametrize("kind", ["scene", "harmonics", "saddle"])
def test_clipping_is_found(kind: str) -> None:
    """Of takes whose peaks are cut by 1 to 4 dB, at any level and in any word length, 95 of 100 are found."""
    takes = found = 0
    for case in range(16):
        random = np.random.default_rng([41, case])
        audio, rate = played(kind, case % SEEDS)
        audio = audio[: 4 * rate] if case < 8 else audio[4 * rate :]
        wave = audio / audio[np.abs(audio).argmax(0), (0, 1)] + 1e-4 * random.standard_normal(audio.shape)
        height = 10.0 ** (-random.uniform(1.0, 4.0) / 20.0)
        lowest = -height if random.random() < 0.7 else -2.0
        gain = 10.0 ** (random.choice((-0.1, -6.0, -12.0, -24.0)) / 20.0)
        cut = few_bits(gain * np.clip(wave, lowest, height), bits=24 if case % 2 else 16, random=random)
        for clipping in measure_clipping(cut.astype(np.float32), sample_rate_hz=rate):
            takes += 1
            found += clipping.count > 0 and abs(clipping.level_gain / (gain * height) - 1.0) < 0.01
    assert found >= 0.95 * takes


@pytest.mark.parametrize(("put", "measure"), [(put_clicks, measure_clicks), (put_gaps, measure_dropouts)])
def test_faults_put_in_are_found(put: Any, measure: Any) -> None:
    """At audible strength 95 of 100 clicks and dropouts are found, in hundreds of random cases."""
    put_in = found = 0
    for kind in ("scene", "harmonics", "saddle", "knocks"):
        for seed in range(SEEDS):
            random = np.random.default_rng([44, seed])
            audio, rate = played(kind, seed)
            gain, bits = 2.0 ** -int(random.integers(3)), 24 if seed % 2 else 16
            faulty = few_bits(gain * audio.astype(np.float64), bits=bits, random=random) / gain
            places = put(faulty, rate=rate, random=random)
            faulty = few_bits(gain * faulty, bits=bits)
            said = measure(faulty.astype(np.float32), sample_rate_hz=rate)
            put_in += len(places)
            found += sum(
                min((abs(place - first) for place in said[channel].places), default=99) <= 20
                for first, channel in places
            )
    assert put_in > 350
    assert found >= 0.95 * put_in
