"""Properties of every stage, over random numbers and all sample rates."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.stages.delay import fractional_delay
from render.stages.equaliser import all_pass, high_shelf, low_shelf, notch, peaking
from render.stages.impulse_response import prepare_impulse_response
from render.stages.minimum_phase import chain_frames, chain_response, discrete_response
from render.stages.passes import high_pass, low_pass
from render.stages.placement import Array, apply_side_response, place_gains
from render.stages.prototype import Prototype, analogue_response
from tests.helpers.responses import fir_response

RATES_HZ = (8000, 44100, 48000, 88200, 96000, 192000)
FFT_FRAMES = 8192

frequencies_hz = st.floats(np.log(20.0), np.log(20000.0)).map(lambda x: float(np.exp(x)))
qualities = st.floats(np.log(0.1), np.log(30.0)).map(lambda x: float(np.exp(x)))
gains_db = st.floats(-24.0, 24.0)
slopes = st.sampled_from([6, 12, 18, 24])

minimum_phase_stages = st.one_of(
    st.builds(lambda f, s: high_pass(cutoff_hz=f, slope_db_per_octave=s), frequencies_hz, slopes),
    st.builds(lambda f, s: low_pass(cutoff_hz=f, slope_db_per_octave=s), frequencies_hz, slopes),
    st.builds(lambda f, g, q: peaking(centre_hz=f, gain_db=g, q=q), frequencies_hz, gains_db, qualities),
    st.builds(lambda f, g, q: low_shelf(corner_hz=f, gain_db=g, q=q), frequencies_hz, gains_db, qualities),
    st.builds(lambda f, g, q: high_shelf(corner_hz=f, gain_db=g, q=q), frequencies_hz, gains_db, qualities),
    st.builds(lambda f, q: notch(centre_hz=f, q=q), frequencies_hz, qualities),
)
all_passes = st.builds(lambda f, q: all_pass(centre_hz=f, q=q), st.floats(20.0, 3600.0), qualities)
stages = st.one_of(minimum_phase_stages, all_passes)
impulse_responses = st.builds(
    lambda seed, frames, channels: np.random.default_rng(seed).standard_normal((frames, channels)),
    st.integers(0, 1000),
    st.integers(1, 400),
    st.sampled_from([1, 2]),
)


def _heard(rate_hz: int) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Bins from 20 Hz to 20 kHz or 0.45 of the rate, and all their frequencies."""
    frequency_hz = np.arange(FFT_FRAMES // 2 + 1) * rate_hz / FFT_FRAMES
    highest_hz = min(20000.0, max(0.45 * rate_hz, 0.4536 * rate_hz if rate_hz == 44100 else 0.0))
    return (frequency_hz >= 20.0) & (frequency_hz <= highest_hz), frequency_hz


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@given(stage=stages)
def test_magnitude_is_the_prototypes(stage: Prototype, rate_hz: int) -> None:
    """Within 0.001 dB, 20 Hz to 20 kHz, whatever the rate."""
    heard, frequency_hz = _heard(rate_hz)
    response = np.abs(discrete_response(stage, sample_rate_hz=rate_hz, fft_frames=FFT_FRAMES)[heard])
    expected = np.abs(analogue_response(stage, frequency_hz[heard]))
    # 1e-10: at the very bottom of a notch both are rounding
    assert (
        np.abs(response - expected) <= expected * (10.0 ** (0.001 / 20.0) - 1.0) + 1e-10 * expected.max()
    ).all()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@settings(max_examples=25)
@given(chain=st.lists(stages, min_size=1, max_size=5))
def test_nothing_sounds_before_time_zero(chain: list[Prototype], rate_hz: int) -> None:
    """Below -200 dB of the largest frame in the last thousand frames of twice the length needed."""
    frames = chain_frames(chain, sample_rate_hz=rate_hz)
    assume(frames < 200000)
    fft_frames = 2 * scipy.fft.next_fast_len(frames, real=True)
    taps = scipy.fft.irfft(chain_response(chain, sample_rate_hz=rate_hz, fft_frames=fft_frames), fft_frames)
    largest = np.abs(taps).max()
    assert np.abs(taps[-1000:]).max() < 1e-10 * largest
    late = taps[fft_frames // 2 :]
    assert float((late**2).sum()) < 1e-15 * float((taps**2).sum())


@given(chain=st.lists(stages, min_size=2, max_size=4), data=st.data())
def test_order_does_not_matter(chain: list[Prototype], data: st.DataObject) -> None:
    """A linear chain sounds the same in any order."""
    other = data.draw(st.permutations(chain))
    one = chain_response(chain, sample_rate_hz=48000, fft_frames=FFT_FRAMES)
    two = chain_response(other, sample_rate_hz=48000, fft_frames=FFT_FRAMES)
    np.testing.assert_allclose(one, two, rtol=1e-9, atol=1e-12 * float(np.abs(one).max()))


@given(f=frequencies_hz, g=gains_db, q=qualities)
def test_boost_then_cut_is_a_wire(f: float, g: float, q: float) -> None:
    """At 44.1 kHz, where the top of the band is tightest."""
    for chain in (
        [peaking(centre_hz=f, gain_db=sign * g, q=q) for sign in (1, -1)],
        [low_shelf(corner_hz=f, gain_db=sign * g, q=q) for sign in (1, -1)],
        [high_shelf(corner_hz=f, gain_db=sign * g, q=q) for sign in (1, -1)],
    ):
        response = chain_response(chain, sample_rate_hz=44100, fft_frames=FFT_FRAMES)
        np.testing.assert_allclose(response, 1.0, atol=1e-9)


@given(delay_frames=st.floats(-300.0, 300.0))
def test_delay_is_right_and_flat(delay_frames: float) -> None:
    """Up to 20 kHz at 44.1 kHz, to 1e-8; there and back is a wire."""
    angle = 2.0 * np.pi * np.arange(FFT_FRAMES // 2 + 1) / FFT_FRAMES
    heard = angle <= 2.0 * np.pi * 20000.0 / 44100.0
    there = fir_response(fractional_delay(delay_frames=delay_frames), fft_frames=FFT_FRAMES)[heard, 0]
    back = fir_response(fractional_delay(delay_frames=-delay_frames), fft_frames=FFT_FRAMES)[heard, 0]
    np.testing.assert_allclose(there, np.exp(-1j * angle[heard] * delay_frames), atol=1e-8)
    np.testing.assert_allclose(there * back, 1.0, atol=1e-8)


@given(
    samples=impulse_responses,
    scale_db=st.floats(-60.0, 40.0),
    silence=st.integers(0, 2000),
    wet_fraction=st.floats(0.0, 1.0),
    rates_hz=st.tuples(st.sampled_from(RATES_HZ), st.sampled_from(RATES_HZ)),
)
@settings(max_examples=60)
def test_level_and_silence_of_a_file_do_not_matter(
    samples: NDArray[np.float64],
    scale_db: float,
    silence: int,
    wet_fraction: float,
    rates_hz: tuple[int, int],
) -> None:
    """Louder, softer, later: the same taps; read-only arrays will do."""
    file_rate_hz, rate_hz = rates_hz
    padded = np.concatenate(
        [
            np.zeros((silence, samples.shape[1])),
            10.0 ** (scale_db / 20.0) * samples,
            np.zeros((50, samples.shape[1])),
        ]
    )
    padded.setflags(write=False)
    one, two = (
        prepare_impulse_response(
            array, file_rate_hz=file_rate_hz, sample_rate_hz=rate_hz, wet_fraction=wet_fraction
        )
        for array in (samples, padded)
    )
    fft_frames = 2 * max(len(one.taps), len(two.taps))
    np.testing.assert_allclose(
        fir_response(one, fft_frames=fft_frames), fir_response(two, fft_frames=fft_frames), atol=2e-6
    )


@given(samples=impulse_responses, wet_fraction=st.floats(0.0, 1.0))
@settings(max_examples=40)
def test_swapped_channels_of_a_file_are_swapped(samples: NDArray[np.float64], wet_fraction: float) -> None:
    """To the bit, also at another rate."""
    assume(samples.shape[1] == 2)
    one, two = (
        prepare_impulse_response(array, file_rate_hz=44100, sample_rate_hz=48000, wet_fraction=wet_fraction)
        for array in (samples, samples[:, ::-1])
    )
    assert one.lead_frames == two.lead_frames
    np.testing.assert_array_equal(one.taps, two.taps[:, ::-1])


@given(place=st.floats(-100.0, 100.0))
def test_mirrored_positions_have_mirrored_gains(place: float) -> None:
    """To the bit, and the power is kept."""
    left, right = place_gains(place)
    assert place_gains(-place) == (right, left)
    assert left * left + right * right == pytest.approx(2.0, abs=1e-14)
    assert left >= 0.0
    assert right >= 0.0


@given(seed=st.integers(0, 1000), side_response=st.floats(0.0, 16.0), spectrum=st.booleans())
def test_side_keeps_the_centre_and_the_mirror(seed: int, side_response: float, spectrum: bool) -> None:
    """A centred sound is untouched, swapped sides swap: both to the bit; the mono sum stays within rounding."""
    random = np.random.default_rng(seed)
    left, right = random.standard_normal((2, 64))
    if spectrum:
        _check_side(left + 1j * right, right - 2j * left, np.full(64, side_response * (0.6 + 0.8j)))
    else:
        _check_side(left, right, np.full(64, side_response))


def _check_side(left: Array, right: Array, side: Array) -> None:
    centred = apply_side_response(left, left, side_response=side)
    np.testing.assert_array_equal(centred[0], left)
    np.testing.assert_array_equal(centred[1], left)
    new_left, new_right = apply_side_response(left, right, side_response=side)
    swapped_left, swapped_right = apply_side_response(right, left, side_response=side)
    np.testing.assert_array_equal(new_left, swapped_right)
    np.testing.assert_array_equal(new_right, swapped_left)
    size = float(np.abs(new_left).max() + np.abs(new_right).max())
    np.testing.assert_allclose(new_left + new_right, left + right, atol=1e-15 * size + 1e-14)
