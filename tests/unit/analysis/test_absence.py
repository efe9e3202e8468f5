"""A source that is gone for part of a take is found, whatever is left on its track; nothing else is taken for it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.absence import Absence, find_absences
from render.analysis.bands import measure_bands
from tests.helpers.hard_sounds import slaps
from tests.helpers.rehearsal import Player, hiss, hum, strings, talk, two_sources

RATE_HZ = 48_000
Wave = NDArray[np.float64]


def _good(seed: int) -> Wave:
    return _played(seed).copy()


@cache
def _played(seed: int, *, duration_s: float = 20.0, player: Player | None = None) -> Wave:
    wave = strings(duration_s, sample_rate_hz=RATE_HZ, seed=seed, player=player)
    both = two_sources(wave, sample_rate_hz=RATE_HZ)
    both *= 0.3 / np.abs(both).max(axis=0)
    return np.asarray(both + hiss(len(both), sample_rate_hz=RATE_HZ, seed=seed), np.float64)


def _found(audio: Wave) -> tuple[Absence, ...]:
    bands = measure_bands(audio, sample_rate_hz=RATE_HZ)
    return find_absences(bands, duration_s=len(audio) / RATE_HZ)


def _left(kind: str, frames: int) -> Wave:
    """What a track has that no source feeds."""
    if kind == "nothing":
        return np.zeros(frames)
    noise = 1e-4 * np.random.default_rng(3).standard_normal(frames)
    shares_db = {1: -45.0, 2: -55.0, 3: -50.0, 5: -60.0}
    mains = hum(frames, sample_rate_hz=RATE_HZ, mains_hz=50.0, shares_db=shares_db)
    return noise + mains if kind == "hum" else noise


@pytest.mark.parametrize("left", ["nothing", "hiss", "hum"])
@pytest.mark.parametrize("source", [0, 1])
@pytest.mark.parametrize(("from_s", "to_s"), [(9.0, 20.0), (0.0, 11.0), (6.0, 14.0)])
def test_a_source_that_is_gone_while_the_other_plays_on(
    left: str, source: int, from_s: float, to_s: float
) -> None:
    """It dies, comes late, or goes and comes back; where is good to a third of a second, or where it next plays."""
    audio = _good(11 + source)
    audio = audio[: 20 * RATE_HZ]
    gone = slice(round(from_s * RATE_HZ), round(to_s * RATE_HZ))
    audio[gone, source] = _left(left, gone.stop - gone.start)
    (found,) = _found(audio)
    assert found.source == source
    assert (found.goes, found.comes) == (from_s > 0.0, to_s < 20.0)
    assert found.from_s == pytest.approx(from_s, abs=0.3)
    assert found.to_s == pytest.approx(to_s, abs=0.3)
    assert found.below_db > 20.0


def _turned_down(audio: Wave) -> Wave:
    audio[len(audio) // 2 :, 0] *= 0.04
    return audio


def _soft_passage(audio: Wave) -> Wave:
    """The playing sinks under the hiss of a weak microphone, and the pickup still hears it."""
    audio[:, 1] *= 0.02
    audio[8 * RATE_HZ : 15 * RATE_HZ] *= 0.05
    return audio + hiss(len(audio), sample_rate_hz=RATE_HZ, seed=1, dbfs=(-90.0, -66.0))


def _gated(audio: Wave) -> Wave:
    """And a gate shuts it where it is soft."""
    audio[8 * RATE_HZ : 15 * RATE_HZ] *= 0.05
    audio[8 * RATE_HZ : 15 * RATE_HZ, 1] = 0.0
    return audio


def _rests(audio: Wave) -> Wave:
    pause = hiss(8 * RATE_HZ, sample_rate_hz=RATE_HZ, seed=5)
    half = len(audio) // 2
    return np.concatenate([audio[:half], pause, audio[half:], pause])


def _short(audio: Wave) -> Wave:
    audio[9 * RATE_HZ : 11 * RATE_HZ, 0] = 0.0
    return audio


def _spoken(before: bool) -> Callable[[Wave], Wave]:
    def speak(audio: Wave) -> Wave:
        """As loud as the playing, close against it, and in the microphone alone."""
        voice = talk(7.0, sample_rate_hz=RATE_HZ, seed=4)
        part = hiss(len(voice), sample_rate_hz=RATE_HZ, seed=6)
        part[:, 1] += voice * np.sqrt(np.mean(audio[:, 1] ** 2) / np.mean(voice**2))
        return np.concatenate([part, audio] if before else [audio, part])

    return speak


def _fan(audio: Wave) -> Wave:
    """As loud as the playing, in the microphone alone."""
    part = hiss(6 * RATE_HZ, sample_rate_hz=RATE_HZ, seed=7)
    loud = np.sqrt(np.mean(audio[:, 1] ** 2))
    part[:, 1] += loud * np.random.default_rng(2).standard_normal(len(part))
    return np.concatenate([part, audio])


@pytest.mark.parametrize(
    "change",
    [
        lambda audio: audio, _turned_down, _soft_passage, _gated, _rests, _short, _spoken(True), _spoken(False), _fan,
        lambda audio: audio * [1.0, 0.0], lambda audio: audio[: 3 * RATE_HZ],
    ],
    ids=["clean", "turned-down", "soft", "gated", "rests", "short", "voice-before", "voice-after", "fan", "dead",
         "brief"],
)  # fmt: skip
@pytest.mark.parametrize("seed", [21, 22])
def test_nothing_else_is_an_absence(change: Callable[[Wave], Wave], seed: int) -> None:
    """Neither rests, soft passages, gates and gain, nor a voice that only the microphone hears."""
    assert _found(change(_good(seed))) == ()


def test_sparse_and_soft_playing_is_no_absence() -> None:
    """A note every two seconds, over 30 dB of dynamics."""
    player = Player(notes_per_s=0.5, dynamics_db=30.0)
    assert _found(_played(31, duration_s=40.0, player=player)) == ()


@pytest.mark.parametrize("beside", [_fan, _spoken(True), _spoken(False)], ids=["fan", "before", "after"])
@pytest.mark.parametrize("seed", [679570196, 6964742, 400270355])
def test_beside_slaps_noise_and_voices_are_no_playing(beside: Callable[[Wave], Wave], seed: int) -> None:
    """They fall as fast as voices, and are as even as noise."""
    wave = slaps(20.0, RATE_HZ, np.random.default_rng(seed))[:, 0]
    both = two_sources(wave * (0.05 / np.sqrt(np.mean(wave**2))), sample_rate_hz=RATE_HZ)
    both = both + hiss(len(both), sample_rate_hz=RATE_HZ, seed=seed)
    assert _found(both) == ()
    assert _found(beside(both)) == ()


@pytest.mark.parametrize("seed", [391337097, 1028947666, 725847611])
def test_a_voice_over_soft_playing_is_no_absence(seed: int) -> None:
    """The pickup plays on, softly, while somebody speaks loudly into the microphone."""
    audio = _played(seed % 1000)
    audio = audio.copy()
    audio[9 * RATE_HZ : 16 * RATE_HZ] *= 0.1
    voice = talk(7.0, sample_rate_hz=RATE_HZ, seed=seed)
    audio[9 * RATE_HZ : 16 * RATE_HZ, 1] += voice * np.sqrt(np.mean(audio[:, 1] ** 2) / np.mean(voice**2))
    assert _found(audio) == ()
