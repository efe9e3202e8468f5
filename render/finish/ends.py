"""Where a file begins and ends: the first sound, the end of a tail, the fades.

Sits between the mix store and the levels: trims and fades are decided first, loudness and peaks are those of what
is left.
"""

from __future__ import annotations

import numpy as np

from render.audio.array import AnySamples, Reals
from render.finish.slots import SlotPowers, cell_frames, check_stereo, measure_plain_slots, slot_frames

# The rule of `first_sound_frame`, in decibels of a slot's power.
_ABOVE_FLOOR_DB = 10.0
_BELOW_TOP_LEAST_DB = 30.0
_BELOW_TOP_MOST_DB = 70.0
_FLOOR_SLOTS = 5


def fade_gain(first: int, stop: int, *, frames: int, fade_in_frames: int, fade_out_frames: int) -> Reals:
    """Gain of the fades over a range of a file: raised cosines, 0 to 1 at its start and 1 to 0 at its end.

    Parameters
    ----------
    first, stop : int
        Range within the file.
    frames : int
        Length of the file.
    fade_in_frames, fade_out_frames : int
        Lengths of the fades, 0 or more. In a file shorter than its fades they overlap and are multiplied.

    Returns
    -------
    float64, shape (stop - first,)
        Neither 0 nor 1 is reached inside a fade: the curve is taken in the middle of each frame, so that both
        fades are mirror images.

    Raises
    ------
    ValueError
        If a fade is negative.
    """
    for name, length in (("fade_in_frames", fade_in_frames), ("fade_out_frames", fade_out_frames)):
        if length < 0:
            raise ValueError(f"{name} must be 0 or more, not {length}")
    gain = np.ones(stop - first)
    inside = np.arange(first, min(stop, fade_in_frames))
    gain[: len(inside)] *= 0.5 - 0.5 * np.cos(np.pi * (inside + 0.5) / max(fade_in_frames, 1))
    left = frames - 1 - np.arange(max(first, frames - fade_out_frames), stop)
    gain[len(gain) - len(left) :] *= 0.5 - 0.5 * np.cos(np.pi * (left + 0.5) / max(fade_out_frames, 1))
    return gain


def _threshold(level_db: Reals) -> float:
    """Level above which a slot counts as sound; see `first_sound_frame`."""
    audible = level_db[np.isfinite(level_db)]
    top = float(audible.max())
    if len(level_db) < _FLOOR_SLOTS:
        return top - _BELOW_TOP_LEAST_DB
    # The quietest 100 ms: the largest of five slots in a row, so that a gap between two of them is no floor.
    floor = float(np.lib.stride_tricks.sliding_window_view(level_db, _FLOOR_SLOTS).max(axis=1).min())
    return min(max(floor + _ABOVE_FLOOR_DB, top - _BELOW_TOP_MOST_DB), top - _BELOW_TOP_LEAST_DB)


def first_sound_frame(
    store: AnySamples, *, sample_rate_hz: int, slots: SlotPowers | None = None
) -> int | None:
    """Find the frame with which the sound begins, noise before it left aside.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
        A mix store.
    sample_rate_hz : int
    slots : SlotPowers, optional
        Of the whole store, if they are known already.

    Returns
    -------
    int or None
        None if there is no sound at all (every sample zero).

    Notes
    -----
    Rule: the power of both channels per slot of 20 ms. The noise floor is the quietest 100 ms of the take; sound is
    what lies 10 dB above it, but in any case what lies less than 30 dB below the loudest slot (so a take without a
    pause is never cut) and nothing that lies more than 70 dB below it. The first slot counts of which at least two
    of the next three are sound too (a click in the hiss is none). Inside it and the slot before, the first
    third of a millisecond above the same level is the beginning; a soft attack is found late by what is hidden in
    the noise.
    Common practice, no source.
    """
    check_stereo(store)
    slot = slot_frames(sample_rate_hz)
    if slots is None:
        at_once = 1024 * slot
        pieces = [
            measure_plain_slots(store[start : start + at_once], sample_rate_hz=sample_rate_hz)
            for start in range(0, len(store), at_once)
        ]
        sums = np.concatenate(pieces) if pieces else np.zeros((0, 3))
    else:
        sums = slots.plain
    power = sums[:, 0] + sums[:, 1]
    if not power.any():
        return None
    counts = np.minimum(slot, len(store) - slot * np.arange(len(power)))
    with np.errstate(divide="ignore"):
        threshold = _threshold(10.0 * np.log10(power / counts))
    least = 10.0 ** (threshold / 10.0)
    sounding = np.concatenate([power > least * counts, np.zeros(3, bool)])
    following = sounding[1:-2].astype(int) + sounding[2:-1] + sounding[3:]
    lasting = np.flatnonzero(sounding[:-3] & (following >= min(2, len(power) - 1)))
    first = int(lasting[0]) if len(lasting) else int(np.flatnonzero(sounding)[0])
    start = max(first - 1, 0) * slot
    piece = np.asarray(store[start : (first + 1) * slot], np.float64)
    cell = cell_frames(sample_rate_hz)
    fine = np.add.reduceat((piece**2).sum(axis=1), np.arange(0, len(piece), cell))
    return start + int(np.argmax(fine > least * cell)) * cell


def tail_frames(response: Reals, *, fall_db: float = 60.0) -> int:
    """Frames after which what is still to come of a response has fallen by so much.

    Parameters
    ----------
    response : float64, shape (taps, ...)
        An impulse response, such as the room's; all its paths are taken together.
    fall_db : float
        Greater than 0.

    Returns
    -------
    int
        0 for a response without energy.

    Raises
    ------
    ValueError
        If `fall_db` is not greater than 0.

    References
    ----------
    .. [1] M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37, 1965: the
       backward integral of the squared response.
    """
    if not fall_db > 0.0:
        raise ValueError(f"fall_db must be greater than 0, not {fall_db}")
    if not np.any(response):
        return 0
    power = np.square(np.asarray(response, np.float64)).reshape(len(response), -1).sum(axis=1)
    left = np.cumsum(power[::-1])[::-1]
    return int(np.count_nonzero(left > left[0] * 10.0 ** (-fall_db / 10.0)))
