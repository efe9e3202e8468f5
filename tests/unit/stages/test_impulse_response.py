"""Impulse-response files as stages: time, level, polarity, length, mixture, rate."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from render.stages.equaliser import peaking
from render.stages.impulse_response import LEVEL_BAND_HZ, prepare_impulse_response
from render.stages.passes import low_pass
from tests.helpers.responses import fir_response, impulse_response_of

RATES_HZ = (8000, 44100, 48000, 88200, 96000, 192000)


def _body(frames: int = 4000, seed: int = 3) -> NDArray[np.float64]:
    """A direct arrival and a decaying, coloured rest."""
    random = np.random.default_rng(seed)
    taps = 0.3 * random.standard_normal(frames) * np.exp(-np.arange(frames) / 300.0)
    taps[0] = 1.0
    return taps


@pytest.mark.parametrize("height", [1.0, 0.3, 1e-4, 7.0])
@pytest.mark.parametrize("wet_fraction", [0.0, 0.37, 1.0])
@pytest.mark.parametrize("channels", [1, 2])
def test_an_impulse_of_any_height_and_place_is_a_wire(
    height: float, wet_fraction: float, channels: int
) -> None:
    """One tap of exactly 1 at time zero."""
    samples = np.zeros((500, channels))
    samples[317] = height
    fir = prepare_impulse_response(
        samples, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=wet_fraction
    )
    assert fir.lead_frames == 0
    np.testing.assert_array_equal(fir.taps, np.ones((1, channels)))


def test_polarity_is_kept() -> None:
    """A negative impulse turns the sound over."""
    fir = prepare_impulse_response([0.0, -0.5], file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    np.testing.assert_array_equal(fir.taps, [[-1.0]])


def test_dry_only_is_a_wire_whatever_the_file() -> None:
    """At wet_fraction 0 nothing of the file is heard, at any rate."""
    fir = prepare_impulse_response(_body(), file_rate_hz=44100, sample_rate_hz=48000, wet_fraction=0.0)
    np.testing.assert_array_equal(fir.taps, [[1.0]])
    assert fir.lead_frames == 0


@pytest.mark.parametrize("silence", [0, 1, 239, 240, 5000])
def test_silence_before_the_response_does_not_make_it_late(silence: int) -> None:
    """The main arrival is time zero."""
    alone = prepare_impulse_response(_body(), file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    late = prepare_impulse_response(
        np.concatenate([np.zeros(silence), _body(), np.zeros(100)]),
        file_rate_hz=48000,
        sample_rate_hz=48000,
        wet_fraction=1.0,
    )
    assert alone.lead_frames == late.lead_frames == 0
    np.testing.assert_allclose(late.taps, alone.taps, rtol=1e-12)


def test_noise_before_the_response_is_cut_but_for_five_milliseconds() -> None:
    """What is 80 dB below the largest does not make a pre-echo of a second."""
    noise = 2e-5 * np.random.default_rng(1).uniform(-1.0, 1.0, 48000)
    fir = prepare_impulse_response(
        np.concatenate([noise, _body()]), file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0
    )
    assert fir.lead_frames == 240


def test_what_comes_before_the_main_arrival_is_kept_as_lead() -> None:
    """A response of linear phase stays symmetrical about time zero."""
    taps = scipy.signal.firwin(401, 5700.0, fs=48000)
    fir = prepare_impulse_response(taps, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    assert fir.lead_frames == 200
    np.testing.assert_allclose(fir.taps, fir.taps[::-1], atol=1e-12)


def test_the_first_of_two_nearly_equal_arrivals_is_the_main_one() -> None:
    """A reflection one decibel louder than the direct sound does not take its place."""
    samples = np.zeros(300)
    samples[[50, 200]] = 0.9, 1.0
    fir = prepare_impulse_response(samples, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    assert fir.lead_frames == 0
    assert len(fir.taps) == 151


def test_a_soft_response_arrives_at_its_peak() -> None:
    """Of a low-pass the top of the rise is time zero, and dry is added there."""
    taps = impulse_response_of(
        low_pass(cutoff_hz=2000.0, slope_db_per_octave=24), sample_rate_hz=48000, frames=2000
    )
    fir = prepare_impulse_response(taps, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=0.5)
    wet = prepare_impulse_response(taps, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    assert wet.lead_frames == int(np.argmax(np.abs(taps)))
    assert fir.taps[fir.lead_frames, 0] == pytest.approx(0.5 + 0.5 * wet.taps[wet.lead_frames, 0])


@pytest.mark.parametrize("wet_fraction", [0.0, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_mixture_is_the_sum_of_dry_and_wet(wet_fraction: float, rate_hz: int) -> None:
    """(1 - w) at time zero and w times the convolved response."""
    mixed, wet = (
        fir_response(
            prepare_impulse_response(
                _body(), file_rate_hz=48000, sample_rate_hz=rate_hz, wet_fraction=fraction
            ),
            fft_frames=32768,
        )
        for fraction in (wet_fraction, 1.0)
    )
    np.testing.assert_allclose(mixed, (1.0 - wet_fraction) + wet_fraction * wet, atol=1e-6)


@pytest.mark.parametrize("scale", [1e-3, 0.5, 20.0])
def test_level_of_the_file_does_not_matter(scale: float) -> None:
    """Louder files are not louder; both channels get one gain."""
    pair = np.stack([_body(seed=1), 0.25 * _body(seed=2)], axis=1)
    one = prepare_impulse_response(pair, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    other = prepare_impulse_response(scale * pair, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    np.testing.assert_allclose(other.taps, one.taps, rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(one.taps[:, 1] / one.taps[0, 0], pair[:, 1], rtol=1e-12)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_mean_power_per_octave_is_one(rate_hz: int) -> None:
    """50 Hz to 10 kHz on a logarithmic axis; the same file at every rate of the take."""
    fir = prepare_impulse_response(_body(), file_rate_hz=44100, sample_rate_hz=rate_hz, wet_fraction=1.0)
    response = fir_response(fir, fft_frames=262144)[:, 0]
    lowest_hz, highest_hz = LEVEL_BAND_HZ
    frequency_hz = np.geomspace(lowest_hz, min(highest_hz, 0.45 * rate_hz), 20001)
    power = np.interp(frequency_hz, np.arange(len(response)) * rate_hz / 262144, np.abs(response) ** 2)
    tolerance_db = 0.02 if rate_hz > 20000 else 1.5  # at 8 kHz the top octave of the file is not there
    assert abs(10.0 * math.log10(power.mean())) < tolerance_db


def test_a_thin_resonance_is_not_blown_up() -> None:
    """A boost of 12 dB over a third of an octave moves the level by no more than a decibel or two."""
    taps = impulse_response_of(
        peaking(centre_hz=200.0, gain_db=12.0, q=4.3), sample_rate_hz=48000, frames=20000
    )
    fir = prepare_impulse_response(taps, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    assert -2.5 < 20.0 * math.log10(fir.taps[0, 0] / taps[0]) < 0.0


@pytest.mark.parametrize("file_rate_hz", RATES_HZ)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_another_rate_keeps_response_and_time(file_rate_hz: int, rate_hz: int) -> None:
    """An impulse is flat within 0.01 dB to 0.45 of the lower rate, and exactly in time."""
    samples = np.zeros(500)
    samples[123] = 0.5
    fir = prepare_impulse_response(
        samples, file_rate_hz=file_rate_hz, sample_rate_hz=rate_hz, wet_fraction=1.0
    )
    response = fir_response(fir, fft_frames=65536)[:, 0]
    frequency_hz = np.arange(len(response)) * rate_hz / 65536
    heard = response[frequency_hz <= 0.45 * min(file_rate_hz, rate_hz)]
    assert np.abs(20.0 * np.log10(np.abs(heard))).max() < 0.01
    assert np.abs(np.angle(heard)).max() < 1e-8


def test_silence_behind_the_response_is_cut() -> None:
    """What is below -150 dB at the end is not carried along."""
    samples = np.zeros(10000)
    samples[:3] = 1.0, 0.5, -0.25
    samples[5000] = 1e-9
    fir = prepare_impulse_response(samples, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)
    assert fir.taps.shape == (3, 1)


def test_the_samples_are_not_changed() -> None:
    """Read-only arrays will do, float32 as well."""
    samples = _body().astype(np.float32)
    samples.setflags(write=False)
    fir = prepare_impulse_response(samples, file_rate_hz=44100, sample_rate_hz=48000, wet_fraction=0.5)
    assert fir.taps.dtype == np.float64


@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.zeros((0, 1)), r"samples has shape \(0, 1\): must hold at least one frame"),
        (np.ones((4, 3)), "samples has 3 channels: must have 1 or 2"),
        (np.zeros((4, 2)), "samples holds only zeros"),
        (np.array([1.0, np.nan]), "samples holds values that are not finite"),
        (np.array([1.0, np.inf]), "samples holds values that are not finite"),
        (np.ones((2, 2, 2)), "samples must have shape"),
    ],
)
def test_what_is_no_impulse_response_is_refused(samples: NDArray[np.float64], message: str) -> None:
    """Empty, silent, broken, or of too many channels."""
    with pytest.raises(ValueError, match=message):
        prepare_impulse_response(samples, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)


def test_a_response_without_level_is_refused() -> None:
    """Where nothing lies between 50 Hz and 10 kHz there is nothing to set a level by."""
    window = scipy.signal.windows.kaiser(8192, 30.0)
    samples = window * np.cos(2.0 * np.pi * 20000.0 * np.arange(8192) / 48000.0)
    with pytest.raises(ValueError, match="samples holds nothing from 50 to 10000 Hz: level unknown"):
        prepare_impulse_response(samples, file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.0)


def test_wrong_numbers_are_refused() -> None:
    """By name, value and range."""
    with pytest.raises(ValueError, match=r"wet_fraction = 1.5: must be 0 to 1"):
        prepare_impulse_response([1.0], file_rate_hz=48000, sample_rate_hz=48000, wet_fraction=1.5)
    with pytest.raises(ValueError, match="file_rate_hz = 0: must be 1000 to"):
        prepare_impulse_response([1.0], file_rate_hz=0, sample_rate_hz=48000, wet_fraction=1.0)
    with pytest.raises(ValueError, match="sample_rate_hz = 0: must be 1000 to"):
        prepare_impulse_response([1.0], file_rate_hz=48000, sample_rate_hz=0, wet_fraction=1.0)
