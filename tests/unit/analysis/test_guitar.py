"""Tests of one guitar put together from its takes."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from render.analysis.balance import LINES_HZ, TakeBalance, measure_balance
from render.analysis.guitar import (
    THIRDS_HZ,
    UnfitError,
    combine_takes,
    excess_db,
    in_thirds,
    low_excess_db,
    side_to_mid_db,
    typical_level_db,
    without_hum,
)
from tests.helpers.known_guitar import RATE_HZ, Known, balance_db, play_known

BOOMY = Known(booms=((105.0, 9.0, 6.0),), shelf=(220.0, 5.0), gain=0.5)


@cache
def _take(seed: int = 1, gain: float = 1.0) -> TakeBalance:
    return measure_balance(gain * play_known(BOOMY, seed=seed, duration_s=10.0), sample_rate_hz=RATE_HZ)


def test_balance_is_that_of_a_plain_transform() -> None:
    """Low band and third octaves read what a transform of the whole sound reads."""
    audio = play_known(BOOMY, seed=1, duration_s=10.0)
    low_db, thirds_db = balance_db(audio[:, 0], audio[:, 1])
    guitar = combine_takes([_take()])

    first = int(np.argmin(np.abs(THIRDS_HZ - 80.0)))
    assert low_excess_db(guitar) == pytest.approx(low_db, abs=0.4)  # ends count less in windows
    assert np.allclose(excess_db(guitar)[first : first + 7], thirds_db, atol=0.6)


def test_a_loud_take_does_not_speak_for_all() -> None:
    """Takes count alike whatever their level."""
    quiet, loud = _take(2), _take(3)
    louder = replace(loud, power=100.0 * loud.power, shared=100.0 * loud.shared, quiet=100.0 * loud.quiet)

    assert low_excess_db(combine_takes([quiet, loud])) == pytest.approx(
        low_excess_db(combine_takes([quiet, louder]))
    )


def test_level_is_that_of_the_middle_band() -> None:
    """The microphone at half the pickup's level reads -6 dB."""
    assert typical_level_db(combine_takes([_take(), _take(2)])) == pytest.approx(-6.0, abs=1.0)


def test_what_only_one_source_has_is_not_used() -> None:
    """Third octaves in which the microphone holds noise of its own are not carried by both."""
    audio = play_known(Known(), seed=4, duration_s=10.0)
    rumble = np.fft.rfft(np.random.default_rng(1).standard_normal(len(audio)))
    rumble[np.arange(len(rumble)) * RATE_HZ / len(audio) > 55.0] = 0.0
    audio[:, 1] += 0.5 * np.fft.irfft(rumble, len(audio))
    guitar = combine_takes([measure_balance(audio, sample_rate_hz=RATE_HZ)])

    assert not guitar.usable[THIRDS_HZ < 45.0].any()
    assert np.isnan(excess_db(guitar)[THIRDS_HZ < 45.0]).all()
    assert guitar.usable[(THIRDS_HZ > 200.0) & (THIRDS_HZ < 2000.0)].all()


def test_hum_is_left_out() -> None:
    """A line of hum is replaced by what lies beside it."""
    power = np.ones((2, len(LINES_HZ)))
    power[:, np.abs(LINES_HZ - 100.0) < 1.0] = 1e4

    assert np.array_equal(without_hum(power, [100.0]), np.ones_like(power))
    assert np.array_equal(without_hum(power, [15_000.0]), power)


def test_side_to_mid_follows_gains() -> None:
    """3 dB more on the side are 3 dB more of it."""
    guitar = combine_takes([_take()])
    flat = np.ones(len(LINES_HZ))
    (plain,) = side_to_mid_db(guitar, mid=flat, side=flat)
    (wider,) = side_to_mid_db(guitar, mid=flat, side=2.0 * flat)
    (turned,) = side_to_mid_db(guitar, mid=flat, side=flat, mid_source=1)

    assert wider - plain == pytest.approx(3.0103, abs=1e-3)
    assert turned == pytest.approx(-plain)


def test_sums_of_third_octaves_keep_energy() -> None:
    """Every line from 36 Hz up belongs to one third octave."""
    power = np.random.default_rng(1).random((2, len(LINES_HZ)))

    assert in_thirds(power).sum() == pytest.approx(power[:, LINES_HZ > 35.1].sum(), rel=1e-3)


def test_too_little_sound_is_refused() -> None:
    """Less than five seconds show no guitar."""
    short = measure_balance(play_known(Known(), seed=1, duration_s=3.0), sample_rate_hz=RATE_HZ)

    with pytest.raises(UnfitError, match=r"only 3\.\d s of sound"):
        combine_takes([short])
    with pytest.raises(UnfitError, match=r"only 0\.0 s of sound"):
        combine_takes([])


def test_a_silent_source_is_refused() -> None:
    """Nothing can be measured of one source alone."""
    audio = play_known(Known(), seed=1, duration_s=8.0)
    audio[:, 1] = 0.0

    with pytest.raises(UnfitError, match="the microphone is silent"):
        combine_takes([measure_balance(audio, sample_rate_hz=RATE_HZ)])


def test_two_strangers_are_refused() -> None:
    """Two sources that have nothing in common are no guitar with two sources."""
    audio = play_known(Known(), seed=1, duration_s=20.0)
    audio[:, 1] = np.random.default_rng(1).standard_normal(len(audio)) * 0.1

    with pytest.raises(UnfitError, match="nothing in common"):
        combine_takes([measure_balance(audio, sample_rate_hz=RATE_HZ)])
