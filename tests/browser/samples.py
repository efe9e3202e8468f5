"""Samples to the browser and back, as base64 of float32."""

from __future__ import annotations

import base64

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]


def packed(audio: Samples) -> list[str]:
    """One text a channel of (frames, channels)."""
    return [base64.b64encode(np.ascontiguousarray(channel).tobytes()).decode() for channel in audio.T]


def unpacked(channels: list[str]) -> Samples:
    """The (frames, channels) behind them."""
    return np.stack([np.frombuffer(base64.b64decode(text), np.float32) for text in channels], axis=1)


def noise(frames: int, *, seed: int = 1) -> Samples:
    """Two channels of independent noise, quiet enough never to clip."""
    return (0.1 * np.random.default_rng(seed).standard_normal((frames, 2))).astype(np.float32)
