"""Versions of a listening page by other people's meters, and their width by the algebra of mid and side."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
from numpy.typing import NDArray

from render.analysis.stereo_bands import measure_stereo_bands
from render.finish.loudness import measure_slots
from render.finish.matching import Unmatched, highest_common_loudness_lufs, matching_gain_db
from render.finish.true_peak import true_peak_gain
from render.units import db_from_gain, gain_from_db
from tests.helpers.signals import noise, plucks
from tests.helpers.source import source
from tests.reference.test_true_peak import scipy_peak

Audio = NDArray[np.float64]


def _by_libebur128(audio: Audio, rate_hz: int) -> float:
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(audio).reshape(-1), len(audio))
    return float(pyebur128.get_loudness_global(state))


def _versions(rate_hz: int) -> list[Audio]:
    """One playing in several hands: as it is, dull, wide, soft, and with a knock."""
    base = plucks(3.0, sample_rate_hz=rate_hz, seed=rate_hz)
    dull = np.apply_along_axis(lambda row: np.convolve(row, np.ones(24) / 24.0, "same"), 0, base)
    wide = base * [1.0, -0.4] + 0.3 * base[:, ::-1]
    knock = base.copy()
    knock[rate_hz, 0] = 0.95
    return [base, dull, wide, 1e-3 * base, knock]


@source(
    "libebur128 1.2, by pyebur128",
    "integrated loudness; scipy.signal.resample_poly at 16 times for peaks",
    kind="library",
    tolerance="0.05 LU: the issue's bound; its weighting differs by up to 0.032 LU at high rates",
)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_versions_end_at_one_loudness_below_the_ceiling(rate_hz: int) -> None:
    """All within 0.05 LU of the common loudness; the highest peak stands at the ceiling, none above it."""
    versions = _versions(rate_hz)
    measured = [
        Unmatched(
            measure_slots(audio, sample_rate_hz=rate_hz),
            db_from_gain(true_peak_gain(audio, sample_rate_hz=rate_hz)),
        )
        for audio in versions
    ]
    loudness = highest_common_loudness_lufs(measured, at_most_lufs=-16.0, max_true_peak_dbtp=-1.0)
    peaks = []
    for audio, version in zip(versions, measured, strict=True):
        gain_db = matching_gain_db(version.slots, loudness_lufs=loudness)
        assert gain_db is not None
        matched = audio * gain_from_db(gain_db)
        assert _by_libebur128(matched, rate_hz) == pytest.approx(loudness, abs=0.05)
        top = int(np.argmax(np.abs(matched).max(axis=1)))
        peaks.append(db_from_gain(scipy_peak(matched[max(0, top - 2000) : top + 2000])))
    assert loudness < -16.0
    assert max(peaks) == pytest.approx(-1.0, abs=0.05)


@source(
    "algebra of sum and difference: rho = (1 - r) / (1 + r) for uncorrelated mid and side of power ratio r",
    "S/M -20, -10, -6, -3, 0, 3, 6 dB",
    kind="closed form",
    tolerance="0.03: octaves of 20 s of noise scatter by that",
)
@pytest.mark.parametrize(
    ("side_db", "rho"),
    [(-20, 0.980198020), (-10, 0.818181818), (-6, 0.598479982), (-3, 0.332278849), (0, 0.0), (3, -0.332278849),
     (6, -0.598479982)],
)  # fmt: skip
def test_correlation_of_octaves(side_db: float, rho: float) -> None:
    """Every octave shows the ratio and the correlation that belongs to it."""
    mid, side = noise(48_000 * 20, seed=7).T
    side = side * gain_from_db(side_db)
    found = measure_stereo_bands(np.stack([mid + side, mid - side], axis=1), sample_rate_hz=48_000)
    upper = found.octave_hz > 400.0
    assert np.abs(found.correlation[upper] - rho).max() < 0.03
    assert np.abs(10.0 * np.log10(found.side_to_mid[upper]) - side_db).max() < 0.35
