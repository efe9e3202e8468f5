from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.delay import (
    AlignmentGauge,
    measure_alignment,
)
from render.analysis.frames import SpectralFrames
from tests.helpers.plucks import Path, Scene, play_scene, random_scene
from tests.helpers.signals import noise, sine

RATE = 24000


def copy_of(
    sound: NDArray[np.float64], *, frames: int, gain: float = 1.0, noise_rms: float = 1e-4
) -> NDArray[np.float64]:
    """A sound and its delayed copy, with a little noise of its own on each."""
    later = np.roll(sound, frames)
    both = np.stack([sound, gain * later], axis=1)
    return np.asarray(both + noise(len(sound), seed=99, rms=noise_rms), np.float64)


def guitar(seconds: float, *, seed: int = 5, scene: Scene | None = None) -> NDArray[np.float32]:
    """A take of the synthetic guitar."""
    return play_scene(scene or Scene((Path(), Path())), duration_s=seconds, sample_rate_hz=RATE, seed=seed)


@pytest.mark.parametrize("sample_rate_hz", [8000, 11025, 44100, 96000, 192000])
@pytest.mark.parametrize("frames", [-11, 0, 7])
def test_copy_at_every_rate(sample_rate_hz: int, frames: int) -> None:
    """A copy two seconds long, seven frames later or eleven earlier, is placed within 1/1000 of a frame."""
    audio = copy_of(noise(2 * sample_rate_hz, channels=1)[:, 0], frames=frames, noise_rms=1e-3)
    found = measure_alignment(audio, sample_rate_hz=sample_rate_hz)
    assert found.reason is None
    assert found.delay_s is not None
    assert found.uncertainty_s is not None
    assert found.delay_s * sample_rate_hz == pytest.approx(frames, abs=1e-3)
    assert found.uncertainty_s * sample_rate_hz < 0.01
    assert found.polarity == 1
    assert found.height > 0.97


@pytest.mark.parametrize("delay_s", [-0.045, -0.02, 0.0002, 0.005, 0.02, 0.045])
@pytest.mark.parametrize("gain", [1.0, -0.25])
def test_far_delays(delay_s: float, gain: float) -> None:
    """Delays of tens of milliseconds are as exact as short ones, whatever gain and polarity."""
    frames = round(delay_s * RATE)
    found = measure_alignment(
        copy_of(noise(8 * RATE, channels=1)[:, 0], frames=frames, gain=gain), sample_rate_hz=RATE
    )
    assert found.delay_s is not None
    assert found.delay_s * RATE == pytest.approx(frames, abs=0.01)
    assert found.polarity == (1 if gain > 0 else -1)
    assert found.polarity_sureness > 0.9


@pytest.mark.parametrize("fraction", [0.1, 0.37, 0.5, 0.83])
def test_fractions_of_a_frame_in_music(fraction: float) -> None:
    """A guitar and its copy, later by a fraction of a frame: within a fiftieth of a frame, inside the uncertainty."""
    scene = Scene((Path(), Path(delay_s=(3 + fraction) / RATE, gain=-1.0)))
    found = measure_alignment(guitar(5.0, scene=scene), sample_rate_hz=RATE)
    assert found.delay_s is not None
    assert found.uncertainty_s is not None
    error_s = found.delay_s - (3 + fraction) / RATE
    assert abs(error_s) * RATE < 0.02
    assert abs(error_s) <= found.uncertainty_s
    assert found.polarity == -1


@pytest.mark.parametrize(
    ("audio", "reason"),
    [
        (np.zeros((0, 2)), "too-short"),
        (np.ones((1, 2)), "too-short"),
        (noise(RATE // 2), "too-short"),
        (np.zeros((3 * RATE, 2)), "silent-source"),
        (np.full((3 * RATE, 2), 0.5), "silent-source"),
        (noise(3 * RATE) * np.array([[1.0, 0.0]]), "silent-source"),
        (noise(3 * RATE), "no-coherence"),
        (np.sign(noise(3 * RATE)), "no-coherence"),
        (sine(220.0, duration_s=3.0, sample_rate_hz=RATE), "no-coherence"),
    ],
    ids=["nothing", "one frame", "half a second", "silence", "DC", "one dead", "noises", "squares", "sine"],
)
def test_no_answer_has_a_reason(audio: NDArray[np.float64], reason: str) -> None:
    """Where nothing can be told there is no figure, but a word why."""
    found = measure_alignment(audio, sample_rate_hz=RATE)
    if reason == "silent-source" and float(np.ptp(audio)) == 0.0 and np.any(audio):
        assert found.reason in ("silent-source", "no-coherence")  # what rounding leaves of DC
    else:
        assert found.reason == reason
    assert found.delay_s is None
    assert found.uncertainty_s is None
    assert found.polarity is None
    assert found.polarity_sureness == 0.0
    assert not found.steadiness.drifting
    assert not found.same_signal


def test_two_equal_paths_are_ambiguous() -> None:
    """A direct sound and an equally loud echo 4 ms later: no saying which of them is the source."""
    sound = noise(6 * RATE, channels=1)[:, 0]
    echo = sound + np.roll(sound, round(0.004 * RATE))
    found = measure_alignment(np.stack([sound, echo], axis=1), sample_rate_hz=RATE)
    assert found.reason == "ambiguous"
    assert found.delay_s is None


def test_near_echo_is_in_the_uncertainty() -> None:
    """An equally loud echo half a millisecond later leaves an answer whose uncertainty covers both."""
    sound = noise(6 * RATE, channels=1)[:, 0]
    echo = sound + np.roll(sound, 12)
    found = measure_alignment(np.stack([sound, echo], axis=1), sample_rate_hz=RATE)
    assert found.delay_s is not None
    assert found.uncertainty_s is not None
    for truth_s in (0.0, 0.0005):
        assert abs(found.delay_s - truth_s) <= found.uncertainty_s


@pytest.mark.parametrize("gain", [1.0, -0.3])
def test_one_signal_on_two_tracks(gain: float) -> None:
    """A mono cable, whatever gain, polarity and noise of the inputs, leaves less than -35 dB."""
    sound = guitar(4.0)[:, 0].astype(np.float64)
    audio = np.stack([sound, gain * sound], axis=1)
    audio += noise(len(sound), seed=3) * np.array(
        [[1e-3, 1e-2]]
    )  # 10 and 100 times as much as such inputs have
    found = measure_alignment(audio, sample_rate_hz=RATE)
    assert found.likeness is not None
    assert found.same_signal
    assert found.likeness.gain_db == pytest.approx(20 * np.log10(abs(gain)), abs=0.1)
    assert found.polarity == np.sign(gain)


@pytest.mark.parametrize("kind", ["filters", "reflections", "body", "strings", "dark", "modes"])
def test_two_sources_are_not_one_signal(kind: str) -> None:
    """Two sources of one guitar leave more than -20 dB of each other."""
    scene = random_scene(kind, seed=21).scene
    scene = replace(scene, paths=(scene.paths[0], replace(scene.paths[1], delay_s=0.0)))
    found = measure_alignment(guitar(4.0, scene=scene), sample_rate_hz=RATE)
    assert found.likeness is not None
    assert found.likeness.residual_db > -20.0
    assert not found.same_signal


def test_one_frame_later_is_not_the_same_signal() -> None:
    """A copy one frame at 48 kHz later is a delayed copy, not one signal."""
    scene = Scene((Path(), Path(delay_s=1 / 48000)))
    assert not measure_alignment(guitar(4.0, scene=scene), sample_rate_hz=RATE).same_signal


def test_curves() -> None:
    """Coherence and delay per third octave show what filters and noise do; the track is level."""
    scene = Scene((Path(), Path(delay_s=0.0005, low_pass_hz=(2000.0,))), noise_rms=(1e-5, 1e-3))
    found = measure_alignment(guitar(12.0, scene=scene), sample_rate_hz=RATE)
    curves = found.curves
    assert curves.frequency_hz[0] == pytest.approx(63.1, abs=0.1)
    assert curves.coherence.shape == curves.delay_ms.shape == curves.frequency_hz.shape
    strong = (curves.frequency_hz > 200) & (curves.frequency_hz < 1000)
    assert np.all(curves.coherence[strong] > 0.6)
    assert np.all(curves.coherence[curves.frequency_hz > 9000] < 0.1)
    # sqrt(2) / (2 pi 2000 Hz): delay of a Butterworth low-pass of second order far below its corner
    assert curves.delay_ms[strong] == pytest.approx(0.5 + 0.1125, abs=0.03)
    assert np.all(np.isnan(curves.track_ms) | (np.abs(curves.track_ms - 1e3 * (found.delay_s or 0)) < 0.02))
    assert len(curves.at_s) == len(curves.track_ms)


def test_stream_is_the_same_as_the_array() -> None:
    """The gauge fed block by block gives what the function gives, to the bit."""
    audio = guitar(6.0, scene=random_scene("body", seed=3).scene)
    whole = measure_alignment(audio, sample_rate_hz=RATE)
    frames = SpectralFrames(sample_rate_hz=RATE)
    gauge = AlignmentGauge(frames)
    for first in range(0, len(audio), 9999):
        spectra = frames.add(audio[first : first + 9999])
        if spectra is not None:
            gauge.add(spectra)
    last = frames.finish()
    if last is not None:
        gauge.add(last)
    found = gauge.result()
    assert found.delay_s == whole.delay_s
    assert found.uncertainty_s == whole.uncertainty_s
    assert found.steadiness == whole.steadiness
    assert found.likeness == whole.likeness
    assert len(gauge.cross().windows) >= 2


def test_refusals() -> None:
    """Mono and impossible rates are refused."""
    with pytest.raises(ValueError, match=r"audio must have shape \(frames, 2\), not \(10, 1\)"):
        measure_alignment(np.zeros((10, 1)), sample_rate_hz=RATE)
    with pytest.raises(ValueError, match=r"sample_rate_hz = -1: must be greater than 0"):
        measure_alignment(np.zeros((10, 2)), sample_rate_hz=-1)
