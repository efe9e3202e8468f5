"""Talk at either end of a take, and what is loud in the microphone only but no talk."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.ends import Ends, measure_ends
from render.analysis.speech import is_syllables
from tests.helpers.rehearsal import Player, hiss, strings, talk, two_sources

RATE_HZ = 16_000
Wave = NDArray[np.float64]


def _guitar(seed: int, duration_s: float) -> Wave:
    """All strings are damped at the end."""
    player = Player(notes_per_s=1.5 + seed % 3, lead_s=0.0, tail_s=0.5, ring_s=4.0)
    wave = strings(duration_s, sample_rate_hz=RATE_HZ, seed=seed, player=player)
    return (
        two_sources(wave, sample_rate_hz=RATE_HZ)
        * np.minimum(1.0, 50.0 * (duration_s - np.arange(len(wave)) / RATE_HZ))[:, np.newaxis]
    )


def _beside(sound: Wave, seed: int, *, at_end: bool, rest_s: float, room: bool = True) -> tuple[Ends, float]:
    """Ends of a take with a sound of the microphone's before or after the music, and where the music lies."""
    music = _guitar(seed, 17.0)
    sound = np.stack([0.05 * sound, sound], axis=1) * (
        10.0 ** (-0.1 * (seed % 4)) * 0.3 / np.abs(sound).max()
    )
    rest, around = (np.zeros((round(length_s * RATE_HZ), 2)) for length_s in (rest_s, 0.8))
    parts = (around, music, rest, sound, around) if at_end else (around, sound, rest, music, around)
    take = np.concatenate(parts)
    if room:
        take = take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed, dbfs=(-85.0, -74.0))
    music_at_s = 0.8 if at_end else 0.8 + len(sound) / RATE_HZ + rest_s
    return measure_ends(np.round(take * 2.0**23) / 2.0**23, sample_rate_hz=RATE_HZ), music_at_s


@pytest.mark.parametrize("room", [True, False])
@pytest.mark.parametrize("at_end", [False, True])
def test_talk_shortly_before_or_after(at_end: bool, room: bool) -> None:
    """Talk less than a second from the first note, or from the end of the last, is told, and the playing without it."""
    for seed in range(4):
        voice = talk(1.8 + 0.8 * seed, sample_rate_hz=RATE_HZ, seed=40 + seed)
        found, music_at_s = _beside(voice, seed, at_end=at_end, rest_s=0.9, room=room)
        assert [(part.kind, part.source) for part in found.parts] == [("talk", 1)]
        assert found.playing_from_s == pytest.approx(music_at_s, abs=0.05)
        assert found.playing_to_s == pytest.approx(music_at_s + 17.0, abs=0.05)
        assert found.parts[0].from_s == pytest.approx(0.8 + 17.9 if at_end else 0.8, abs=0.3)


def _taps(seed: int) -> Wave:
    """Somebody taps the beat, on wood."""
    random = np.random.default_rng(seed)
    wave = np.zeros(3 * RATE_HZ)
    seconds = np.arange(RATE_HZ // 4) / RATE_HZ
    for at_s in np.arange(0.05, 2.7, random.uniform(0.2, 0.5)):
        tap = random.standard_normal(len(seconds)) * np.exp(-seconds / 0.012)
        tap += np.exp(-seconds / 0.05) * np.sin(2.0 * np.pi * 190.0 * seconds)
        first = round(float(at_s) * RATE_HZ)
        wave[first : first + len(tap)] += random.uniform(0.5, 1.0) * tap
    return wave


def _another_guitar(seed: int) -> Wave:
    """Somebody else plays in the room, notes stopped soon."""
    player = Player(notes_per_s=4.0, lead_s=0.0, tail_s=0.5, held_share=0.0)
    return strings(4.0, sample_rate_hz=RATE_HZ, seed=90 + seed, player=player)


def _paper(seed: int) -> Wave:
    """Pages are turned: noise that swells as often as syllables."""
    random = np.random.default_rng(seed)
    seconds = np.arange(3 * RATE_HZ) / RATE_HZ
    swell = np.abs(np.sin(np.pi * random.uniform(2.5, 4.0) * seconds)) ** 3
    return np.asarray((0.02 + swell) * random.standard_normal(len(seconds)))


@pytest.mark.parametrize("rest_s", [0.9, 2.6])
@pytest.mark.parametrize("kind", ["taps", "another guitar", "paper"])
def test_what_is_no_talk(kind: str, rest_s: float) -> None:
    """Taps, another guitar and paper stand in the microphone as talk does, and are not called talk."""
    make = {"taps": _taps, "another guitar": _another_guitar, "paper": _paper}[kind]
    for seed in range(3):
        found, _ = _beside(make(seed), seed, at_end=seed % 2 == 1, rest_s=rest_s)
        assert found.parts == ()


def test_phrases_with_rests_are_no_talk() -> None:
    """Short phrases of the guitar itself, with rests of a second between them, are all playing."""
    for seed in range(4):
        rest = np.zeros((RATE_HZ, 2))
        phrases = [_guitar(10 * seed + number, 4.0 + number) for number in range(4)]
        take = np.concatenate([part for phrase in phrases for part in (rest, phrase)] + [rest])
        take = take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed, dbfs=(-85.0, -74.0))
        found = measure_ends(take, sample_rate_hz=RATE_HZ)
        assert found.parts == ()
        assert found.playing_from_s == found.sound_from_s


def _level(rise_s: float, fall_s: float, every_s: float) -> Wave:
    """Power every 20 ms of swells that rise and fall by 30 dB."""
    seconds = np.arange(150) * 0.02 % every_s
    fall_db = np.where(seconds < rise_s, 30.0 * (1.0 - seconds / rise_s), 30.0 * (seconds - rise_s) / fall_s)
    return np.asarray(10.0 ** (-np.minimum(fall_db, 30.0) / 10.0))


def test_syllables() -> None:
    """Swells of a syllable's length, a few a second; not struck, not ringing on, not slower or faster."""
    assert is_syllables(_level(0.15, 0.15, 0.3), slot_s=0.02)
    assert is_syllables(_level(0.25, 0.25, 0.6), slot_s=0.02)
    assert not is_syllables(_level(0.01, 0.25, 0.3), slot_s=0.02)
    assert not is_syllables(_level(0.1, 2.0, 0.6), slot_s=0.02)
    assert not is_syllables(_level(0.4, 0.4, 0.9), slot_s=0.02)
    assert not is_syllables(_level(0.04, 0.04, 0.08), slot_s=0.02)
    assert not is_syllables(np.ones(100), slot_s=0.02)
    assert not is_syllables(np.zeros(0), slot_s=0.02)
