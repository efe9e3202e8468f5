"""How a room's response dies away, octave by octave, and how loud each octave is against the direct sound.

Stands beside the chain: it is told and drawn (`recipe plot`), never mixed. Filters, integration and decay times are
those of `decay`; here the paths of one response are taken together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.analysis.decay import band_gain, decay_curve_db, decay_time_s, filter_band
from render.audio.array import Reals, Samples, as_samples


@dataclass(frozen=True, eq=False)
class OctaveDecay:
    """One octave of a response.

    Attributes
    ----------
    centre_hz : float
    t30_s : float
        Time to fall by 60 dB, from the fall between -5 and -35 dB (ISO 3382-1); not-a-number if it never falls so far.
    curve_db : float64, shape (frames,)
        Energy still to come (Schroeder), in dB of a single full-scale impulse through the same octave: the first
        value is how loud the octave is against the direct sound. Minus infinity where nothing is left.
    """

    centre_hz: float
    t30_s: float
    curve_db: Reals


def measure_octave_decay(response: Samples, *, sample_rate_hz: float, centre_hz: float) -> OctaveDecay:
    """Decay of one octave of a response, the energy of all its channels taken together.

    Parameters
    ----------
    response : float64, shape (frames, channels)
        Frame 0 is the direct sound's moment.
    sample_rate_hz : float
    centre_hz : float
        Exact mid-band frequency, greater than 0.

    Returns
    -------
    OctaveDecay
    """
    samples = as_samples(response, name="response")
    band = filter_band(samples, sample_rate_hz=sample_rate_hz, centre_hz=centre_hz)
    # one channel with the energy of all: its backward integral is the sum of theirs
    together = np.sqrt(np.sum(band**2, axis=1, keepdims=True))
    curve_db = decay_curve_db(together)[:, 0]
    energy = float(np.sum(together**2))
    with np.errstate(divide="ignore"):
        level_db = 10.0 * np.log10(energy / _impulse_energy(sample_rate_hz, centre_hz))
    t30_s = decay_time_s(curve_db, frame_s=1.0 / sample_rate_hz, upper_db=-5.0, lower_db=-35.0)
    return OctaveDecay(centre_hz=centre_hz, t30_s=t30_s, curve_db=curve_db + level_db)


def _impulse_energy(sample_rate_hz: float, centre_hz: float) -> float:
    """Energy of a single impulse of height 1 behind the octave filter (Parseval)."""
    size = fft.next_fast_len(max(4096, int(200.0 * sample_rate_hz / centre_hz)), real=True)
    frequency_hz = np.arange(size // 2 + 1) * (sample_rate_hz / size)
    return float(2.0 * np.sum(band_gain(frequency_hz, centre_hz=centre_hz) ** 2) / size)
