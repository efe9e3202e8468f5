"""The room: four decorrelated responses from feedback delay networks, added to the direct sound.

Last of the linear stages: behind the stereo stage, before the finish. In the order of the computation: `network` makes
lossless responses, `absorption` lays the decay over them, `balance` makes them equal and orthogonal and filters them;
here they are weighted and brought to their level.
"""

from __future__ import annotations

import math

import numpy as np

from render.audio.array import Reals, Samples
from render.stages.prototype import checked
from render.stages.room.absorption import (
    apply_absorption,
    measure_steadiness,
    piece_frames,
    steady_centres_hz,
    travel_bins,
)
from render.stages.room.balance import (
    apply_filters,
    band_energy,
    cross_spectra,
    design_balance,
    make_orthonormal,
    passes_spectrum,
)
from render.stages.room.law import DecayLaw
from render.stages.room.length import frames_to_fall, trimmed_frames
from render.stages.room.network import fill_lossless, plan_network
from render.units import frames_from_ms, power_from_db

__all__ = ["LONGEST_DECAY_S", "room_decay_s", "room_response"]

LONGEST_DECAY_S = 40.0
"""At any frequency: what a response would cost in memory is refused before it is asked for."""


def room_response(
    *,
    sample_rate_hz: int,
    decay_1khz_s: float,
    decay_125hz_ratio: float,
    decay_8khz_ratio: float,
    level_db: float,
    pre_delay_ms: float,
    delay_scale: float,
    shared_fraction: float,
    high_pass_hz: float,
    low_pass_hz: float,
    seed: int,
) -> Samples:
    """Sound of a room: what is added to the direct sound, from both sides to both sides.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 384000. The same seed is the same room at every rate: all times are drawn in seconds.
    decay_1khz_s : float
        Time to fall by 60 dB at 1 kHz, 0.1 to 20 s.
    decay_125hz_ratio, decay_8khz_ratio : float
        Decay at 125 Hz and at 8 kHz against 1 kHz, 0.1 to 3; between the three straight on log-log axes,
        constant outside. No frequency longer than 40 s.
    level_db : float
        Energy of the response (both outputs, one side in) against an impulse, within 500 Hz to 2 kHz; -100 to 40.
        Exact for the mean of the two sides.
    pre_delay_ms : float
        From the direct sound to the first reflection, 0 to 1000; rounded to a frame.
    delay_scale : float
        Of all delays, 0.25 to 4.
    shared_fraction : float
        How much of one side the other side's room answers, 0 (none) to 1 (as much as its own).
    high_pass_hz : float
        Butterworth, 12 dB per octave; 0 (none) or 10 to 2000.
    low_pass_hz : float
        Butterworth, 12 dB per octave; 100 to 1000000: one far above half the rate does nothing.
    seed : int
        0 or greater.

    Returns
    -------
    float64, shape (frames, 2 out, 2 in)
        Each response contiguous (Fortran order); frame 0 is time zero, the direct sound (1, at frame 0) is not in it.
        Zero before the pre-delay. As long as until the energy left is 130 dB below the whole.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    Notes
    -----
    Own side sqrt(1 - f / 2), other side sqrt(f / 2): with four orthogonal responses of equal energy, left and right
    come out alike for a mid source, and a side source as loud as a mid one, at every f.
    Two networks, each heard at two places; why, and how: `network`, `absorption`, `balance`. Checked by
    tests/reference/test_room.py.
    """
    rate = int(checked("sample_rate_hz", sample_rate_hz, lowest=8000, highest=384_000, unit="Hz"))
    law = _checked_law(decay_1khz_s, decay_125hz_ratio, decay_8khz_ratio)
    level = power_from_db(checked("level_db", level_db, lowest=-100.0, highest=40.0, unit="dB"))
    pre_delay = checked("pre_delay_ms", pre_delay_ms, lowest=0.0, highest=1000.0, unit="ms")
    scale = checked("delay_scale", delay_scale, lowest=0.25, highest=4.0)
    shared = checked("shared_fraction", shared_fraction, lowest=0.0, highest=1.0)
    cutoff_hz = checked("low_pass_hz", low_pass_hz, lowest=100.0, highest=1e6, unit="Hz")
    if high_pass_hz != 0.0:
        checked("high_pass_hz", high_pass_hz, lowest=10.0, highest=2000.0, unit="Hz (or 0 for none)")
    if seed < 0:
        raise ValueError(f"seed = {seed}: must be 0 or greater")

    passes = passes_spectrum(sample_rate_hz=rate, high_pass_hz=high_pass_hz, low_pass_hz=cutoff_hz)
    before = frames_from_ms(pre_delay, sample_rate_hz=rate)
    frames = frames_to_fall(law, passes, sample_rate_hz=rate)
    network = plan_network(
        sample_rate_hz=rate, longest_decay_s=law.longest_s, delay_scale=scale, seed=int(seed)
    )
    whole = np.zeros((4, before + frames))
    rows = whole[:, before:]
    fill_lossless(rows, network)
    centres_hz = steady_centres_hz(rate)
    steadiness = measure_steadiness(rows, sample_rate_hz=rate, band_decay_s=law.decay_s(centres_hz))
    apply_absorption(
        rows,
        exponent=law.exponent(travel_bins(rate), sample_rate_hz=rate),
        piece=piece_frames(law.shortest_s, sample_rate_hz=rate),
        steadiness=steadiness,
        sample_rate_hz=rate,
    )
    products = cross_spectra(rows, sample_rate_hz=rate) * np.abs(passes) ** 2
    balance = design_balance(products, sample_rate_hz=rate)
    apply_filters(rows, filters=balance * passes, sample_rate_hz=rate)
    make_orthonormal(rows)

    own, other = math.sqrt(1.0 - 0.5 * shared), math.sqrt(0.5 * shared)
    weights = np.array([own, other, other, own])
    energy = sum(w**2 * band_energy(row, sample_rate_hz=rate) for w, row in zip(weights, rows, strict=True))
    rows *= (math.sqrt(2.0 * level / energy) * weights)[:, np.newaxis]
    heard = whole[:, : before + trimmed_frames(rows)]
    return heard.reshape(2, 2, -1).transpose(2, 1, 0)


def room_decay_s(
    frequency_hz: Reals, *, decay_1khz_s: float, decay_125hz_ratio: float, decay_8khz_ratio: float
) -> Reals:
    """Decay that is asked for at each frequency: time to fall by 60 dB, for pictures and tables.

    Parameters
    ----------
    frequency_hz : float64, any shape
        0 allowed.
    decay_1khz_s, decay_125hz_ratio, decay_8khz_ratio : float
        As in `room_response`.

    Returns
    -------
    float64, the shape of frequency_hz
    """
    law = _checked_law(decay_1khz_s, decay_125hz_ratio, decay_8khz_ratio)
    return law.decay_s(np.asarray(frequency_hz, dtype=np.float64))


def _checked_law(decay_1khz_s: float, decay_125hz_ratio: float, decay_8khz_ratio: float) -> DecayLaw:
    law = DecayLaw(
        decay_1khz_s=checked("decay_1khz_s", decay_1khz_s, lowest=0.1, highest=20.0, unit="s"),
        decay_125hz_ratio=checked("decay_125hz_ratio", decay_125hz_ratio, lowest=0.1, highest=3.0),
        decay_8khz_ratio=checked("decay_8khz_ratio", decay_8khz_ratio, lowest=0.1, highest=3.0),
    )
    if law.longest_s > LONGEST_DECAY_S:
        raise ValueError(
            f"decay_1khz_s = {decay_1khz_s}: with the ratios {decay_125hz_ratio} and {decay_8khz_ratio} must be at "
            f"most {LONGEST_DECAY_S:g} s at every frequency, not {law.longest_s:g} s"
        )
    return law
