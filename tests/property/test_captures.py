"""What must be true of every measure of a capture, whatever the sound: bounded, gain and channel do not matter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.analysis.bands import measure_bands
from render.analysis.boom import measure_boom
from render.analysis.ends import measure_ends
from render.analysis.hum import measure_hum
from render.analysis.likeness import life_from_bands
from render.analysis.noise import measure_noise
from render.analysis.profile import measure_profile
from tests.helpers.rehearsal import hiss, hum, strings, two_sources

RATE_HZ = 8000
Wave = NDArray[np.float64]


@st.composite
def sounds(draw: st.DrawFn, *, longest_s: float = 14.0) -> Wave:
    """Anything from one frame to some seconds: noise, silence, offsets, squares, playing."""
    frames = draw(st.integers(1, round(longest_s * RATE_HZ)))
    kind = draw(st.sampled_from(["noise", "silence", "offset", "square", "playing", "half silent"]))
    random = np.random.default_rng(draw(st.integers(0, 99)))
    if kind == "silence":
        return np.zeros((frames, 2))
    if kind == "offset":
        return np.full((frames, 2), 0.5)
    if kind == "square":
        return np.where(np.arange(frames) % 80 < 40, 1.0, -1.0)[:, np.newaxis] * np.ones(2)
    if kind == "playing":
        wave = strings(frames / RATE_HZ, sample_rate_hz=RATE_HZ, seed=draw(st.integers(0, 5)))[:frames]
        return two_sources(wave, sample_rate_hz=RATE_HZ) + hiss(len(wave), sample_rate_hz=RATE_HZ, seed=1)
    take = 0.1 * random.standard_normal((frames, 2))
    if kind == "half silent":
        take[: frames // 2] = 0.0
    return take


@settings(max_examples=25)
@given(take=sounds())
def test_every_figure_is_possible(take: Wave) -> None:
    """No measure breaks on any sound; levels are below full scale, moments inside the take, resonances in range."""
    duration_s = len(take) / RATE_HZ
    for noise in measure_noise(take, sample_rate_hz=RATE_HZ):
        assert noise.level_dbfs <= 0.5
        assert noise.level_dbfs <= noise.playing_dbfs + 0.1
    for hums in measure_hum(take, sample_rate_hz=RATE_HZ):
        assert hums.level_dbfs <= 0.5
        assert hums.present == (len(hums.lines) > 0) or hums.present is None
    for resonance in measure_boom(take, sample_rate_hz=RATE_HZ):
        assert 60.0 <= resonance.frequency_hz <= 500.0
        assert resonance.prominence_db >= 4.0
        assert resonance.bandwidth_hz > 0.0
    ends = measure_ends(take, sample_rate_hz=RATE_HZ)
    if ends.sound_from_s is not None and ends.sound_to_s is not None:
        assert 0.0 <= ends.sound_from_s < ends.sound_to_s <= duration_s + 0.02
    bands = measure_bands(take, sample_rate_hz=RATE_HZ)
    assert np.isfinite(bands.power).all()
    assert (bands.power >= 0.0).all()
    profile = measure_profile(take, sample_rate_hz=RATE_HZ)
    assert not np.isinf(profile.ratio_db).any()
    assert np.all((profile.coherence >= 0.0) & (profile.coherence <= 1.0))
    assert np.isfinite(profile.scatter_db).all()
    assert len(life_from_bands(bands)) == 2


@settings(max_examples=4)
@given(gain_db=st.floats(-40.0, 12.0), seed=st.integers(0, 3))
def test_gain_moves_levels_only(gain_db: float, seed: int) -> None:
    """Louder or softer, a take has its noise and hum at levels moved by the gain, and the rest as it was."""
    frames = 18 * RATE_HZ
    take = two_sources(strings(18.0, sample_rate_hz=RATE_HZ, seed=seed), sample_rate_hz=RATE_HZ)
    take += hiss(frames, sample_rate_hz=RATE_HZ, seed=seed)
    take += hum(frames, sample_rate_hz=RATE_HZ, mains_hz=50.02, shares_db={1: -45.0, 2: -52.0, 3: -50.0})[
        :, np.newaxis
    ]
    moved = take * 10.0 ** (gain_db / 20.0)
    for one, same in zip(*(measure_noise(x, sample_rate_hz=RATE_HZ) for x in (take, moved)), strict=True):
        assert same.level_dbfs - one.level_dbfs == pytest.approx(gain_db, abs=0.01)
        assert same.signal_to_noise_db == pytest.approx(one.signal_to_noise_db, abs=0.01)
        assert same.settled == one.settled
    for first, second in zip(*(measure_hum(x, sample_rate_hz=RATE_HZ) for x in (take, moved)), strict=True):
        assert first.present
        assert second.present
        assert second.level_dbfs - first.level_dbfs == pytest.approx(gain_db, abs=0.05)
        assert second.frequency_hz == pytest.approx(first.frequency_hz, abs=0.005)
    here, there = (measure_boom(x, sample_rate_hz=RATE_HZ) for x in (take, moved))
    assert [one.prominence_db for one in there] == pytest.approx([one.prominence_db for one in here], abs=0.1)
    ends = [measure_ends(x, sample_rate_hz=RATE_HZ) for x in (take, moved)]
    assert ends[0].sound_from_s == ends[1].sound_from_s


@settings(max_examples=6)
@given(seed=st.integers(0, 5))
def test_each_source_as_if_alone(seed: int) -> None:
    """Exchanging the sources exchanges the answers; noise of one source does not depend on the other."""
    frames = 16 * RATE_HZ
    take = two_sources(strings(16.0, sample_rate_hz=RATE_HZ, seed=seed), sample_rate_hz=RATE_HZ)
    take += hiss(frames, sample_rate_hz=RATE_HZ, seed=seed)
    there = take[:, ::-1]
    noise = measure_noise(take, sample_rate_hz=RATE_HZ)
    turned = measure_noise(there, sample_rate_hz=RATE_HZ)
    assert [one.level_dbfs for one in noise] == pytest.approx(
        [one.level_dbfs for one in turned[::-1]], abs=1e-3
    )
    silenced = measure_noise(take * [1.0, 0.0], sample_rate_hz=RATE_HZ)
    assert silenced[0].level_dbfs == pytest.approx(noise[0].level_dbfs, abs=1e-3)
    life, turned_life = (life_from_bands(measure_bands(x, sample_rate_hz=RATE_HZ)) for x in (take, there))
    assert [one.dead for one in life] == [one.dead for one in turned_life[::-1]]
    assert life[0].against_other_db == pytest.approx(-life[1].against_other_db, abs=1e-6)
    ends, turned_ends = (measure_ends(x, sample_rate_hz=RATE_HZ) for x in (take, there))
    assert ends.sound_from_s == turned_ends.sound_from_s


@settings(max_examples=6)
@given(seed=st.integers(0, 5), shift_s=st.floats(0.0, 3.0))
def test_a_later_take_begins_later(seed: int, shift_s: float) -> None:
    """Room tone put before a take moves where its sound begins by its length, to within two steps."""
    take = two_sources(strings(12.0, sample_rate_hz=RATE_HZ, seed=seed), sample_rate_hz=RATE_HZ)
    extra = round(shift_s * RATE_HZ)
    room = hiss(len(take) + extra, sample_rate_hz=RATE_HZ, seed=seed)
    later = room.copy()
    later[extra:] += take
    here = measure_ends(take + room[: len(take)], sample_rate_hz=RATE_HZ).sound_from_s
    there = measure_ends(later, sample_rate_hz=RATE_HZ).sound_from_s
    assert here is not None
    assert there is not None
    assert there - here == pytest.approx(extra / RATE_HZ, abs=0.05)
    assert math.isfinite(there)
