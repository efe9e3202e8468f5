"""Where sound begins and ends; knocks, pauses, talk and tuning."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.ends import Ends, measure_ends
from render.analysis.envelope import EnvelopeGauge
from tests.helpers.rehearsal import Player, hiss, strings, talk, two_sources
from tests.helpers.signals import noise

RATE_HZ = 16_000
Wave = NDArray[np.float64]


def _guitar(seed: int, duration_s: float, **habits: float) -> Wave:
    player = Player(notes_per_s=1.0 + seed % 4, **habits)  # type: ignore[arg-type]
    return two_sources(
        strings(duration_s, sample_rate_hz=RATE_HZ, seed=seed, player=player), sample_rate_hz=RATE_HZ
    )


def _room(take: Wave, seed: int) -> Wave:
    return take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed, dbfs=(-80.0, -68.0))


def _rest(duration_s: float) -> Wave:
    return np.zeros((round(duration_s * RATE_HZ), 2))


def test_begin_of_sound() -> None:
    """The first note is found within 50 ms, whatever the room tone before it; nothing else is told of a clean take."""
    for seed in range(8):
        lead_s = 0.5 + 0.4 * seed
        found = measure_ends(
            _room(_guitar(seed, 20.0, lead_s=lead_s, tail_s=5.0), seed), sample_rate_hz=RATE_HZ
        )
        assert found.sound_from_s == pytest.approx(lead_s, abs=0.05)
        assert found.sound_to_s is not None
        assert 14.0 < found.sound_to_s <= 20.0
        assert found.parts == ()
        assert found.playing_from_s == found.sound_from_s


@pytest.mark.parametrize("hiss_dbfs", [-100.0, -80.0, -60.0])
def test_sound_that_stops_at_once(hiss_dbfs: float) -> None:
    """Where sound stops within 5 ms, its end is found within 50 ms, whatever the hiss after it."""
    random = np.random.default_rng(round(-hiss_dbfs))
    seconds = np.arange(9 * RATE_HZ) / RATE_HZ
    for _ in range(6):
        first, last = (round(RATE_HZ * random.uniform(*at_s)) for at_s in ((0.8, 2.0), (5.5, 7.5)))
        gate = np.interp(np.arange(len(seconds)), (first, first + 80, last - 80, last), (0.0, 1.0, 1.0, 0.0))
        tone = 0.2 * np.sin(2.0 * np.pi * 196.0 * seconds) * np.exp(-3.0 * (seconds * 2.0 % 1.0))
        take = (gate * tone)[:, np.newaxis] * (1.0, 0.7)
        take = take + noise(len(take), rms=10.0 ** (hiss_dbfs / 20.0), seed=int(random.integers(1000)))
        found = measure_ends(take, sample_rate_hz=RATE_HZ)
        assert found.sound_from_s == pytest.approx(first / RATE_HZ, abs=0.05)
        assert found.sound_to_s == pytest.approx(last / RATE_HZ, abs=0.05)


@pytest.mark.parametrize("fall_db_per_s", [6.0, 20.0, 60.0])
def test_sound_that_dies_away_is_not_cut(fall_db_per_s: float) -> None:
    """A last note ends where it is 5 dB over the noise, or 55 dB under the playing, neither sooner nor later."""
    seconds = np.arange(15 * RATE_HZ) / RATE_HZ
    fall_db = np.maximum(0.0, seconds - 3.0) * fall_db_per_s
    tone = 0.2 * np.sin(2.0 * np.pi * 196.0 * seconds) * 10.0 ** (-fall_db / 20.0) * (seconds >= 1.0)
    for hiss_dbfs in (-70.0, -110.0):
        take = tone[:, np.newaxis] * (1.0, 0.7) + noise(len(tone), rms=10.0 ** (hiss_dbfs / 20.0))
        found = measure_ends(take, sample_rate_hz=RATE_HZ)
        over_db = 10.0 * np.log10(10.0**0.5 - 1.0)  # with the noise, 5 dB over it
        under_db = min(-17.0 - (hiss_dbfs + over_db), 55.0)
        assert found.sound_to_s is not None
        # the playing, in the mean, is up to 3 dB softer than its loudest
        assert found.sound_to_s - 3.0 == pytest.approx(
            under_db / fall_db_per_s, abs=0.05 + 3.0 / fall_db_per_s
        )


def test_knocks_are_left_out() -> None:
    """A knock well before the first note, and one after the last has died away, are no sound of the take."""
    seconds = np.arange(round(0.25 * RATE_HZ)) / RATE_HZ
    knock = (0.1 * np.exp(-seconds / 0.03) * np.sin(2.0 * np.pi * 90.0 * seconds))[:, np.newaxis]
    for seed in range(4):
        take = _guitar(seed, 24.0, lead_s=2.5, tail_s=9.0, ring_s=4.0)
        take[800 : 800 + len(knock)] += knock
        take[-8000 : -8000 + len(knock)] += knock
        found = measure_ends(_room(take, seed), sample_rate_hz=RATE_HZ)
        assert found.sound_from_s == pytest.approx(2.5, abs=0.05)
        assert found.sound_to_s is not None
        assert found.sound_to_s < 23.0


@pytest.mark.parametrize("at_end", [False, True])
def test_talk(at_end: bool) -> None:
    """Talk before or after a pause, loud in the microphone and 30 dB less in the pickup, is told with its source."""
    for seed in range(5):
        music = _guitar(seed, 22.0, lead_s=0.2, tail_s=4.0)
        voice = talk(2.0 + 0.5 * seed, sample_rate_hz=RATE_HZ, seed=seed)
        spoken = np.stack([0.03 * voice, voice], axis=1) * 10.0 ** (-0.15 * seed)
        parts = (music, _rest(2.5), spoken, _rest(1.0)) if at_end else (_rest(0.5), spoken, _rest(2.5), music)
        found = measure_ends(_room(np.concatenate(parts), seed), sample_rate_hz=RATE_HZ)
        assert [(part.kind, part.source) for part in found.parts] == [("talk", 1)]
        assert found.parts[0].sureness >= 0.5
        expected_s = 24.5 if at_end else 0.5
        assert found.parts[0].from_s == pytest.approx(expected_s, abs=0.4)
        assert found.playing_from_s is not None
        assert found.playing_to_s is not None
        assert found.playing_to_s < 24.0 if at_end else found.playing_from_s > expected_s + 4.0


def _notes(*notes: tuple[float, tuple[tuple[float, float], ...]]) -> Wave:
    """Notes of 2.4 s one after the other, each a pitch in Hz and its bends: (seconds, cents)."""
    seconds = np.arange(round(2.2 * RATE_HZ)) / RATE_HZ
    wave = np.zeros(round((2.4 * len(notes) + 0.3) * RATE_HZ))
    for number, (pitch_hz, bends) in enumerate(notes):
        at_s, to_cents = np.array(bends).T
        cents = np.interp(seconds, at_s, to_cents)
        turns = 2.0 * np.pi * np.cumsum(pitch_hz * 2.0 ** (cents / 1200.0)) / RATE_HZ
        note = sum(0.1 * np.cos(p * turns) / p * np.exp(-(0.8 + 0.3 * p) * seconds) for p in range(1, 7))
        first = round((0.3 + 2.4 * number) * RATE_HZ)
        wave[first : first + len(seconds)] += note * np.minimum(1.0, (2.2 - seconds) / 0.02)
    return two_sources(wave, sample_rate_hz=RATE_HZ)


def _before_music(part: Wave, seed: int) -> Ends:
    music = _guitar(seed, 22.0, lead_s=0.2, tail_s=3.0)
    return measure_ends(_room(np.concatenate([part, _rest(2.5), music]), seed), sample_rate_hz=RATE_HZ)


def _still(cents: float) -> tuple[tuple[float, float], ...]:
    return ((0.0, cents), (3.0, cents))


@pytest.mark.parametrize("seed", range(4))
def test_tuning(seed: int) -> None:
    """Strings that come into tune before a pause: turned while they ring, struck again and again, or let down."""
    off = 28.0 + 6.0 * seed
    slowly = ((0.0, off), (0.5, off), (1.6, 0.0))
    ringing = _notes((110.0, slowly), (196.0, tuple((at, -cents) for at, cents in slowly)))
    struck = _notes((110.0, _still(-off)), (110.0, _still(-0.4 * off)), (110.0, _still(0.0)))
    let_down = _notes((82.407, ((0.0, 0.0), (0.4, 0.0), (1.6, -200.0))))
    for part in (ringing, struck, let_down):
        assert [found.kind for found in _before_music(part, seed).parts] == ["tuning"]


@pytest.mark.parametrize("seed", range(4))
def test_what_a_left_hand_does_is_no_tuning(seed: int) -> None:
    """Bends up and let down again, slow and quick, quarter tones, a slide, vibrato, a phrase before a pause."""
    later = 0.4 + 0.2 * seed
    bent = _notes(
        (220.0, ((0.0, 0.0), (0.2, 0.0), (0.2 + later, 50.0))),
        (329.63, ((0.0, 0.0), (0.1, 0.0), (0.1 + later, 100.0))),
        (293.66, ((0.0, 200.0), (0.3, 200.0), (0.6, 0.0))),
        (246.94, ((0.0, 0.0), (0.2, 0.0), (0.5, 300.0))),
    )
    wobbles = tuple((0.02 * at, 25.0 * float(np.sin(0.6 * at))) for at in range(110))
    trembling = _notes((146.83, _still(0.0)), (220.0, wobbles), (246.94, wobbles))
    phrase = _guitar(seed + 9, 7.0, lead_s=0.4, tail_s=2.5, ring_s=4.0)
    for part in (bent, trembling, phrase):
        assert _before_music(part, seed).parts == ()


def test_pauses() -> None:
    """A rest of five seconds is told with its ends, one of a second is not."""
    first, second = (
        _guitar(1, 12.0, tail_s=2.0, ring_s=3.0),
        _guitar(2, 12.0, lead_s=0.0, tail_s=2.0, ring_s=3.0),
    )
    found = measure_ends(_room(np.concatenate([first, _rest(5.0), second]), 1), sample_rate_hz=RATE_HZ)
    assert len(found.pauses) == 1
    assert found.pauses[0][1] == pytest.approx(17.0, abs=0.1)
    assert 10.0 < found.pauses[0][0] < 14.0
    found = measure_ends(
        _room(np.concatenate([first[: 10 * RATE_HZ], _rest(0.5), second]), 1), sample_rate_hz=RATE_HZ
    )
    assert found.pauses == ()


def test_no_sound_at_all() -> None:
    """Noise alone, silence and one frame hold no sound; playing without rest sounds from end to end."""
    nothing = Ends(None, None, None, None)
    assert measure_ends(noise(10 * RATE_HZ, rms=1e-3), sample_rate_hz=RATE_HZ) == nothing
    assert measure_ends(np.zeros((10 * RATE_HZ, 2)), sample_rate_hz=RATE_HZ) == nothing
    assert measure_ends(np.zeros((1, 2)), sample_rate_hz=RATE_HZ) == nothing
    playing = _room(_guitar(3, 14.0, lead_s=0.0, tail_s=0.0), 3)
    found = measure_ends(playing, sample_rate_hz=RATE_HZ)
    assert found.sound_from_s == pytest.approx(0.0, abs=0.05)
    assert found.sound_to_s == pytest.approx(14.0, abs=0.1)


def test_envelope_in_blocks() -> None:
    """Mean squares every 20 ms about their own mean are the same whatever the blocks, the last slot left out."""
    take = noise(12_345, seed=4) + 0.3
    whole = EnvelopeGauge(sample_rate_hz=RATE_HZ)
    whole.add(take)
    pieces = EnvelopeGauge(sample_rate_hz=RATE_HZ)
    for first in range(0, len(take), 101):
        pieces.add(take[first : first + 101])
    slots = take[: 38 * 320].reshape(38, 320, 2)
    assert whole.result().power == pytest.approx(slots.var(axis=1), rel=1e-3)
    assert pieces.result().power == pytest.approx(whole.result().power, rel=1e-3)
