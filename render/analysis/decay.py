"""Decay of a response: band filters, backward integration, decay times.

Stands beside the chain: what is measured here is drawn (`recipe plot`), told and checked, never mixed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.audio.array import Reals, Samples, as_samples

OCTAVE_RATIO = 10.0**0.3
"""Base-ten octave, IEC 61260-1:2014, 5.3."""

NEPERS_PER_60_DB = 3.0 * math.log(10.0)
"""Amplitude falls by exp of this over one decay time: 6.9078."""


@dataclass(frozen=True)
class DecayTimes:
    """Decay times of ISO 3382-1, each extrapolated to 60 dB; not-a-number where the curve ends too early."""

    edt_s: float
    t20_s: float
    t30_s: float

    @property
    def curvature_percent(self) -> float:
        """How much longer the late decay is: 100 (T30 / T20 - 1), ISO 3382-2:2008, B.3; above 10 it is no line."""
        return 100.0 * (self.t30_s / self.t20_s - 1.0)


def band_edges_hz(centre_hz: float, *, bands_per_octave: int = 1) -> tuple[float, float]:
    """Edges of a band: centre divided and multiplied by half a band, base ten.

    Parameters
    ----------
    centre_hz : float
        Exact mid-band frequency, greater than 0.
    bands_per_octave : int
        1 for octaves, 3 for third octaves; at least 1.

    Returns
    -------
    tuple of float
        Lower and upper edge.

    References
    ----------
    .. [1] IEC 61260-1:2014, 5.4 to 5.6.
    """
    _refuse_unless(centre_hz > 0.0 and math.isfinite(centre_hz), "centre_hz", centre_hz, "greater than 0")
    _refuse_unless(bands_per_octave >= 1, "bands_per_octave", bands_per_octave, "at least 1")
    half = float(OCTAVE_RATIO ** (0.5 / bands_per_octave))
    return centre_hz / half, centre_hz * half


def band_centres_hz(lowest_hz: float, highest_hz: float, *, bands_per_octave: int = 1) -> Reals:
    """Exact mid-band frequencies 1000 G**(x / b) whose nominal neighbourhood lies within the two bounds.

    A centre counts when it is within half a band of the range, so that nominal names (125, 8000) may be given.
    """
    _refuse_unless(0.0 < lowest_hz <= highest_hz, "lowest_hz", lowest_hz, f"above 0, at most {highest_hz}")
    step = math.log10(OCTAVE_RATIO) / bands_per_octave
    first = math.ceil(math.log10(lowest_hz / 1000.0) / step - 0.25)
    last = math.floor(math.log10(highest_hz / 1000.0) / step + 0.25)
    return np.asarray(1000.0 * 10.0 ** (step * np.arange(first, last + 1)), dtype=np.float64)


def band_gain(frequency_hz: Reals, *, centre_hz: float, bands_per_octave: int = 1) -> Reals:
    """Magnitude of the band filter: Butterworth, three pole pairs, -3.01 dB at the edges.

    Within class 1 of IEC 61260-1, checked by tests/reference/test_room.py against table C.1 of part 3.
    """
    low_hz, high_hz = band_edges_hz(centre_hz, bands_per_octave=bands_per_octave)
    safe = np.maximum(frequency_hz, 1e-6 * centre_hz)
    offset = (safe / centre_hz - centre_hz / safe) / ((high_hz - low_hz) / centre_hz)
    return np.asarray(1.0 / np.sqrt(1.0 + offset**6), dtype=np.float64)


def filter_band(
    response: Samples, *, sample_rate_hz: float, centre_hz: float, bands_per_octave: int = 1
) -> Samples:
    """Pass one band without delay: the whole response is multiplied by `band_gain` in the frequency domain.

    Parameters
    ----------
    response : float64, shape (frames, channels)
    sample_rate_hz : float
    centre_hz : float
        Its upper edge may lie above half the rate: then the band ends there.
    bands_per_octave : int

    Returns
    -------
    float64, shape (frames, channels)
        As long as the response. The filter rings to both sides alike (zero phase); what would stand before frame 0
        or after the end is cut off. Short decays are lengthened less than by a causal filter, about +2.4 % against
        +4.9 % for 0.2 s at 125 Hz.
    """
    samples = as_samples(response, name="response")
    ringing = math.ceil(12.0 * sample_rate_hz * bands_per_octave / centre_hz)
    size = fft.next_fast_len(len(samples) + ringing, real=True)
    frequency_hz = np.arange(size // 2 + 1) * (sample_rate_hz / size)
    gain = band_gain(frequency_hz, centre_hz=centre_hz, bands_per_octave=bands_per_octave)
    spectrum = fft.rfft(samples, size, axis=0)
    spectrum *= gain[:, np.newaxis]
    return np.asarray(fft.irfft(spectrum, size, axis=0)[: len(samples)], dtype=np.float64)


def decay_curve_db(response: Samples) -> Samples:
    """Schroeder's backward integration: energy still to come, in dB of the whole, per channel.

    Returns
    -------
    float64, shape (frames, channels)
        Starts at 0 dB; minus infinity where nothing is left. A silent channel is minus infinity throughout.

    References
    ----------
    .. [1] M. R. Schroeder, "New method of measuring reverberation time", JASA 37, 1965, 409-412.
    .. [2] ISO 3382-1:2009, 5.3.3.
    """
    samples = as_samples(response, name="response")
    left = np.cumsum(samples[::-1] ** 2, axis=0)[::-1]
    whole = left[:1] if len(left) else left
    with np.errstate(divide="ignore", invalid="ignore"):
        curve = 10.0 * np.log10(np.where(whole > 0.0, left / whole, 0.0))
    return np.asarray(curve, dtype=np.float64)


def decay_time_s(curve_db: Reals, *, frame_s: float, upper_db: float, lower_db: float) -> float:
    """Time to fall by 60 dB of the least-squares line through a part of one decay curve.

    Parameters
    ----------
    curve_db : float64, shape (frames,)
        Falling, 0 dB first.
    frame_s : float
        Seconds from one value to the next.
    upper_db, lower_db : float
        The part: -5 and -35 for T30.

    Returns
    -------
    float
        Not-a-number if the curve never reaches `lower_db`, or the part has fewer than two values.
    """
    falling = -np.asarray(curve_db, dtype=np.float64)
    first = int(np.searchsorted(falling, -upper_db))
    last = int(np.searchsorted(falling, -lower_db, side="right"))
    if last >= len(falling) or last - first < 2:
        return math.nan
    at_s = frame_s * np.arange(first, last)
    part = curve_db[first:last]
    centred = at_s - at_s.mean()
    slope = float(np.sum(centred * part) / np.sum(centred**2))
    return -60.0 / slope


def measure_decay(response: Samples, *, sample_rate_hz: float) -> tuple[DecayTimes, ...]:
    """EDT (0 to -10 dB), T20 (-5 to -25 dB) and T30 (-5 to -35 dB) of every channel, ISO 3382-1:2009."""
    curve = decay_curve_db(response)

    def part(channel: int, upper_db: float, lower_db: float) -> float:
        return decay_time_s(
            curve[:, channel], frame_s=1.0 / sample_rate_hz, upper_db=upper_db, lower_db=lower_db
        )

    return tuple(
        DecayTimes(
            edt_s=part(channel, 0.0, -10.0),
            t20_s=part(channel, -5.0, -25.0),
            t30_s=part(channel, -5.0, -35.0),
        )
        for channel in range(curve.shape[1])
    )


def expected_decay(
    frequency_hz: Reals, decay_s: Reals, *, centre_hz: float, bands_per_octave: int = 1
) -> DecayTimes:
    """Decay times that ideal noise of a decay law shows through one band: the mean, no chance in it.

    White noise whose every frequency falls exponentially by the law leaves, in the band and from time t on, the energy
    integral of abs2(band gain) decay exp(-2 NEPERS t / decay); the three times are read off that curve.

    Parameters
    ----------
    frequency_hz, decay_s : float64, shape (points,)
        The law, rising in frequency; straight on log-log axes between the points, constant outside.
    centre_hz : float
    bands_per_octave : int

    Returns
    -------
    DecayTimes
    """
    grid_hz = centre_hz * np.exp2(np.linspace(-3.0, 3.0, 961))
    law_s = np.exp(np.interp(np.log(grid_hz), np.log(frequency_hz), np.log(decay_s)))
    weight = band_gain(grid_hz, centre_hz=centre_hz, bands_per_octave=bands_per_octave) ** 2 * grid_hz * law_s
    longest_s = float(law_s.max())
    at_s = np.linspace(0.0, longest_s, 1025)
    left = np.exp(-2.0 * NEPERS_PER_60_DB * at_s[:, np.newaxis] / law_s) @ weight
    curve_db = 10.0 * np.log10(left / left[0])
    frame_s = float(at_s[1])
    return DecayTimes(
        edt_s=decay_time_s(curve_db, frame_s=frame_s, upper_db=0.0, lower_db=-10.0),
        t20_s=decay_time_s(curve_db, frame_s=frame_s, upper_db=-5.0, lower_db=-25.0),
        t30_s=decay_time_s(curve_db, frame_s=frame_s, upper_db=-5.0, lower_db=-35.0),
    )


def _refuse_unless(allowed: bool, name: str, value: float, bounds: str) -> None:
    if not allowed:
        raise ValueError(f"{name} = {value}: must be {bounds}")
