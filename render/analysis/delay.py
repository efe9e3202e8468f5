"""How the two sources of a take stand to each other: delay, polarity, likeness, steadiness.

Last in its chain: `frames` cuts and transforms, `cross` adds up segments, `coherence` says what both have in common,
`track` and `drift` follow the delay along the take, `whitened` and `location` find one figure for all of it,
`same_signal` tells one signal on two tracks. Here they become one answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from render.analysis.coherence import LOWEST_HZ, Pooled, pool, segment_weights, smooth_about, third_octaves
from render.analysis.cross import CrossGauge, CrossSpectra
from render.analysis.decay import band_centres_hz, band_edges_hz
from render.analysis.drift import Steadiness, measure_steadiness
from render.analysis.frames import Spectra, SpectralFrames, each_spectra
from render.analysis.location import COVERAGE, Location, locate
from render.analysis.same_signal import Likeness, measure_likeness
from render.analysis.track import Track, track_delay
from render.audio.array import AnySamples, Complexes, Reals, Samples32
from render.units import db_from_power

FEWEST_WINDOWS = 8
"""With fewer (0.8 s at 48 kHz) coherence is mostly chance."""

OTHER_SOUND_DB = 6.0
"""Where the delay jumps and the balance of the sources with it, by so much in the median of the third octaves, the
shorter side is not the guitar: a voice reaches the sources at other times, and at other levels, than the strings do."""

SILENT_POWER = 1e-12
"""Mean square of a source above 50 Hz, -120 dB of full scale: quieter than any converter, so nothing is connected."""

_BALANCE_HZ = (150.0, 4000.0)

PHASE_HZ = band_centres_hz(80.0, 5000.0, bands_per_octave=3)
"""Third octaves in which both sources of a guitar carry it."""

_FEWEST_SEGMENTS = 4


@dataclass(frozen=True, eq=False)
class Curves:
    """What a picture shows of an alignment.

    Attributes
    ----------
    frequency_hz : float64, shape (bands,)
        Middles of third octaves.
    coherence : float64, shape (bands,)
        Mean magnitude-squared coherence, chance taken off.
    delay_ms : float64, shape (bands,)
        Phase delay of the second source near the delay of the whole take, its polarity set right; not-a-number where
        the sources have too little in common. Filters of their own bend this curve.
    at_s, track_ms : float64, shape (segments,)
        Delay along the take; not-a-number where not known.
    """

    frequency_hz: Reals
    coherence: Reals
    delay_ms: Reals
    at_s: Reals
    track_ms: Reals


@dataclass(frozen=True, eq=False)
class Alignment:
    """Relative delay and polarity of the second source of a take against the first.

    Attributes
    ----------
    delay_s : float or None
        Positive: the second source is later. None where there is no reliable answer. Of a drifting take that of its
        middle; of a take with a jump that of the longer part, roughly.
    uncertainty_s : float or None
        95 % of true delays are nearer than this, or more of them.
    polarity : int or None
        1, -1, or None where that is not sure.
    polarity_sureness : float
        0 to 1: how much the main peak of the whitened correlation stands out over the largest of the other sign.
    reason : str or None
        Why there is no delay: "silent-source", "too-short", "no-coherence", "ambiguous".
    height : float
        Of the main peak of the whitened correlation: 1 for a delayed copy, 0.4 to 0.9 for two real sources.
    steadiness : Steadiness
    likeness : Likeness or None
    curves : Curves
    phasors : complex128, shape (bands,)
        Per third octave of `PHASE_HZ`, at every sample rate the same: the mean phase between the sources once the delay
        is taken out, its length the coherence; 0 where they have too little in common, and without a delay. By them
        takes of one guitar are compared (`agreement`).
    """

    delay_s: float | None
    uncertainty_s: float | None
    polarity: int | None
    polarity_sureness: float
    reason: str | None
    height: float
    steadiness: Steadiness
    likeness: Likeness | None
    curves: Curves
    phasors: Complexes

    @property
    def same_signal(self) -> bool:
        """Whether both tracks hold one signal."""
        return self.likeness is not None and self.likeness.same_signal


class AlignmentGauge:
    """Follows a take's spectra and tells at its end how its two sources stand to each other.

    Parameters
    ----------
    frames : SpectralFrames
        Whose spectra will come.
    """

    def __init__(self, frames: SpectralFrames) -> None:
        self._cross = CrossGauge(frames)

    def add(self, spectra: Spectra) -> None:
        """Take the next windows."""
        self._cross.add(spectra)

    def cross(self) -> CrossSpectra:
        """Sums so far, for who wants to read more from them."""
        return self._cross.result()

    def result(self) -> Alignment:
        """Delay, polarity, likeness and steadiness of what has been added."""
        return align(self._cross.result())


def measure_alignment(audio: AnySamples, *, sample_rate_hz: float) -> Alignment:
    """Relative delay and polarity of the two sources of a take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, 2)
    sample_rate_hz : float
        Greater than 0.

    Returns
    -------
    Alignment

    Raises
    ------
    ValueError
        If there are not two channels, or the rate is refused.
    """
    frames = SpectralFrames(sample_rate_hz=sample_rate_hz)
    if audio.ndim != 2 or audio.shape[1] != 2:
        raise ValueError(f"audio must have shape (frames, 2), not {audio.shape}")
    gauge = AlignmentGauge(frames)
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        gauge.add(spectra)
    return gauge.result()


def align(spectra: CrossSpectra) -> Alignment:
    """Alignment of a take from its cross spectra.

    Parameters
    ----------
    spectra : CrossSpectra

    Returns
    -------
    Alignment
    """
    windows = int(spectra.windows.sum())
    if windows < FEWEST_WINDOWS:
        return _nothing("too-short")
    weights = segment_weights(spectra)
    pooled = pool(spectra, weights=weights)
    if min(_mean_square(spectra, spectra.first), _mean_square(spectra, spectra.second)) < SILENT_POWER:
        return _nothing("silent-source", pooled)
    track = track_delay(spectra, weights=weights)
    steadiness = measure_steadiness(track)
    if steadiness.jump_at_s is not None:
        other_s = _other_sound(spectra, steadiness.jump_at_s)
        guitar = spectra if other_s is None else spectra.without([other_s], fewest=_FEWEST_SEGMENTS)
        if guitar is not spectra:
            return align(guitar)
    moved = pooled
    if steadiness.drifting or steadiness.jump_s is not None:
        later_s = _later_s(track, steadiness)
        moved = pool(spectra, weights=np.where(track.known, weights, 0.0), later_s=later_s)
    location = locate(moved, size_s=spectra.size_s)
    if location is None:
        return _nothing("no-coherence", pooled)
    reliable = location.reason is None
    return Alignment(
        delay_s=location.delay_s if reliable else None,
        uncertainty_s=_uncertainty_s(location, track, steadiness) if reliable else None,
        polarity=location.polarity,
        polarity_sureness=location.polarity_sureness if reliable else 0.0,
        reason=location.reason,
        height=location.height,
        steadiness=steadiness if reliable else Steadiness(),
        likeness=measure_likeness(pooled),
        curves=_curves(moved, track, location if reliable else None),
        phasors=_phasors(moved, location) if reliable else np.zeros(len(PHASE_HZ), np.complex128),
    )


def _other_sound(spectra: CrossSpectra, jump_at_s: float) -> tuple[float, float] | None:
    """From when to when, on the shorter side of a jump, something else than the guitar sounds; None if nothing does."""
    before = spectra.middle_s < jump_at_s
    shorter = before if np.count_nonzero(before) <= len(before) // 2 else ~before
    differs = []
    for centre_hz in band_centres_hz(*_BALANCE_HZ, bands_per_octave=3):
        some = slice(
            *np.searchsorted(spectra.frequency_hz, band_edges_hz(float(centre_hz), bands_per_octave=3))
        )
        levels = [
            float(np.sum(power[side, some], dtype=np.float64))
            for side in (shorter, ~shorter)
            for power in (spectra.first, spectra.second)
        ]
        if min(levels) > 0.0:
            differs.append(db_from_power(levels[1] / levels[0]) - db_from_power(levels[3] / levels[2]))
    if not differs or abs(float(np.median(differs))) < OTHER_SOUND_DB:
        return None
    return (-math.inf, jump_at_s) if shorter[0] else (jump_at_s, math.inf)


def _mean_square(spectra: CrossSpectra, power: Samples32) -> float:
    heard = power[:, spectra.frequency_hz >= LOWEST_HZ]
    return float(np.sum(heard, dtype=np.float64)) * spectra.power_scale / int(spectra.windows.sum())


def _later_s(track: Track, steadiness: Steadiness) -> Reals:
    """By how much each segment is later than the middle of a drifting take, or than most of one with a jump."""
    delay_s = np.where(track.known, track.delay_s, 0.0)
    if steadiness.jump_s is None and steadiness.drift_ppm is not None:
        middle_s = 0.5 * (track.middle_s[0] + track.middle_s[-1])
        level = track.delay_s - 1e-6 * steadiness.drift_ppm * (track.middle_s - middle_s)
        return np.asarray(delay_s - float(np.median(level[track.known])), np.float64)
    return np.asarray(delay_s - float(np.median(track.delay_s[track.known])), np.float64)


def _uncertainty_s(location: Location, track: Track, steadiness: Steadiness) -> float:
    """The uncertainty of the location, and how far the segments of a take scatter about their line."""
    count = int(np.count_nonzero(track.known))
    if count < _FEWEST_SEGMENTS:
        return location.uncertainty_s
    left = track.delay_s[track.known].copy()
    within_s = 0.0
    if steadiness.drift_ppm is not None and steadiness.drifting:
        left -= 1e-6 * steadiness.drift_ppm * track.middle_s[track.known]
        # Where in a segment its sound lies is known to about a tenth of it.
        within_s = 1e-7 * abs(steadiness.drift_ppm) * float(track.middle_s[1] - track.middle_s[0])
    if steadiness.jump_s is not None and steadiness.jump_at_s is not None:
        left -= steadiness.jump_s * (track.middle_s[track.known] > steadiness.jump_at_s)
    scatter_s = 1.4826 * float(np.median(np.abs(left - np.median(left))))
    return math.hypot(location.uncertainty_s, COVERAGE * scatter_s / math.sqrt(count), COVERAGE * within_s)


def _curves(pooled: Pooled | None, track: Track | None, location: Location | None) -> Curves:
    """Third octaves, and the delay along the take."""
    nothing = np.zeros(0)
    frequency_hz = coherence = delay_ms = nothing
    if pooled is not None:
        bands = third_octaves(pooled)
        frequency_hz, coherence = bands.centre_hz, bands.coherence
        delay_ms = np.full(len(frequency_hz), np.nan)
        if location is not None:
            smooth = smooth_about(pooled, delay_s=location.delay_s)
            for band, (low_hz, high_hz) in enumerate(zip(bands.low_hz, bands.high_hz, strict=True)):
                delay_ms[band] = 1e3 * _phase_delay_s(smooth, location, float(low_hz), float(high_hz))
    at_s = track_ms = nothing
    if track is not None and location is not None:
        at_s, track_ms = track.middle_s, 1e3 * (track.delay_s + location.delay_s)
        if np.any(track.known):
            track_ms = track_ms - 1e3 * float(np.median(track.delay_s[track.known]))
    return Curves(
        frequency_hz=frequency_hz,
        coherence=coherence,
        delay_ms=delay_ms,
        at_s=np.asarray(at_s, np.float64),
        track_ms=np.asarray(track_ms, np.float64),
    )


def _phasors(pooled: Pooled, location: Location) -> Complexes:
    """Mean phase per third octave, the delay taken out."""
    smooth = smooth_about(pooled, delay_s=location.delay_s)
    turned = smooth.phasor * np.exp(2j * np.pi * smooth.frequency_hz * location.delay_s)
    phasors = np.zeros(len(PHASE_HZ), np.complex128)
    for band, centre_hz in enumerate(PHASE_HZ):
        low_hz, high_hz = band_edges_hz(float(centre_hz), bands_per_octave=3)
        inside = smooth.usable & (smooth.frequency_hz >= low_hz) & (smooth.frequency_hz < high_hz)
        if np.any(inside):
            phasors[band] = np.mean(smooth.coherence[inside] * turned[inside])
    return phasors


def _phase_delay_s(pooled: Pooled, location: Location, low_hz: float, high_hz: float) -> float:
    """Delay that the mean phase of a band shows; not-a-number where too few bins are coherent."""
    band = pooled.usable & (pooled.frequency_hz >= low_hz) & (pooled.frequency_hz < high_hz)
    if not np.any(band):
        return math.nan
    frequency_hz = pooled.frequency_hz[band]
    turned = pooled.phasor[band] * np.exp(2j * np.pi * frequency_hz * location.delay_s) * location.sign
    mean = np.sum(pooled.coherence[band] * turned)
    middle_hz = float(np.average(frequency_hz, weights=pooled.coherence[band] + 1e-12))
    return location.delay_s - float(np.angle(mean)) / (2.0 * math.pi * middle_hz)


def _nothing(reason: str, pooled: Pooled | None = None) -> Alignment:
    return Alignment(
        delay_s=None,
        uncertainty_s=None,
        polarity=None,
        polarity_sureness=0.0,
        reason=reason,
        height=0.0,
        steadiness=Steadiness(),
        likeness=None if pooled is None else measure_likeness(pooled),
        curves=_curves(pooled, None, None),
        phasors=np.zeros(len(PHASE_HZ), np.complex128),
    )
