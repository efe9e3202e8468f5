"""Moments of the error after dither and rounding, against theory."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from render.finish.dither import quantise
from tests.helpers.signals import sine
from tests.helpers.source import source

THEORY = "Lipshitz, Wannamaker, Vanderkooy, Quantization and Dither: A Theoretical Survey, JAES 40(5), 1992, 355-375"
FRAMES = 1_000_000


def _error_lsb(audio: NDArray[np.float64], bit_depth: Literal[16, 24], key: int = 1) -> NDArray[np.float64]:
    """Total error in steps of the last bit."""
    whole = quantise(audio, bit_depth=bit_depth, first_frame=0, key=key) >> (32 - bit_depth)
    return np.asarray(whole - audio * 2.0 ** (bit_depth - 1), np.float64)


@source(
    THEORY,
    "triangular dither of 2 LSB peak to peak: mean 0, variance LSB^2 / 4, whatever the signal",
    kind="paper",
    tolerance="5 standard deviations of 2 million samples",
)
@pytest.mark.parametrize(("bit_depth", "grid_lsb"), [(16, 2.0**-16), (24, 2.0**-8)])
@pytest.mark.parametrize("offset_lsb", [0.0, 0.1, 0.25, 0.5, 0.8])
def test_mean_and_variance_do_not_depend_on_the_signal(
    offset_lsb: float, bit_depth: Literal[16, 24], grid_lsb: float
) -> None:
    """A constant between two steps: where rounding alone would err by the signal itself."""
    # On the grid of the dither, where theory holds exactly.
    constant = round(offset_lsb / grid_lsb) * grid_lsb * 2.0 ** (1 - bit_depth)
    error = _error_lsb(np.full((FRAMES, 2), constant), bit_depth)
    # Standard deviations: 0.5 / sqrt(n) of the mean; of the variance sqrt((m4 - 1/16) / n), m4 < 0.25.
    assert float(error.mean()) == pytest.approx(0.0, abs=5 * 0.5 / math.sqrt(2 * FRAMES))
    assert float((error**2).mean()) == pytest.approx(0.25, abs=5 * 0.44 / math.sqrt(2 * FRAMES))


@source(
    THEORY,
    "noise of LSB^2 / 4 (LSB = 2^(1 - bits)) against amplitude 1.0: -96.3296 dB at 16, -144.4944 dB at 24 bits",
    kind="closed form",
    tolerance="0.01 dB: 4 standard deviations",
)
@pytest.mark.parametrize(("bit_depth", "level_db"), [(16, -96.3295986125), (24, -144.4943979187)])
def test_noise_power(bit_depth: Literal[16, 24], level_db: float) -> None:
    """Under a tone as in silence."""
    for audio in (np.zeros((FRAMES, 2)), sine(997.0, duration_s=FRAMES / 48000, sample_rate_hz=48000) * 0.7):
        error = _error_lsb(audio, bit_depth) * 2.0 ** (1 - bit_depth)
        assert 10.0 * math.log10(float((error**2).mean())) == pytest.approx(level_db, abs=0.01)


@source(
    THEORY,
    "silence: P(0) = 3/4, P(1) = P(-1) = 1/8",
    kind="closed form",
    tolerance="5 standard deviations",
)
@pytest.mark.parametrize("bit_depth", [16, 24])
def test_shares_of_the_steps_in_silence(bit_depth: Literal[16, 24]) -> None:
    """Rounded triangular noise."""
    silence = np.zeros((FRAMES, 2))
    whole = quantise(silence, bit_depth=bit_depth, first_frame=0, key=3) >> (32 - bit_depth)
    for step, share in ((0, 0.75), (1, 0.125), (-1, 0.125)):
        assert float((whole == step).mean()) == pytest.approx(
            share, abs=5 * math.sqrt(share * (1 - share) / (2 * FRAMES))
        )


@source(
    THEORY,
    "with triangular dither the error is white and uncorrelated with the signal",
    kind="paper",
    tolerance="5 standard deviations",
)
def test_error_is_white_and_knows_nothing_of_signal_or_other_channel() -> None:
    """Correlation with the signal, the other channel, and its own past are all nil."""
    audio = sine(441.0, duration_s=FRAMES / 48000, sample_rate_hz=48000, peak_dbfs=-60.0)
    error = _error_lsb(audio, 16)
    left, right, tone = error[:, 0], error[:, 1], audio[:, 0]
    bound = 5.0 / math.sqrt(FRAMES)
    assert abs(float(np.corrcoef(left, tone)[0, 1])) < bound
    assert abs(float(np.corrcoef(left, right)[0, 1])) < bound
    for lag in (1, 2, 3, 10, 16384, 65536):
        assert abs(float(np.corrcoef(left[lag:], left[:-lag])[0, 1])) < bound * 1.05


@source(
    THEORY,
    "dither makes the quantiser linear on average: no threshold below one step",
    kind="paper",
    tolerance="5 standard deviations of the fit",
)
def test_a_tone_far_below_one_step_survives() -> None:
    """A sine of a tenth of a step is still there, with its level; without dither it would be gone."""
    tone = sine(997.0, duration_s=FRAMES / 48000, sample_rate_hz=48000) * 0.1 * 2.0**-15
    whole = quantise(tone, bit_depth=16, first_frame=0, key=4)[:, 0] / 2.0**31
    level = float(whole @ tone[:, 0]) / float(tone[:, 0] @ tone[:, 0])
    assert level == pytest.approx(1.0, abs=5 * 0.5 / (0.1 * math.sqrt(FRAMES / 2)))
