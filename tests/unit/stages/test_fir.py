"""Finite responses that may begin before time zero."""

from __future__ import annotations

import numpy as np
import pytest

from render.stages.fir import Fir


def test_wrong_numbers_are_refused() -> None:
    """By name, value and range."""
    taps = np.ones((5, 1))
    with pytest.raises(ValueError, match="lead_frames = 5: must be 0 to 4"):
        Fir(taps=taps, lead_frames=5)
    with pytest.raises(ValueError, match=r"taps must have shape \(frames, channels\)"):
        Fir(taps=np.ones(5), lead_frames=0)
