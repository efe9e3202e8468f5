"""A plucked steel string: what it does at the bridge, as a loop of delay, loss and stiffness.

One round trip of the wave along the string and back is a delay; what the trip costs (damping) and how much faster
it is for high partials (stiffness) is a short filter in the loop. A pluck is what is fed into that loop [1]_, [2]_.
Waves are one-dimensional here, shape ``(frames,)``: one string, one direction of motion.

References
----------
.. [1] K. Karplus and A. Strong, "Digital synthesis of plucked-string and drum timbres", Computer Music Journal
   7(2), 1983.
.. [2] D. A. Jaffe and J. O. Smith, "Extensions of the Karplus-Strong plucked-string algorithm", Computer Music
   Journal 7(2), 1983.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Wave = NDArray[np.float64]

_DESIGN_FRAMES = 8192
_MARGIN_FRAMES = 14
_SPREAD_FRAMES = 240
LEAD_FRAMES = 16  # a pluck starts this much before its nominal instant: room for the band limit


@dataclass(frozen=True)
class Loop:
    """One round trip: a whole number of frames, then a short filter."""

    delay_frames: int
    taps: Wave


@dataclass(frozen=True)
class Loss:
    """How long a string rings.

    `decay_s` is the time the fundamental takes to fall by 60 dB; above it the rate 1 / T60 grows by `per_khz` for
    each kHz and by `per_khz2` for each kHz squared.
    """

    decay_s: float
    per_khz: float
    per_khz2: float = 0.01


def partial_number(frequency_hz: Wave, *, fundamental_hz: float, inharmonicity: float) -> Wave:
    """Which (fractional) partial of a stiff string lies at a frequency; the first lies at `fundamental_hz`.

    Partials of a stiff string: f_n = n F sqrt(1 + B n^2), solved for n; F sqrt(1 + B) is the first partial.
    (N. H. Fletcher and T. D. Rossing, *The Physics of Musical Instruments*, 2nd ed., section 2.18.)
    """
    ratio = frequency_hz / fundamental_hz * np.sqrt(1.0 + inharmonicity)
    # the stable form of the root: no difference of nearly equal numbers when B is small
    return np.asarray(ratio * np.sqrt(2.0 / (1.0 + np.sqrt(1.0 + 4.0 * inharmonicity * ratio**2))))


def decay_at(frequency_hz: Wave, *, fundamental_hz: float, loss: Loss) -> Wave:
    """Time to fall by 60 dB at each frequency, in seconds."""
    above_khz = np.maximum(frequency_hz - fundamental_hz, 0.0) / 1000.0
    return np.asarray(1.0 / (1.0 / loss.decay_s + loss.per_khz * above_khz + loss.per_khz2 * above_khz**2))


def _band_limit(frequency_hz: Wave, *, sample_rate_hz: int) -> Wave:
    """One up to 0.66 of half the rate, then half a cosine down to nothing."""
    place = np.clip((frequency_hz / (0.5 * sample_rate_hz) - 0.66) / 0.34, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * place))


@lru_cache(maxsize=512)
def design_loop(*, fundamental_hz: float, loss: Loss, inharmonicity: float, sample_rate_hz: int) -> Loop:
    """Loop of a string whose first partial lies at `fundamental_hz`.

    The response wanted in one round trip (gain from the decay, phase from the number of the partial) is sampled and
    transformed back; the few taps that matter are kept. Cutting moves the pitch by a fraction of a cent, so the aim
    is corrected until the first partial is within 0.001 cent and its decay within 0.1 %.

    Parameters
    ----------
    fundamental_hz : float
        20 Hz to an eighth of half the sample rate.
    loss : Loss
        How long it rings.
    inharmonicity : float
        B of a stiff string, 0 to 0.002.
    sample_rate_hz : int
        Rate of the waves.

    Returns
    -------
    Loop

    Raises
    ------
    ValueError
        If a value is out of range or the loop would not die away.
    """
    if not 20.0 <= fundamental_hz <= sample_rate_hz / 16.0:
        raise ValueError(f"fundamental_hz must be 20 to {sample_rate_hz / 16.0:g}, not {fundamental_hz}")
    if not 0.0 <= inharmonicity <= 0.002:
        raise ValueError(f"inharmonicity must be 0 to 0.002, not {inharmonicity}")
    aim_hz, aim_gain = fundamental_hz, 1.0
    loop = _sample_loop(aim_hz, aim_gain, loss, inharmonicity, sample_rate_hz)
    for _ in range(4):
        trip = loop_response(loop, np.array([fundamental_hz]), sample_rate_hz=sample_rate_hz)[0]
        aim_hz *= 1.0 - float(np.angle(trip)) / (2.0 * np.pi)
        aim_gain *= 10.0 ** (-3.0 / (fundamental_hz * loss.decay_s)) / abs(trip)
        loop = _sample_loop(aim_hz, aim_gain, loss, inharmonicity, sample_rate_hz)
    largest = float(np.abs(np.fft.rfft(loop.taps, 4 * _DESIGN_FRAMES)).max())
    if largest >= 1.0:
        raise ValueError(
            f"a string at {fundamental_hz} Hz with {loss} would not die away: loop gain {largest}"
        )
    return loop


def _sample_loop(
    fundamental_hz: float, gain: float, loss: Loss, inharmonicity: float, sample_rate_hz: int
) -> Loop:
    """Taps of the wanted round trip, cut to what matters."""
    grid_hz = np.arange(_DESIGN_FRAMES // 2 + 1) * sample_rate_hz / _DESIGN_FRAMES
    number = partial_number(grid_hz, fundamental_hz=fundamental_hz, inharmonicity=inharmonicity)
    trip_s = np.gradient(number, grid_hz)  # group delay: how long the energy takes
    decay_s = decay_at(grid_hz, fundamental_hz=fundamental_hz, loss=loss)
    magnitude = gain * 10.0 ** (-3.0 * trip_s / decay_s) * _band_limit(grid_hz, sample_rate_hz=sample_rate_hz)
    heard = magnitude > 0.02
    shortest = int(np.floor(trip_s[heard].min() * sample_rate_hz))
    longest = int(np.ceil(trip_s.max() * sample_rate_hz))
    delay_frames = max(1, shortest - _MARGIN_FRAMES)
    phase = 2.0 * np.pi * (number - grid_hz * delay_frames / sample_rate_hz)
    taps = np.fft.irfft(magnitude * np.exp(-1j * phase), _DESIGN_FRAMES)
    # stiffness spreads the slow end of the trip over a few milliseconds: keep all of it
    latest = longest - delay_frames
    spread = np.flatnonzero(np.abs(taps[latest : latest + _SPREAD_FRAMES]) > 1e-5)
    taps = taps[: latest + (int(spread[-1]) + 1 if len(spread) else 0) + 8]
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(8) + 0.5) / 8.0)
    taps[:8] *= fade
    taps[-8:] *= fade[::-1]
    return Loop(delay_frames, taps)


def loop_response(loop: Loop, frequency_hz: Wave, *, sample_rate_hz: int) -> NDArray[np.complex128]:
    """Response of one round trip; on a partial its angle is zero."""
    turns = frequency_hz[:, np.newaxis] / sample_rate_hz * (loop.delay_frames + np.arange(len(loop.taps)))
    return np.asarray(np.exp(-2j * np.pi * turns) @ loop.taps)


def apply_loop(excitation: Wave, *, loop: Loop) -> Wave:
    """Let a string ring: what is fed in goes round the loop and comes back smaller.

    A block as long as the shortest way round depends only on what is already known, so the loop runs block by block.
    """
    memory = loop.delay_frames + len(loop.taps) - 1
    wave = np.concatenate((np.zeros(memory), excitation))
    for first in range(memory, len(wave), loop.delay_frames):
        last = min(first + loop.delay_frames, len(wave))
        wave[first:last] += np.convolve(wave[first - memory : last - loop.delay_frames], loop.taps, "valid")
    return np.asarray(wave[memory:])


def design_pluck(
    *, fundamental_hz: float, position_fraction: float, corner_hz: float, sample_rate_hz: int
) -> Wave:
    """Force at the bridge in the first period after a string is let go at a point.

    An ideal pluck at a fraction p of the length gives a rectangular wave: (1 - p) for a share p of the period, -p for
    the rest, hence partials as sin(n pi p) / n and none where n p is whole. A finger is not a knife-edge: two
    first-order low-passes at `corner_hz` round the corners; harder and harder-edged plucks have higher corners.

    Parameters
    ----------
    fundamental_hz : float
        Pitch of the string.
    position_fraction : float
        Distance of the finger from the bridge, as a fraction of the sounding length, between 0 and 1.
    corner_hz : float
        Corner of the two low-passes.
    sample_rate_hz : int
        Rate of the waves.

    Returns
    -------
    float64, shape (frames,)
        Frame `LEAD_FRAMES` is the instant of letting go.
    """
    if not 0.0 < position_fraction < 1.0:
        raise ValueError(f"position_fraction must lie between 0 and 1, not {position_fraction}")
    period_s = 1.0 / fundamental_hz
    frames = 1 << int(np.ceil(np.log2(2.0 * period_s * sample_rate_hz + 1024)))
    grid_hz = np.arange(frames // 2 + 1) * sample_rate_hz / frames
    s = 2j * np.pi * grid_hz[1:]
    steps = (
        1.0 - np.exp(-s * position_fraction * period_s) - position_fraction * (1.0 - np.exp(-s * period_s))
    )
    spectrum = np.zeros(len(grid_hz), dtype=np.complex128)  # no constant part: it would stay in the loop
    spectrum[1:] = steps / s / (1.0 + 1j * grid_hz[1:] / corner_hz) ** 2
    spectrum *= _band_limit(grid_hz, sample_rate_hz=sample_rate_hz)
    spectrum *= np.exp(-2j * np.pi * grid_hz * LEAD_FRAMES / sample_rate_hz)
    return np.asarray(np.fft.irfft(spectrum, frames) * sample_rate_hz)


def apply_finger(wave: Wave, *, release_frame: int, decay_s: float, sample_rate_hz: int) -> Wave:
    """Bring a finger back to the string: highs go first, and nothing stops at once.

    From `release_frame` on the wave falls with the time constant `decay_s`, what lies above about 700 Hz three times
    as fast; the first 12 ms lead in smoothly.
    """
    if release_frame >= len(wave):
        return wave
    seconds = np.arange(len(wave) - release_frame) / sample_rate_hz
    lead_s = 0.012
    spent = np.where(seconds < lead_s, seconds**2 / (2.0 * lead_s), seconds - lead_s / 2.0) / decay_s
    half = round(0.0009 * sample_rate_hz)
    window = np.hanning(2 * half + 3)[1:-1]
    start = max(0, release_frame - 2 * half)
    part = wave[start:]
    low = np.convolve(part, window / window.sum(), "same")[release_frame - start :]
    damped = wave.copy()
    damped[release_frame:] = low * np.exp(-spent) + (wave[release_frame:] - low) * np.exp(-3.0 * spent)
    return damped
