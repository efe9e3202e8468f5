from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.analysis.clicks import measure_clicks
from render.analysis.novelty import are_beginnings, measure_novelty, weigh_beginning

RATE_HZ = 48000
PITCHES_HZ = (110.0, 147.0, 196.0, 247.0, 330.0, 392.0)


def _tones(*pitches_hz: float, first: int = 0, frames: int = 480) -> NDArray[np.float64]:
    t = np.arange(first, first + frames) / RATE_HZ
    return np.asarray(sum(np.sin(2 * np.pi * hz * t + hz) for hz in pitches_hz))[np.newaxis]


def test_the_same_tones_are_not_new() -> None:
    """Tones that go on, with a little noise, have no novelty; a step in them is not in what is compared."""
    tones = (220.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0)
    before, after = _tones(*tones), _tones(*tones, first=533)
    assert measure_novelty(before, after, sample_rate_hz=RATE_HZ)[0] < 0.02


def test_a_tone_in_every_band_is_all_new() -> None:
    """Six tones after one: six bands of which all is new, one of them but for the first tone."""
    before, after = _tones(220.0), _tones(300.0, 600.0, 1_200.0, 2_400.0, 4_800.0, 9_600.0, first=533)
    assert measure_novelty(before, after, sample_rate_hz=RATE_HZ)[0] > 0.8
    assert measure_novelty(after, before, sample_rate_hz=RATE_HZ)[0] < 0.3


@given(seed=st.integers(0, 999), frames=st.integers(16, 2000), rate_hz=st.sampled_from((8000, 44100, 192000)))
def test_novelty_is_a_share(seed: int, frames: int, rate_hz: int) -> None:
    """Between 0 and 1 for any sound, and 0 for silence."""
    random = np.random.default_rng(seed)
    before, after = random.standard_normal((2, 3, frames)) * 10.0 ** random.uniform(-6, 0, (2, 3, 1))
    novelty = measure_novelty(before, after, sample_rate_hz=rate_hz)
    assert novelty.shape == (3,)
    assert np.all((novelty >= 0.0) & (novelty <= 1.0))
    assert not measure_novelty(before, 0.0 * after, sample_rate_hz=rate_hz).any()


def test_what_a_step_tells() -> None:
    """Measures add up, for and against, and one step tells no more than one measure does."""
    one, none = np.ones(1), np.zeros(1)
    assert weigh_beginning(one, none, one, one) == pytest.approx([1.0])
    assert weigh_beginning(none, one, -9.0 * one, -one) == pytest.approx([-1.0])
    assert weigh_beginning(0.2 * one, 0.1 * one, 0.25 * one) == pytest.approx([0.5])
    assert weigh_beginning(none, one, 9.0 * one) == pytest.approx([0.0])
    assert weigh_beginning(none, none, none) == pytest.approx([0.0])


def test_few_steps_need_more() -> None:
    """Four steps tell nothing, five if they tell all they can; many if they tell a little, and not if they disagree."""
    for steps in range(5):
        assert not are_beginnings(np.ones(steps))
    assert are_beginnings(np.ones(5))
    assert not are_beginnings(np.array([1.0, 1.0, 1.0, 1.0, 0.5]))
    assert not are_beginnings(np.r_[np.ones(4), np.zeros(16)])
    assert are_beginnings(np.full(100, 0.2))
    assert not are_beginnings(np.tile([0.9, -0.8], 50))


@pytest.mark.parametrize("filtered", [(0.5, 0.5), (0.25, 0.5, 0.25), (0.3, 0.4, 0.3)])
def test_few_notes_through_a_filter_do_not_click(filtered: tuple[float, ...]) -> None:
    """Five notes that begin with a step, rounded over two or three samples: too few to be summed, and too soft."""
    for seed in range(12):
        random, frames = np.random.default_rng(seed), 8 * RATE_HZ
        sound, t = np.zeros(frames), np.arange(4 * RATE_HZ) / RATE_HZ
        for onset_s in (0.5, 1.1, 1.7, 2.3, 2.9):
            pitch_hz = random.choice(PITCHES_HZ[:4])
            note = sum(
                np.exp(-t * (1.0 + 0.2 * k))
                * np.cos(2 * np.pi * k * pitch_hz * t + random.uniform(-0.5, 0.5))
                / k
                for k in range(1, 15)
            )
            first = round(onset_s * RATE_HZ)
            sound[first : first + len(t)] += 0.1 * random.uniform(0.4, 1.0) * note * (4.0 - t).clip(0.0, 0.05)
        sound = np.convolve(20.0 * sound, filtered, "same") + 1e-4 * random.standard_normal(frames)
        assert measure_clicks(sound[:, np.newaxis], sample_rate_hz=RATE_HZ)[0].count == 0


@pytest.mark.parametrize("partials", [6, 12])
def test_chords_struck_again_do_not_click(partials: int) -> None:
    """One chord, struck each quarter of a second from one sample to the next while it rings, is played."""
    random, frames = np.random.default_rng(partials), 15 * RATE_HZ
    sound = 1e-4 * random.standard_normal(frames)
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    tones = [np.cos(2 * np.pi * k * hz * t) / k**1.5 for hz in PITCHES_HZ[:4] for k in range(1, partials + 1)]
    chord = np.sum(tones, axis=0) * np.exp(-1.5 * t) * np.minimum(1.0, (2.0 - t) / 0.05)
    for onset in np.arange(RATE_HZ // 2, frames - 2 * RATE_HZ, RATE_HZ // 4) + random.integers(0, 999, 50):
        sound[onset : onset + len(t)] += 0.02 * random.uniform(0.5, 1.0) * chord
    assert measure_clicks(sound[:, np.newaxis], sample_rate_hz=RATE_HZ)[0].count <= 1


def _played(*, hard: bool, seed: int = 5) -> NDArray[np.float32]:
    """Twelve seconds of notes that ring under each other; hard ones begin with a step."""
    random, frames = np.random.default_rng(seed), 12 * RATE_HZ
    sound = 1e-4 * random.standard_normal(frames)
    for onset in np.arange(RATE_HZ // 2, frames - 2 * RATE_HZ, RATE_HZ // 4):
        t = np.arange(2 * RATE_HZ) / RATE_HZ
        pitch_hz = random.choice(PITCHES_HZ)
        note = sum(
            np.exp(-t * (1.5 + 0.3 * k))
            * np.cos(2 * np.pi * k * pitch_hz * t + random.uniform(-0.5, 0.5))
            / k
            for k in range(1, 15)
        )
        note *= np.minimum(1.0, (2.0 - t) / 0.05)
        if not hard:
            note *= np.minimum(1.0, t / 0.003)
        sound[onset : onset + len(note)] += 0.1 * random.uniform(0.4, 1.0) * note
    return np.asarray(sound[:, np.newaxis], np.float32)


def test_notes_that_begin_with_a_step_do_not_click() -> None:
    """Thirty-eight of them, each a step from one sample to the next; spikes among them are found."""
    audio = _played(hard=True)
    assert measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].count <= 1
    spikes = np.random.default_rng(3).integers(2 * RATE_HZ, 10 * RATE_HZ, 20)
    audio[spikes] += 0.2
    places = measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].places
    assert sum(min(abs(place - found) for found in places) <= 2 for place in spikes) >= 16


def test_the_two_channels_tell_together() -> None:
    """Four steps on one channel tell nothing; beside all the beginnings on the other they are beginnings as well."""
    hard, soft = _played(hard=True), _played(hard=False, seed=6)
    for place in (100_000, 200_321, 300_111, 400_777):
        soft[place : place + 2000, 0] += (0.1 * np.exp(-np.arange(2000) / 400.0)).astype(np.float32)
    assert measure_clicks(soft, sample_rate_hz=RATE_HZ)[0].count == 4
    both = measure_clicks(np.concatenate([hard, soft], axis=1), sample_rate_hz=RATE_HZ)
    assert [one.count for one in both] == [0, 0]


@pytest.mark.parametrize("steps", [2, 5, 20])
def test_steps_put_anywhere_do(steps: int) -> None:
    """Steps as high in notes that begin softly are clicks, few or many."""
    audio = _played(hard=False)
    assert measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].count == 0
    tail = 0.1 * np.exp(-np.arange(2000) / 400.0)
    places = np.random.default_rng(steps).integers(RATE_HZ, 10 * RATE_HZ, steps)
    for place in places:
        audio[place : place + 2000, 0] += tail.astype(np.float32)
    found = measure_clicks(audio, sample_rate_hz=RATE_HZ)[0].places
    hits = sum(min(abs(place - one) for one in found) <= 2 for place in places)
    assert hits >= 0.8 * steps
