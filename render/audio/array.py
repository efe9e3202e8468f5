"""The array type of the package, and its one gatekeeper.

Sound is ``(frames, channels)``, always two-dimensional, mono included; full scale is 1.0.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Samples: TypeAlias = NDArray[np.float64]
Samples32: TypeAlias = NDArray[np.float32]
AnySamples: TypeAlias = NDArray[np.float32] | NDArray[np.float64]
Reals: TypeAlias = NDArray[np.float64]
Complexes: TypeAlias = NDArray[np.complex128]


def as_samples(audio: ArrayLike, *, name: str = "audio", channels: int | None = None) -> Samples:
    """Check an array of sound and return it as float64, shape ``(frames, channels)``.

    Parameters
    ----------
    audio : array_like
        One dimension is taken as mono.
    name : str
        What messages call it.
    channels : int, optional
        Refuse any other number of channels.

    Returns
    -------
    float64, shape (frames, channels)
        A view where nothing had to be converted.

    Raises
    ------
    ValueError
        If the shape or the number of channels is another, or a value is not finite.
    """
    samples = np.asarray(audio, dtype=np.float64)
    if samples.ndim == 1:
        samples = samples[:, np.newaxis]
    if samples.ndim != 2:
        raise ValueError(f"{name} must have shape (frames, channels), not {samples.shape}")
    if channels is not None and samples.shape[1] != channels:
        raise ValueError(f"{name} must have {channels} channels, not {samples.shape[1]}")
    if not np.isfinite(samples).all():
        raise ValueError(f"{name} holds values that are not finite (NaN or infinity)")
    return samples
