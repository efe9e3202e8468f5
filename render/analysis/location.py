"""One delay and one polarity for a whole take, how sure they are, and why there is none where there is none.

Stands behind `whitened`. A delayed copy has one delay, and only noise limits it. Two real sources have filters and
reflections of their own, so every frequency has another delay; the figure is then where the whitened correlation has
its main peak, and its uncertainty covers how far it would move if other frequencies were asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from render.analysis.coherence import Pooled, smooth_about
from render.analysis.whitened import (
    Band,
    Peak,
    choose_band,
    find_peak,
    nearby_peak,
    refine,
    statistical_error_s,
    unexplained_phase,
)

COVERAGE = 2.5
"""Standard errors of the stated uncertainty: 98.8 % of a normal distribution, of which at least 95 % are left where
the parts of the error are themselves only estimated (tests/reference/test_alignment.py counts)."""

LEAST_SIGNIFICANCE = 40.0
"""A peak counts when its square is so many times what random phases give. Of the some thousand lags looked at,
one of independent noise passes 25 once in a hundred takes; notes that last over many windows and bins at once make
phases less random than that, hence the margin."""

RIVAL = 0.85
"""A second peak this high might as well be the main one: other notes, another noise, and they change places."""

FARTHEST_RIVAL_S = 1.5e-3
"""A rival nearer than this (half a metre of air) is covered by the uncertainty; with one farther away there is no
answer, like with a single held note, whose correlation repeats every period."""

SURE_POLARITY = 0.3
"""The main peak must stand out by at least this much over the largest of the other sign (1: as that of a copy)."""

UNSURE_POLARITY = 0.55
"""Below this the plain sum over all strong frequencies must agree with the main peak."""

_REGULARISED_LEAST = 1e-4
_BANDS = 12
_LEAST_RIVAL = 0.6
_SIDE_LOBE = 0.21723  # of the opposite sign, beside the main peak of a full band: minimum of sin(x) / x
_CLOSE = 0.15  # of a period of the mean frequency


@dataclass(frozen=True)
class Location:
    """Where the main peak is.

    Attributes
    ----------
    delay_s : float
        Positive: the second source is later.
    uncertainty_s : float
        95 % of true delays lie within this of it, or more.
    statistical_s : float
        Standard error from noise alone.
    sign : int
        Of the main peak.
    polarity : int or None
        The sign, where it is sure.
    polarity_sureness : float
        0 to 1: how much the main peak stands out over the largest of the other sign.
    height : float
        Of the main peak; 1 for a delayed copy.
    band : Band
    reason : str or None
        Why there is no reliable delay: "no-coherence", "ambiguous"; the figures are then what they would be.
    """

    delay_s: float
    uncertainty_s: float
    statistical_s: float
    sign: int
    polarity: int | None
    polarity_sureness: float
    height: float
    band: Band
    reason: str | None


def locate(pooled: Pooled, *, size_s: float) -> Location | None:
    """Delay and polarity of the second source against the first; None if they have no frequency in common.

    Parameters
    ----------
    pooled : Pooled
    size_s : float
        Length of a window.
    """
    band = choose_band(pooled)
    if band is None:
        return None
    peak = find_peak(band, size_s=size_s)
    band, peak = _refined(pooled, band, peak)
    statistical_s = statistical_error_s(band, sign=peak.sign, delay_s=peak.delay_s)
    spread_s = _spread_s(band, peak)
    uncertainty_s = COVERAGE * math.hypot(statistical_s, spread_s)
    reason = None
    if peak.significance < LEAST_SIGNIFICANCE or not math.isfinite(uncertainty_s):
        reason = "no-coherence"
    elif any(ratio > RIVAL and abs(away_s) > FARTHEST_RIVAL_S for away_s, ratio in peak.rivals):
        reason = "ambiguous"
    uncertainty_s = math.hypot(uncertainty_s, _near_rival_s(peak))
    sureness = min(1.0, max(0.0, 1.0 - peak.opposite) / (1.0 - _SIDE_LOBE))
    sure = sureness >= UNSURE_POLARITY or (
        sureness >= SURE_POLARITY and _plain_sign(pooled, peak.delay_s) == peak.sign
    )
    return Location(
        delay_s=peak.delay_s,
        uncertainty_s=uncertainty_s,
        statistical_s=statistical_s,
        sign=peak.sign,
        polarity=peak.sign if sure and reason is None else None,
        polarity_sureness=sureness,
        height=peak.height,
        band=band,
        reason=reason,
    )


def _refined(pooled: Pooled, band: Band, peak: Peak) -> tuple[Band, Peak]:
    """The place of the peak once more, from bins smoothed about it and with the weights that suit the sources.

    Maximum likelihood for a delayed copy, towards the phase transform as the sources have filters of their own.
    Which peak is the main one, and how far it stands out, remains as it was with even weights.
    """
    smooth = smooth_about(pooled, delay_s=peak.delay_s)
    even = choose_band(smooth)
    if even is None:
        return band, peak
    delay_s = refine(even, sign=peak.sign, start_s=peak.delay_s, reach_s=_CLOSE / even.mean_hz)
    unexplained = unexplained_phase(even, sign=peak.sign, delay_s=delay_s)
    averages = 1.0 / float(np.median(smooth.chance[smooth.usable]))
    regularisation = min(1.0, max(_REGULARISED_LEAST, 2.0 * averages * unexplained))
    suited = choose_band(smooth, regularisation=regularisation)
    if suited is None:
        return even, replace(peak, delay_s=delay_s)
    delay_s = refine(suited, sign=peak.sign, start_s=delay_s, reach_s=_CLOSE / suited.mean_hz)
    return suited, replace(peak, delay_s=delay_s)


def _spread_s(band: Band, peak: Peak) -> float:
    """Standard error from the sources' own filters: three views of how far the delays of frequencies part.

    - leaving out one of twelve bands at a time (jackknife);
    - the lower half of the band alone, against the whole;
    - the phases that noise does not explain, over the root mean square frequency: by so much the peak moves if they
      all lean to one side.
    """
    sign, delay_s = peak.sign, peak.delay_s
    unexplained = unexplained_phase(band, sign=sign, delay_s=delay_s)
    turned_s = math.sqrt(unexplained) / (2.0 * math.pi * band.mean_hz)
    edges_hz = np.geomspace(band.frequency_hz[0], 1.001 * band.frequency_hz[-1], _BANDS + 1)
    owner = np.searchsorted(edges_hz, band.frequency_hz, side="right") - 1
    moved = []
    for number in np.unique(owner):
        rest = _part(band, owner != number)
        if rest is not None:
            moved.append(refine(rest, sign=sign, start_s=delay_s, reach_s=0.25 / rest.mean_hz) - delay_s)
    jackknife_s = math.sqrt((len(moved) - 1) / len(moved)) * _norm(moved) if len(moved) > 1 else 0.0
    lower_s = 0.0
    sums = np.cumsum(band.weight)
    lower = _part(band, sums <= 0.5 * sums[-1])
    if lower is not None:
        reach_s = 0.4 / lower.mean_hz
        other_s = nearby_peak(lower, sign=sign, near_s=delay_s, reach_s=reach_s) - delay_s
        by_chance_s = 2.0 * statistical_error_s(lower, sign=sign, delay_s=delay_s)
        lower_s = math.sqrt(max(0.0, other_s**2 - by_chance_s**2)) if math.isfinite(by_chance_s) else 0.0
    return math.sqrt(jackknife_s**2 + lower_s**2 + 3.0 * turned_s**2)


def _near_rival_s(peak: Peak) -> float:
    """Distance of the farthest peak nearby that might as well be the main one; 0 if none might.

    The lower the main peak, the less phases agree on it, and the more its lead is a matter of which frequencies sound.
    """
    ratio_needed = min(RIVAL, max(_LEAST_RIVAL, 1.0 - 0.35 * (1.0 - peak.height) / peak.height))
    near = [
        abs(away_s)
        for away_s, ratio in peak.rivals
        if ratio > ratio_needed and abs(away_s) <= FARTHEST_RIVAL_S
    ]
    return max(near, default=0.0)


def _part(band: Band, some: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Band | None:
    """Some bins of a band; None if hardly any are left."""
    if np.count_nonzero(some) < 4 or not np.any(band.weight[some] > 0.0):
        return None
    return Band(
        frequency_hz=band.frequency_hz[some],
        phasor=band.phasor[some],
        weight=band.weight[some],
        noise=band.noise[some],
        bin_correlation=band.bin_correlation,
    )


def _norm(values: list[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values))


def _plain_sign(pooled: Pooled, delay_s: float) -> int:
    """Sign of the plain correlation, level and all, at a delay: mostly of the low notes."""
    turned = pooled.cross * np.exp(2j * np.pi * pooled.frequency_hz * delay_s)
    return 1 if float(np.sum(turned.real[pooled.usable])) >= 0.0 else -1
