"""First sound, end of a tail, fades."""

from __future__ import annotations

import numpy as np
import pytest

from render.finish.ends import fade_gain, first_sound_frame, tail_frames
from render.finish.loudness import measure_slots
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


def test_fades_are_mirror_images_and_meet_the_middle() -> None:
    """Raised cosine: half way at half its length, from nearly 0 to nearly 1."""
    gain = fade_gain(0, 100, frames=100, fade_in_frames=20, fade_out_frames=20)
    assert np.array_equal(gain, gain[::-1])
    assert gain[:20] == pytest.approx(0.5 - 0.5 * np.cos(np.pi * (np.arange(20) + 0.5) / 20))
    assert (gain[20:80] == 1.0).all()
    assert gain[9] + gain[10] == pytest.approx(1.0)


@pytest.mark.parametrize(("fade_in", "fade_out"), [(0, 0), (7, 0), (0, 9), (30, 80), (200, 300)])
def test_fades_are_the_same_in_pieces(fade_in: int, fade_out: int) -> None:
    """Also where they overlap or are longer than the file."""
    settings = {"frames": 100, "fade_in_frames": fade_in, "fade_out_frames": fade_out}
    whole = fade_gain(0, 100, **settings)
    pieces = [fade_gain(a, b, **settings) for a, b in ((0, 1), (1, 25), (25, 25), (25, 99), (99, 100))]
    assert np.array_equal(whole, np.concatenate(pieces))
    assert (whole > 0.0).all()
    assert (whole <= 1.0).all()


def test_a_negative_fade_is_refused() -> None:
    """The parameter is named."""
    with pytest.raises(ValueError, match="fade_in_frames must be 0 or more, not -1"):
        fade_gain(0, 10, frames=10, fade_in_frames=-1, fade_out_frames=0)


@pytest.mark.parametrize("hiss_db", [-150.0, -75.0, -55.0])
@pytest.mark.parametrize("start_s", [0.0, 0.313, 1.5])
def test_first_sound_is_found_through_hiss(hiss_db: float, start_s: float) -> None:
    """A take of strings behind some silence, without noise, with some and with much."""
    strings = plucks(2.0, sample_rate_hz=RATE_HZ, seed=4)[round(0.05 * RATE_HZ) :]
    start = round(start_s * RATE_HZ)
    audio = np.concatenate([np.zeros((start, 2)), strings])
    audio += noise(len(audio), seed=5, rms=10.0 ** (hiss_db / 20.0))
    store = np.asfortranarray(audio, np.float32)
    found = first_sound_frame(store, sample_rate_hz=RATE_HZ)
    assert found is not None
    assert abs(found - start) <= 0.005 * RATE_HZ
    slots = measure_slots(store, sample_rate_hz=RATE_HZ)
    assert first_sound_frame(store, sample_rate_hz=RATE_HZ, slots=slots) == found


def test_a_click_in_the_silence_is_no_beginning() -> None:
    """One slot alone does not count."""
    audio = np.concatenate([np.zeros((RATE_HZ, 2)), plucks(1.0, sample_rate_hz=RATE_HZ)])
    audio[RATE_HZ // 3] = 0.2
    found = first_sound_frame(audio, sample_rate_hz=RATE_HZ)
    assert found == pytest.approx(RATE_HZ * 1.05, abs=0.005 * RATE_HZ)


def test_a_take_without_a_pause_is_not_cut() -> None:
    """Its quietest part is no noise floor."""
    seconds = np.arange(2 * RATE_HZ) / RATE_HZ
    wave = (0.12 + 0.1 * np.sin(2.0 * np.pi * seconds)) * np.sin(2.0 * np.pi * 220.0 * seconds + 0.5)
    assert first_sound_frame(np.stack([wave, wave], axis=1), sample_rate_hz=RATE_HZ) == 0


def test_silence_has_no_first_sound() -> None:
    """Nor has nothing at all."""
    assert first_sound_frame(np.zeros((5_000, 2)), sample_rate_hz=RATE_HZ) is None
    assert first_sound_frame(np.zeros((0, 2)), sample_rate_hz=RATE_HZ) is None


@pytest.mark.parametrize("at", [0, 700, 1_900])
def test_a_very_short_sound_is_found(at: int) -> None:
    """Shorter than the rule's own lengths, or a lone click: then the click is the sound."""
    audio = np.zeros((2_000, 2))
    audio[at] = 0.5
    found = first_sound_frame(audio, sample_rate_hz=RATE_HZ)
    assert found is not None
    assert 0 <= at - found < 960


def test_a_tail_ends_when_it_has_fallen() -> None:
    """An exponential of 0.5 s reverberation time ends after 0.5 s; half of that for 30 dB."""
    decay = 10.0 ** (-3.0 * np.arange(RATE_HZ) / (0.5 * RATE_HZ))
    response = decay[:, np.newaxis, np.newaxis] * np.ones((1, 2, 2))
    assert tail_frames(response) == pytest.approx(0.5 * RATE_HZ, rel=0.01)
    assert tail_frames(response, fall_db=30.0) == pytest.approx(0.25 * RATE_HZ, rel=0.01)
    assert tail_frames(np.zeros((10, 2, 2))) == 0
    assert tail_frames(np.zeros((0, 2, 2))) == 0
    with pytest.raises(ValueError, match="fall_db must be greater than 0, not 0"):
        tail_frames(response, fall_db=0.0)
