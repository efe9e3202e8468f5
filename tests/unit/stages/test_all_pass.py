"""The digital all-pass."""

from __future__ import annotations

import numpy as np
import pytest

from render.stages.all_pass import all_pass_poles, is_all_pass
from render.stages.equaliser import all_pass, notch
from render.stages.minimum_phase import discrete_response, response_frames
from render.stages.prototype import Prototype, analogue_response


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize(("centre_hz", "q"), [(100.0, 0.7), (1000.0, 2.0), (9000.0, 0.5)])
def test_phase_and_delay_at_the_centre_are_the_prototypes(rate_hz: int, centre_hz: float, q: float) -> None:
    """180 degrees, and 2 q / (pi centre) seconds, at every rate."""
    frames = rate_hz * 2  # half a hertz a bin: the centre falls on one
    response = discrete_response(
        all_pass(centre_hz=centre_hz, q=q), sample_rate_hz=rate_hz, fft_frames=frames
    )
    centre = round(2 * centre_hz)
    assert response[centre] == pytest.approx(-1.0, abs=1e-9)
    # Re(F(n h) / F(h)) is the group delay: no phase has to be unwrapped
    moment = np.fft.rfft(np.arange(frames) * np.fft.irfft(response, frames))[centre]
    assert (moment / response[centre]).real / rate_hz == pytest.approx(
        2.0 * q / (np.pi * centre_hz), rel=1e-9
    )


@pytest.mark.parametrize("q", [0.1, 0.5, 3.0])
def test_level_is_untouched(q: float) -> None:
    """0 dB on every bin, gain and polarity of the prototype kept."""
    prototype = all_pass(centre_hz=3000.0, q=q)
    response = discrete_response(prototype, sample_rate_hz=48000, fft_frames=16384)
    np.testing.assert_allclose(np.abs(response), 1.0, rtol=1e-13)
    louder = Prototype(zeros=prototype.zeros, poles=prototype.poles, gain=-2.0)
    np.testing.assert_allclose(
        discrete_response(louder, sample_rate_hz=48000, fft_frames=16384), -2.0 * response, rtol=1e-12
    )


@pytest.mark.parametrize(
    ("centre_hz", "q", "up_to_centre_deg", "at_20_khz_deg"),
    [(1000.0, 0.5, 0.1, 9.1), (1000.0, 1.0, 0.1, 4.6), (5000.0, 0.7, 2.0, 32.0), (5000.0, 3.0, 1.0, 7.9)],
)
def test_phase_is_as_far_off_as_documented(
    centre_hz: float, q: float, up_to_centre_deg: float, at_20_khz_deg: float
) -> None:
    """The figures of chain_response, at 44.1 kHz where they are largest."""
    prototype = all_pass(centre_hz=centre_hz, q=q)
    frequency_hz = np.arange(22051.0)
    response = discrete_response(prototype, sample_rate_hz=44100, fft_frames=44100)
    off_deg = np.abs(np.rad2deg(np.angle(response / analogue_response(prototype, frequency_hz))))
    assert off_deg[: int(centre_hz) + 1].max() < up_to_centre_deg
    assert off_deg[:20001].max() < at_20_khz_deg


def test_its_own_poles_decide_how_long_it_sounds() -> None:
    """Near half the rate a wide one rings longer than its prototype; that is counted."""
    wide = all_pass(centre_hz=19900.0, q=0.1)
    assert min(-pole.real for pole in all_pass_poles(wide, 44100)) < min(-pole.real for pole in wide.poles)
    assert response_frames(wide, sample_rate_hz=44100) > 4000


def test_other_zeros_on_the_right_are_refused() -> None:
    """A response that is neither minimum phase nor all-pass has no place here."""
    assert not is_all_pass(notch(centre_hz=100.0, q=1.0))
    with pytest.raises(ValueError, match="only those of an all-pass may have a real part above 0"):
        is_all_pass(Prototype(zeros=(3.0 + 0j,), poles=(-2.0 + 0j,)))


def test_centre_near_half_the_rate_is_refused() -> None:
    """By name, value and the limit at this rate."""
    with pytest.raises(ValueError, match=r"centre_hz \(all-pass\) = 3900.*: must be 0 to 3628.8 Hz"):
        discrete_response(all_pass(centre_hz=3900.0, q=1.0), sample_rate_hz=8000, fft_frames=4096)
