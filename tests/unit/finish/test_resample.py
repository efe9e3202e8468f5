"""The sample-rate converter: cuts, lengths, time zero, refusals. Its quality: tests/reference/test_resample.py."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from render.finish.resample import Resampler, resample, resampled_frames
from tests.helpers.signals import impulse, noise

RATES_HZ = [(48000, 44100), (44100, 48000), (96000, 48000), (44100, 192000), (48000, 47999)]


@pytest.mark.parametrize(("from_hz", "to_hz"), RATES_HZ)
def test_cuts_do_not_change_one_bit(from_hz: int, to_hz: int) -> None:
    """Blocks of a single frame, of odd lengths, of many chunks at once."""
    audio = noise(30011, seed=5)
    whole = resample(audio, sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    for cuts in ((1, 2, 3), (8192, 16384), (8191, 8193, 29999), (), tuple(range(100, 30000, 977))):
        stream = Resampler(sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
        edges = (0, *cuts, len(audio))
        parts = [stream.process(audio[first:last]) for first, last in pairwise(edges)]
        np.testing.assert_array_equal(np.concatenate([*parts, stream.finish()]), whole)


@pytest.mark.parametrize(("from_hz", "to_hz"), RATES_HZ)
@pytest.mark.parametrize("frames", [0, 1, 2, 1000, 8192, 10001])
def test_length_is_the_nearest_whole_number_of_frames(from_hz: int, to_hz: int, frames: int) -> None:
    """Of the same time at the other rate."""
    result = resample(noise(frames), sample_rate_hz=from_hz, new_sample_rate_hz=to_hz)
    assert result.shape == (resampled_frames(frames, sample_rate_hz=from_hz, new_sample_rate_hz=to_hz), 2)
    assert abs(len(result) - frames * to_hz / from_hz) <= 0.5


def test_half_a_frame_goes_up() -> None:
    """In whole-number arithmetic, so that it also holds for a long take."""
    assert resampled_frames(3, sample_rate_hz=96000, new_sample_rate_hz=48000) == 2
    assert resampled_frames(2**53 + 1, sample_rate_hz=48000, new_sample_rate_hz=96000) == 2**54 + 2


def test_time_zero_stays() -> None:
    """An impulse at 0.2 s is at 0.2 s."""
    result = resample(impulse(20000, at=9600), sample_rate_hz=48000, new_sample_rate_hz=44100)
    assert int(np.abs(result[:, 0]).argmax()) == 8820


def test_equal_rates_pass_the_sound_through() -> None:
    """To the bit, block by block."""
    audio = noise(5000)
    np.testing.assert_array_equal(resample(audio, sample_rate_hz=48000, new_sample_rate_hz=48000), audio)


def test_each_channel_as_if_alone() -> None:
    """Any number of channels; the input is not changed."""
    audio = noise(9000, channels=3)
    audio.flags.writeable = False
    together = resample(audio, sample_rate_hz=48000, new_sample_rate_hz=44100)
    assert together.flags.f_contiguous
    for channel in range(3):
        alone = resample(audio[:, channel], sample_rate_hz=48000, new_sample_rate_hz=44100)
        np.testing.assert_array_equal(alone[:, 0], together[:, channel])


def test_silence_stays_silent_and_level_is_kept() -> None:
    """Twice the input is twice the result."""
    silence = resample(np.zeros((9000, 2)), sample_rate_hz=48000, new_sample_rate_hz=44100)
    assert not silence.any()
    audio = noise(9000)
    once, twice = (
        resample(gain * audio, sample_rate_hz=48000, new_sample_rate_hz=44100) for gain in (1.0, 2.0)
    )
    np.testing.assert_array_equal(twice, 2.0 * once)


@pytest.mark.parametrize("name", ["sample_rate_hz", "new_sample_rate_hz", "channels"])
def test_refuses_nothing_hertz(name: str) -> None:
    """Parameter and range are named."""
    arguments = {"sample_rate_hz": 48000, "new_sample_rate_hz": 44100, "channels": 2} | {name: 0}
    with pytest.raises(ValueError, match=f"^{name} must be 1 or more, not 0"):
        Resampler(**arguments)


def test_refuses_blocks_that_do_not_fit() -> None:
    """Another number of channels, values that are no numbers, anything after the end."""
    stream = Resampler(sample_rate_hz=48000, new_sample_rate_hz=44100)
    with pytest.raises(ValueError, match="block must have 2 channels, not 1"):
        stream.process(np.zeros((10, 1)))
    with pytest.raises(ValueError, match="block holds values that are not finite"):
        stream.process(np.full((10, 2), np.nan))
    stream.finish()
    with pytest.raises(ValueError, match="block must come before finish"):
        stream.process(np.zeros((10, 2)))
    with pytest.raises(ValueError, match="must be called once"):
        stream.finish()
