"""Versions come to one loudness by gain alone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from render.finish.loudness import integrated_loudness_lufs, measure_slots
from render.finish.matching import Unmatched, highest_common_loudness_lufs, matching_gain_db
from render.finish.true_peak import true_peak_gain
from render.units import db_from_gain, gain_from_db
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


def unmatched(audio: NDArray[np.float64]) -> Unmatched:
    """Measured as it is."""
    return Unmatched(
        measure_slots(audio, sample_rate_hz=RATE_HZ),
        db_from_gain(true_peak_gain(audio, sample_rate_hz=RATE_HZ)),
    )


@pytest.mark.parametrize("level_db", [-70.0, -20.0, 0.0])
def test_gain_meets_the_loudness(level_db: float) -> None:
    """Whatever the level before, even below the absolute gate."""
    audio = plucks(5.0, sample_rate_hz=RATE_HZ) * gain_from_db(level_db)
    gain_db = matching_gain_db(measure_slots(audio, sample_rate_hz=RATE_HZ), loudness_lufs=-18.0)

    assert gain_db is not None
    after = integrated_loudness_lufs(measure_slots(audio * gain_from_db(gain_db), sample_rate_hz=RATE_HZ))
    assert after == pytest.approx(-18.0, abs=0.002)


def test_silence_has_no_gain() -> None:
    """Nor has what is shorter than 400 ms."""
    for audio in (np.zeros((RATE_HZ, 2)), noise(RATE_HZ // 4)):
        assert matching_gain_db(measure_slots(audio, sample_rate_hz=RATE_HZ), loudness_lufs=-18.0) is None


def test_the_peakiest_version_decides() -> None:
    """The loudness is the highest at which nothing stands over the ceiling, and no higher than asked."""
    smooth = noise(5 * RATE_HZ, rms=0.05)
    peaky = smooth.copy()
    peaky[RATE_HZ] = 0.9
    versions = [unmatched(smooth), unmatched(peaky)]

    asked = highest_common_loudness_lufs(versions[:1], at_most_lufs=-30.0, max_true_peak_dbtp=-1.0)
    assert asked == -30.0
    loudness = highest_common_loudness_lufs(versions, at_most_lufs=-12.0, max_true_peak_dbtp=-1.0)
    gain_db = matching_gain_db(versions[1].slots, loudness_lufs=loudness)
    assert gain_db is not None
    assert -1.01 < versions[1].true_peak_dbtp + gain_db <= -1.005 + 1e-6


def test_versions_without_loudness_do_not_count() -> None:
    """Silence holds nothing down."""
    assert (
        highest_common_loudness_lufs(
            [unmatched(np.zeros((RATE_HZ, 2)))], at_most_lufs=-16.0, max_true_peak_dbtp=-1.0
        )
        == -16.0
    )


def test_refuses_what_is_out_of_range() -> None:
    """Loudness and ceiling have ranges."""
    slots = measure_slots(np.zeros((RATE_HZ, 2)), sample_rate_hz=RATE_HZ)
    with pytest.raises(ValueError, match="loudness_lufs must be -70 to 0"):
        matching_gain_db(slots, loudness_lufs=3.0)
    with pytest.raises(ValueError, match="at_most_lufs must be -70 to 0"):
        highest_common_loudness_lufs([], at_most_lufs=1.0, max_true_peak_dbtp=-1.0)
    with pytest.raises(ValueError, match="max_true_peak_dbtp must be -60 to 0"):
        highest_common_loudness_lufs([], at_most_lufs=-16.0, max_true_peak_dbtp=1.0)
