"""Every listening condition, on the samples: the page's own graph on an offline context."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from playwright.sync_api import Error, Page

from tests.browser.samples import Samples, noise, packed, unpacked
from tests.helpers.source import source


def through(modules: Page, name: str, audio: Samples, *, rate: int = 48000) -> Samples:
    """Sound, heard that way."""
    return unpacked(
        modules.evaluate("throughCondition", {"name": name, "channels": packed(audio), "rate": rate})
    )


@pytest.mark.parametrize(
    ("name", "left", "right"),
    [("mono", 0.5, 0.5), ("left", 1.0, 0.0), ("right", 0.0, 1.0), ("side", 0.5, -0.5)],
)
def test_one_channel_on_both_sides(modules: Page, name: str, left: float, right: float) -> None:
    """Mono, left, right and side put a weighted sum of the channels on both sides."""
    audio = noise(9600)
    expected = left * audio[:, 0] + right * audio[:, 1]
    heard = through(modules, name, audio)
    assert np.abs(heard - expected[:, np.newaxis]).max() <= 1e-7


def test_stereo_is_untouched(modules: Page) -> None:
    """Stereo is the file, sample by sample."""
    audio = noise(9600)
    assert np.array_equal(through(modules, "stereo", audio), audio)


def test_side_of_mono_is_silence(modules: Page) -> None:
    """What is alike on both sides is not on the side."""
    audio = noise(4800)
    audio[:, 1] = audio[:, 0]
    assert not through(modules, "side", audio).any()


@source(
    "S. Butterworth, On the Theory of Filter Amplifiers, 1930; scipy.signal.butter, order 4, as another implementation",
    kind="library",
    tolerance="3e-6 of full scale, -90 dB of the noise: single precision between sections, worst at 96 kHz",
)
@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_small_loudspeaker(modules: Page, rate: int) -> None:
    """A small loudspeaker is the mono sum between two Butterworth filters of 24 dB per octave."""
    audio = noise(rate // 4)
    expected = audio.astype(np.float64).mean(axis=1)
    for cutoff_hz, kind in ((300.0, "highpass"), (8000.0, "lowpass")):
        expected = scipy.signal.sosfilt(
            scipy.signal.butter(4, cutoff_hz, kind, fs=rate, output="sos"), expected
        )
    heard = through(modules, "small", audio, rate=rate)
    assert np.abs(heard - expected[:, np.newaxis]).max() <= 3e-6


@source(
    "Butterworth response, closed form: 1 / (1 + (f / fc)^8)",
    kind="closed form",
    tolerance="0.1 dB at the corners: the other filter's share; 0.7 dB an octave below",
)
def test_small_loudspeaker_band(modules: Page) -> None:
    """It is 3 dB down at 300 Hz and 8 kHz, 24 dB an octave below."""
    impulse = np.zeros((48000, 2), np.float32)
    impulse[0] = 1.0
    response = np.abs(np.fft.rfft(through(modules, "small", impulse)[:, 0].astype(np.float64)))
    level_db = 20.0 * np.log10(response[[150, 300, 1500, 8000]])
    assert level_db == pytest.approx([-24.1, -3.01, 0.0, -3.01], abs=0.1)


def test_unknown_condition_is_refused(modules: Page) -> None:
    """A condition that is not there is an error, not silence."""
    with pytest.raises(Error, match="no listening condition is called hall"):
        through(modules, "hall", noise(10))
