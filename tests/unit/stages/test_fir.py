"""Finite responses that may begin before time zero."""

from __future__ import annotations

import numpy as np
import pytest

from render.stages.fir import Fir, fir_response


def test_time_zero_is_frame_zero() -> None:
    """What lies before it is found at the end of the period."""
    taps = np.arange(1.0, 6.0)[:, np.newaxis]
    response = fir_response(Fir(taps=taps, lead_frames=2), fft_frames=8)
    np.testing.assert_allclose(np.fft.irfft(response[:, 0]), [3, 4, 5, 0, 0, 0, 1, 2], atol=1e-15)


def test_channels_are_kept_apart() -> None:
    """Two channels, two responses."""
    taps = np.array([[1.0, 0.0], [0.0, 2.0]])
    response = fir_response(Fir(taps=taps, lead_frames=0), fft_frames=16)
    assert response.shape == (9, 2)
    np.testing.assert_allclose(response[:, 0], 1.0)
    np.testing.assert_allclose(np.abs(response[:, 1]), 2.0)


def test_wrong_numbers_are_refused() -> None:
    """By name, value and range."""
    taps = np.ones((5, 1))
    with pytest.raises(ValueError, match="lead_frames = 5: must be 0 to 4"):
        Fir(taps=taps, lead_frames=5)
    with pytest.raises(ValueError, match=r"taps must have shape \(frames, channels\)"):
        Fir(taps=np.ones(5), lead_frames=0)
    for frames in (4, 7):
        with pytest.raises(ValueError, match=f"fft_frames = {frames}: must be even and at least 5"):
            fir_response(Fir(taps=taps, lead_frames=0), fft_frames=frames)
