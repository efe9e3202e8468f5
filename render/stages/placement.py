"""Placement: where a source stands between left and right, and how wide the picture is.

Behind the sources' chains, before the stereo chain.
Mid/side is exact: left = mid + side, right = mid - side.

References
----------
.. [1] A. D. Blumlein, British patent 394,325, 1931 (sum and difference).
"""

from __future__ import annotations

import math
from typing import Literal, TypeVar

from render.audio.array import Complexes, Reals
from render.stages.prototype import checked
from render.units import gain_from_db

Array = TypeVar("Array", Reals, Complexes)


def place_gains(place: float | Literal["mid", "side"]) -> tuple[float, float]:
    """Gains with which a source goes to left and right.

    Parameters
    ----------
    place : "mid", "side", or float
        "mid": the same on both. "side": the same with opposite signs, gone in mono.
        A pan position from -100 (left) to 100 (right); 0 is "mid".

    Returns
    -------
    left_gain, right_gain : float
        Their squares always sum to 2, so a source has the same power wherever it stands; hard left is 3.01 dB
        above one side of "mid", and right is silent. Mirrored positions have mirrored gains, to the bit.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    if isinstance(place, str):
        if place not in {"mid", "side"}:
            raise ValueError(f'place = "{place}": must be "mid", "side" or -100 to 100')
        return 1.0, 1.0 if place == "mid" else -1.0
    position = checked("place", place, lowest=-100.0, highest=100.0)
    if position == 0.0:
        return 1.0, 1.0
    # one computation for both sides: an angle of 45 degrees is the middle, of 0 the hard side
    angle = math.pi / 4.0 * (1.0 - abs(position) / 100.0)
    near, far = math.sqrt(2.0) * math.cos(angle), math.sqrt(2.0) * math.sin(angle)
    return (near, far) if position < 0.0 else (far, near)


def side_gain(side_gain_db: float | Literal["off"]) -> float:
    """Amplitude factor of the side, (left - right) / 2.

    Parameters
    ----------
    side_gain_db : float or "off"
        -120 to 120 dB; "off" is mono.

    Returns
    -------
    float
        0 for "off".

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.
    """
    if isinstance(side_gain_db, str):
        if side_gain_db != "off":
            raise ValueError(f'side_gain_db = "{side_gain_db}": must be "off" or -120 to 120 dB')
        return 0.0
    return gain_from_db(checked("side_gain_db", side_gain_db, lowest=-120.0, highest=120.0, unit="dB"))


def apply_side_response(left: Array, right: Array, *, side_response: float | Array) -> tuple[Array, Array]:
    """Change the side and leave the mid alone.

    Parameters
    ----------
    left, right : float64 or complex128, the same shape
        Sound, impulse responses or spectra.
    side_response : float, or an array of a shape that broadcasts
        A gain; for spectra also the response of a filter (`side_high_pass_hz`) times a gain.

    Returns
    -------
    left, right : shape of the input
        Where left equals right nothing changes, to the bit; with left and right swapped the results are
        swapped, to the bit. A gain of exactly 1 returns the input itself.

    Notes
    -----
    ``left' = A left + B right``, ``right' = B left + A right`` with ``A = (1 + G) / 2``, ``B = (1 - G) / 2``
    and G the side's response; computed through mid and side, which is what makes it exact.
    """
    if isinstance(side_response, float | int) and side_response == 1.0:
        return left, right
    mid, side = 0.5 * (left + right), 0.5 * (left - right) * side_response
    return mid + side, mid - side
