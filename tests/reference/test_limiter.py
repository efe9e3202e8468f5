"""The finished level by other people's meters: the ceiling holds, the loudness is as asked, the bass stays clean."""

from __future__ import annotations

import math

import numpy as np
import pyebur128
import pytest
from numpy.typing import NDArray
from scipy import signal

from render.finish.level import FinishPlan, apply_finish_block, plan_finish
from tests.helpers.signals import plucks, sine
from tests.helpers.source import source
from tests.reference.test_loudness import excess_of_libebur128_lu
from tests.reference.test_true_peak import annex_2_peak, scipy_peak

Audio = NDArray[np.float64]
RATE_HZ = 48_000


def _finished(audio: Audio, rate: int = RATE_HZ, **settings: float) -> tuple[FinishPlan, Audio]:
    store = np.asfortranarray(audio, np.float32)
    store.setflags(write=False)
    plan = plan_finish(store, sample_rate_hz=rate, **settings)  # type: ignore[arg-type]
    return plan, apply_finish_block(store, plan, 0, plan.frames)


def _loudness_by_libebur128(audio: Audio, rate: int) -> float:
    state = pyebur128.R128State(2, rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(audio).reshape(-1), len(audio))
    return float(pyebur128.get_loudness_global(state))


def _accented(duration_s: float, rate: int) -> Audio:
    """Plucks of which some are much louder than the rest."""
    audio = plucks(duration_s, sample_rate_hz=rate, seed=rate)
    seconds = np.arange(len(audio)) / rate
    accents = 1.0 + 2.5 * np.exp(-((((seconds + 0.2) % 1.1) - 0.5) ** 2) / 0.02**2)
    return np.asarray(audio * accents[:, np.newaxis], np.float64)


@source(
    "EBU Tech 3341, version 4 (2023)",
    "case 16 (sine of fs/4, 0.50, 45 degrees), 6 dB louder, ceiling -1 dBTP",
    kind="standard",
    tolerance="0.01 dB by 16 times oversampling; the printed filter's known +0.05 dB for this signal",
)
def test_sine_between_samples_is_limited() -> None:
    """Its samples stay at -3 dBFS and need nothing, its waveform does."""
    wave = np.sin(2.0 * np.pi * np.arange(RATE_HZ) / 4 + np.pi / 4)
    plan, finished = _finished(np.stack([wave, wave], axis=1), max_true_peak_dbtp=-1.0)
    assert plan.limiter_max_reduction_db == pytest.approx(1.0, abs=0.2)
    middle = finished[RATE_HZ // 4 : -RATE_HZ // 4]
    assert 20.0 * math.log10(scipy_peak(middle * np.hanning(len(middle))[:, np.newaxis])) <= -1.0 + 0.01
    assert 20.0 * math.log10(annex_2_peak(middle)) <= -1.0 + 0.06


@source(
    "SciPy, signal.resample_poly, and libebur128 1.2.6 through pyebur128",
    "bounds of design.md: true peak at 16 times oversampling, integrated loudness",
    kind="library",
    tolerance="ceiling + 0.05 dB, target +- 0.01 LU",
)
@pytest.mark.parametrize(("rate", "target"), [(44_100, -15.0), (48_000, -14.0), (96_000, -14.0)])
def test_finished_plucks_by_other_meters(rate: int, target: float) -> None:
    """Loud targets that the limiter has to work for."""
    audio = _accented(2.0, rate)
    plan, finished = _finished(
        audio, rate, loudness_lufs=target, max_true_peak_dbtp=-1.0, limit_at_most_db=12.0
    )
    assert plan.gave_way_lu == 0.0
    assert plan.limiter_max_reduction_db > 1.5
    assert _loudness_by_libebur128(finished, rate) + excess_of_libebur128_lu(rate) == pytest.approx(
        target, abs=0.01
    )
    assert plan.loudness_lufs == pytest.approx(target, abs=0.005)
    assert 20.0 * math.log10(scipy_peak(finished)) <= -1.0 + 0.01
    default = np.abs(signal.resample_poly(finished, 16, 1, axis=0)).max()
    assert 20.0 * math.log10(default) <= -1.0 + 0.05
    assert 20.0 * math.log10(annex_2_peak(finished)) <= -1.0 + 0.22
    assert plan.true_peak_dbtp == pytest.approx(20.0 * math.log10(scipy_peak(finished)), abs=0.01)


@source(
    "Distortion of a sine by its limiter",
    "82.41 Hz (low E), 61.74 Hz (low B) and 55 Hz, 3 dB and 6 dB over the ceiling: harmonics and noise, in the middle",
    kind="common practice, no source",
    tolerance="-90 dB of the sine; inaudible is far above that",
)
@pytest.mark.parametrize("frequency_hz", [82.4069, 61.7354, 55.0])
def test_low_strings_are_not_distorted(frequency_hz: float) -> None:
    """The gain does not follow the wave."""
    over_db = 6.0 if frequency_hz < 60.0 else 3.0
    audio = sine(frequency_hz, duration_s=2.0, sample_rate_hz=RATE_HZ, peak_dbfs=over_db - 1.0)
    plan, finished = _finished(audio, max_true_peak_dbtp=-1.0, limit_at_most_db=12.0)
    assert plan.limiter_max_reduction_db >= over_db
    middle = finished[RATE_HZ // 2 : -RATE_HZ // 4, 0]
    spectrum = np.abs(np.fft.rfft(middle * signal.windows.blackmanharris(len(middle)))) ** 2
    tone = np.abs(np.arange(len(spectrum)) * RATE_HZ / len(middle) - frequency_hz) < 4.0
    assert 10.0 * math.log10(spectrum[~tone].sum() / spectrum[tone].sum()) <= -90.0


@source(
    "AES TD1008 (2021)",
    "music at -16 LUFS, at most -1 dBTP (values by trade texts)",
    kind="standard",
    tolerance="design.md: 0.02 LU, 0.05 dB",
)
def test_second_run_changes_nothing() -> None:
    """A finished file finished again keeps its samples."""
    audio = _accented(2.0, RATE_HZ)
    _, finished = _finished(audio, loudness_lufs=-16.0, max_true_peak_dbtp=-1.0, limit_at_most_db=12.0)
    plan, again = _finished(finished, loudness_lufs=-16.0, max_true_peak_dbtp=-1.0, limit_at_most_db=12.0)
    assert plan.gain_db == pytest.approx(0.0, abs=0.01)
    assert plan.limiter_max_reduction_db <= 0.01
    assert again == pytest.approx(finished, abs=2e-3)
