"""Loudness against BS.1770, EBU Tech 3341 and 3342, and two libraries by other hands."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pyebur128
import pytest
from numpy.typing import NDArray

from render.finish.k_weighting import design_k_weighting, k_weighting_response, two_practices_lu
from render.finish.loudness import (
    integrated_loudness_lufs,
    loudness_range_lu,
    max_momentary_lufs,
    max_short_term_lufs,
    measure_correlation,
    measure_mono_level_change_db,
    measure_mono_loudness_change_lu,
    measure_side_to_mid_db,
    measure_slots,
)
from render.finish.slots import SlotPowers, slot_frames
from tests.helpers.signals import noise, plucks, sine
from tests.helpers.source import source

Audio = NDArray[np.float64]
BS1770 = "ITU-R BS.1770-5 (11/2023)"
TECH3341 = "EBU Tech 3341, version 4 (2023)"
TECH3342 = "EBU Tech 3342 (2023)"
RATE_HZ = 48_000


def _slots(audio: Audio, sample_rate_hz: int = RATE_HZ) -> SlotPowers:
    return measure_slots(np.asfortranarray(audio), sample_rate_hz=sample_rate_hz)


def _tones(*parts: tuple[float, float | None]) -> Audio:
    """1 kHz in phase on both channels: duration in s and peak in dBFS, None for silence."""
    gains = [
        np.full(round(duration_s * RATE_HZ), 0.0 if peak_dbfs is None else 10.0 ** (peak_dbfs / 20.0))
        for duration_s, peak_dbfs in parts
    ]
    gain = np.concatenate(gains)
    wave = gain * np.sin(2.0 * np.pi * 1000.0 * np.arange(len(gain)) / RATE_HZ)
    return np.stack([wave, wave], axis=1)


def _stretch(slots: SlotPowers, first: int, count: int) -> SlotPowers:
    some = slice(first, first + count)
    return SlotPowers(
        weighted=slots.weighted[some],
        plain=slots.plain[some],
        sample_rate_hz=slots.sample_rate_hz,
        frames=count * slots.slot_frames,
    )


def _by_libebur128(
    audio: Audio, sample_rate_hz: int, *, mode: pyebur128.MeasurementMode
) -> pyebur128.R128State:
    state = pyebur128.R128State(2, sample_rate_hz, mode)
    state.add_frames(np.ascontiguousarray(audio).reshape(-1), len(audio))
    return state


def excess_of_libebur128_lu(sample_rate_hz: int) -> float:
    """How much higher the standard's response reads than libebur128, which copies the numerator 1, -2, 1."""
    return 20.0 * math.log10(design_k_weighting(sample_rate_hz)[1].b[0])


def _integrated_by_libebur128(audio: Audio, sample_rate_hz: int) -> float:
    state = _by_libebur128(audio, sample_rate_hz, mode=pyebur128.MeasurementMode.MODE_I)
    return float(pyebur128.get_loudness_global(state))


@source(BS1770, "Annex 1, tables 1 and 2", kind="standard", tolerance="1e-12: the prototypes carry 13 digits")
def test_coefficients_at_48_khz_are_the_printed_ones() -> None:
    """Both biquads at 48 kHz."""
    shelf, high_pass = design_k_weighting(48_000)
    assert shelf.b == pytest.approx((1.53512485958697, -2.69169618940638, 1.19839281085285), abs=1e-11)
    assert shelf.a == pytest.approx((-1.69065929318241, 0.73248077421585), abs=1e-11)
    assert high_pass.b == pytest.approx((1.0, -2.0, 1.0), abs=1e-9)
    assert high_pass.a == pytest.approx((-1.99004745483398, 0.99007225036621), abs=1e-11)


@source(
    BS1770,
    "the same response at other rates: analogue prototypes of the 48 kHz tables, pre-warped at each corner",
    kind="closed form",
    tolerance="1e-10: the prototypes carry 13 digits",
)
@pytest.mark.parametrize(
    ("rate", "shelf_b", "shelf_a", "high_b0", "high_a"),
    [
        (
            44_100,
            (1.53084123005035, -2.65097999515473, 1.16907907992159),
            (-1.66365511325602, 0.71259542807323),
            0.99956006454251,
            (-1.98916967362980, 0.98919903578704),
        ),
        (
            88_200,
            (1.55751537557965, -2.90562707992635, 1.36133397747221),
            (-1.83091998796233, 0.84414226108785),
            1.00227196335738,
            (-1.99457751545034, 0.99458487587805),
        ),
        (
            96_000,
            (1.55971422897580, -2.92674157825108, 1.37826120231582),
            (-1.84460946989011, 0.85584332293064),
            1.00249278898634,
            (-1.99501754472472, 0.99502375904092),
        ),
        (
            192_000,
            (1.57222721509128, -3.04728305156155, 1.47797134097961),
            (-1.92220223060749, 0.92511773511683),
            1.00374267537144,
            (-1.99750722284070, 0.99750877835551),
        ),
    ],
)
def test_coefficients_at_other_rates(
    rate: int,
    shelf_b: tuple[float, ...],
    shelf_a: tuple[float, ...],
    high_b0: float,
    high_a: tuple[float, ...],
) -> None:
    """Computed apart from the project's code, from the same prototypes."""
    shelf, high_pass = design_k_weighting(rate)
    assert shelf.b == pytest.approx(shelf_b, abs=1e-10)
    assert shelf.a == pytest.approx(shelf_a, abs=1e-10)
    assert high_pass.b == pytest.approx((high_b0, -2.0 * high_b0, high_b0), abs=1e-9)
    assert high_pass.a == pytest.approx(high_a, abs=1e-10)


@source(
    BS1770,
    "Annex 1: gain of the two filters in tables 1 and 2, evaluated on the unit circle",
    kind="closed form",
    tolerance="1e-8 dB: digits of the tables",
)
def test_gain_of_the_weighting_at_48_khz() -> None:
    """From 25 Hz to 20 kHz."""
    table = {
        25: -10.3927644292,
        50: -3.9340540496,
        100: -1.1334980927,
        200: -0.2648973367,
        500: 0.0424621894,
        997: 0.6910140955,
        1000: 0.6977043961,
        2000: 3.0712569554,
        4000: 3.9679969440,
        8000: 4.0394120341,
        10000: 4.0418822226,
        16000: 4.0430553393,
        20000: 4.0431141836,
    }
    response = k_weighting_response(np.array(list(table), float), sample_rate_hz=48_000)
    assert 20.0 * np.log10(np.abs(response)) == pytest.approx(list(table.values()), abs=1e-8)


@source(
    BS1770,
    "Annex 1: 0 dBFS sine of 997 Hz on one front channel reads -3.01 LKFS; third column the exact reading",
    kind="standard",
    tolerance="0.01 LU of the printed value, 0.002 LU of the exact one: the first 10 ms",
)
@pytest.mark.parametrize(
    ("rate", "exact"),
    [
        (44_100, -3.011346),
        (48_000, -3.010286),
        (88_200, -3.006249),
        (96_000, -3.005984),
        (176_400, -3.004975),
        (192_000, -3.004909),
    ],
)
def test_calibration_tone(rate: int, exact: float) -> None:
    """Six sample rates; both channels read 3.01 dB more, also in opposite polarity."""
    audio = sine(997.0, duration_s=5.0, sample_rate_hz=rate)
    audio[:, 1] = 0.0
    reading = integrated_loudness_lufs(_slots(audio, rate))
    assert reading == pytest.approx(-3.01, abs=0.01)
    assert reading == pytest.approx(exact, abs=0.002)
    if rate == 48_000:
        for sign in (1.0, -1.0):
            both = audio.copy()
            both[:, 1] = sign * both[:, 0]
            assert integrated_loudness_lufs(_slots(both)) == pytest.approx(exact + 3.0103, abs=0.002)


@source(TECH3341, "table 1, cases 1 and 2", kind="standard", tolerance="0.1 LU, as the table says")
@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_3341_steady_tone(level: float) -> None:
    """Momentary, short-term and integrated loudness of 20 s."""
    slots = _slots(_tones((20.0, level)))
    assert integrated_loudness_lufs(slots) == pytest.approx(level, abs=0.1)
    assert max_momentary_lufs(slots) == pytest.approx(level, abs=0.1)
    assert max_short_term_lufs(slots) == pytest.approx(level, abs=0.1)


@source(TECH3341, "table 1, cases 3 to 5", kind="standard", tolerance="0.1 LU, as the table says")
@pytest.mark.parametrize(
    "parts",
    [
        ((10.0, -36.0), (60.0, -23.0), (10.0, -36.0)),
        ((10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)),
        ((20.0, -26.0), (20.1, -20.0), (20.0, -26.0)),
    ],
)
def test_3341_gates(parts: tuple[tuple[float, float], ...]) -> None:
    """Absolute and relative gate."""
    assert integrated_loudness_lufs(_slots(_tones(*parts))) == pytest.approx(-23.0, abs=0.1)


@source(TECH3341, "table 1, case 9", kind="standard", tolerance="0.1 LU, as the table says")
def test_3341_short_term_is_constant() -> None:
    """Short-term loudness of every 3 s after the first 3 s."""
    slots = _slots(_tones(*[(1.34, -20.0), (1.66, -30.0)] * 5))
    readings = [max_short_term_lufs(_stretch(slots, first, 150)) for first in range(slots.whole_slots - 150)]
    assert readings == pytest.approx([-23.0] * len(readings), abs=0.1)


@source(TECH3341, "table 1, case 10", kind="standard", tolerance="0.1 LU, as the table says")
@pytest.mark.parametrize("case", range(0, 20, 3))
def test_3341_largest_short_term(case: int) -> None:
    """A 3 s tone that begins anywhere between the hops."""
    slots = _slots(_tones((case * 0.15, None), (3.0, -23.0), (1.0, None)))
    assert max_short_term_lufs(slots) == pytest.approx(-23.0, abs=0.1)


@source(TECH3341, "table 1, case 12", kind="standard", tolerance="0.1 LU, as the table says")
def test_3341_momentary_is_constant() -> None:
    """Momentary loudness of every 400 ms after the first second."""
    slots = _slots(_tones(*[(0.18, -20.0), (0.22, -30.0)] * 25))
    readings = [max_momentary_lufs(_stretch(slots, first, 20)) for first in range(50, slots.whole_slots - 20)]
    assert readings == pytest.approx([-23.0] * len(readings), abs=0.1)


@source(TECH3341, "table 1, case 13", kind="standard", tolerance="0.1 LU, as the table says")
@pytest.mark.parametrize("case", range(20))
def test_3341_largest_momentary(case: int) -> None:
    """A 400 ms tone that begins anywhere between the hops."""
    slots = _slots(_tones((case * 0.02, None), (0.4, -23.0), (1.0, None)))
    assert max_momentary_lufs(slots) == pytest.approx(-23.0, abs=0.1)


@source(
    TECH3342, "table 1, cases 1 to 4", kind="standard", tolerance="1 LU as the table says; 0.05 LU of ours"
)
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ((-20.0, -30.0), 10.0),
        ((-20.0, -15.0), 5.0),
        ((-40.0, -20.0), 20.0),
        ((-50.0, -35.0, -20.0, -35.0, -50.0), 15.0),
    ],
)
def test_3342_loudness_range(levels: tuple[float, ...], expected: float) -> None:
    """Tones of 20 s each."""
    reading = loudness_range_lu(_slots(_tones(*[(20.0, level) for level in levels])))
    assert reading == pytest.approx(expected, abs=0.05)


@source(
    TECH3342,
    "definition: nearest rank, P95 - P10; 21 levels from -40 to -20 in steps of 1 give 17",
    kind="closed form",
    tolerance="0.01 LU",
)
def test_3342_percentiles_by_hand() -> None:
    """Each level lasts much longer than the 3 s window would need, in powers written down directly."""
    slot = slot_frames(RATE_HZ)
    # One window of 3 s per level: slots alternate between a level and nothing that any window could mix.
    levels = np.repeat(np.arange(-40.0, -19.0), 3000)
    power = 10.0 ** ((levels + 0.691) / 10.0) * slot / 2.0
    sums = np.stack([power, power, power], axis=1)
    slots = SlotPowers(weighted=sums, plain=sums, sample_rate_hz=RATE_HZ, frames=len(sums) * slot)
    assert loudness_range_lu(slots) == pytest.approx(17.0, abs=0.1)


@source(
    "libebur128 1.2.6 through pyebur128",
    "integrated loudness; away from 48 kHz it copies the high-pass numerator 1, -2, 1 instead of scaling it",
    kind="library",
    tolerance="0.001 LU around that known difference; 0.005 LU without it at 44.1 and 48 kHz",
)
@pytest.mark.parametrize("rate", [22_050, 32_000, 44_100, 48_000, 96_000])
def test_integrated_against_libebur128(rate: int) -> None:
    """Plucked strings and noise with pauses, at usual and odd rates."""
    strings = plucks(3.0, sample_rate_hz=rate, seed=rate)
    hiss = noise(4 * rate, seed=rate + 1, rms=0.05)
    hiss[1 * rate : 3 * rate] *= 0.001
    hiss[:, 1] = 0.5 * hiss[:, 0] - 0.3 * hiss[:, 1]
    for audio in (strings, hiss):
        reading = integrated_loudness_lufs(_slots(audio, rate))
        other = _integrated_by_libebur128(audio, rate)
        assert reading == pytest.approx(other + excess_of_libebur128_lu(rate), abs=0.001)
        if rate in (44_100, 48_000):
            assert reading == pytest.approx(other, abs=0.005)


@source("libebur128 1.2.6 through pyebur128", "momentary and short-term", kind="library", tolerance="0.02 LU")
def test_end_windows_against_libebur128() -> None:
    """The last 400 ms and the last 3 s of a piece."""
    audio = plucks(5.0, sample_rate_hz=RATE_HZ, seed=3)
    state = _by_libebur128(audio, RATE_HZ, mode=pyebur128.MeasurementMode.MODE_S)
    slots = _slots(audio)
    momentary = max_momentary_lufs(_stretch(slots, 250 - 20, 20))
    short_term = max_short_term_lufs(_stretch(slots, 250 - 150, 150))
    assert momentary == pytest.approx(pyebur128.get_loudness_momentary(state), abs=0.02)
    assert short_term == pytest.approx(pyebur128.get_loudness_shortterm(state), abs=0.02)


@source(
    "pyloudnorm 0.2.0",
    "its high-pass has unity pass-band gain: 0.041 LU lower than the printed coefficients",
    kind="library",
    tolerance="0.01 LU around the known difference",
)
def test_integrated_against_pyloudnorm() -> None:
    """Lower by the known 0.041 LU."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyloudnorm
    audio = plucks(5.0, sample_rate_hz=RATE_HZ, seed=4)
    other = float(pyloudnorm.Meter(RATE_HZ).integrated_loudness(audio))
    assert integrated_loudness_lufs(_slots(audio)) == pytest.approx(other + 0.041, abs=0.01)


@source(
    "Algebra of mid and side: P_L + P_R = 2 (P_M + P_S)",
    "uncorrelated mid and side of ratio r: correlation (1 - r) / (1 + r), lost in mono 10 lg(1 + r)",
    kind="closed form",
    tolerance="0.01 dB and 1e-3: the two signals are orthogonal over the whole length only nearly",
)
@pytest.mark.parametrize(
    ("side_db", "correlation", "lost_db"),
    [
        (-20.0, 0.980198020, 0.043213738),
        (-6.0, 0.598479982, 0.973227937),
        (0.0, 0.0, 3.010299957),
        (6.0, -0.598479982, 6.973227937),
    ],
)
def test_stereo_figures(side_db: float, correlation: float, lost_db: float) -> None:
    """Sine and cosine of one frequency as mid and side."""
    angle = 2.0 * np.pi * 1000.0 * np.arange(5 * RATE_HZ) / RATE_HZ
    mid, side = 0.1 * np.sin(angle), 0.1 * 10.0 ** (side_db / 20.0) * np.cos(angle)
    slots = _slots(np.stack([mid + side, mid - side], axis=1))
    assert measure_correlation(slots) == pytest.approx(correlation, abs=1e-3)
    assert measure_side_to_mid_db(slots) == pytest.approx(side_db, abs=0.01)
    assert measure_mono_level_change_db(slots) == pytest.approx(-lost_db, abs=0.01)
    assert measure_mono_loudness_change_lu(slots) == pytest.approx(-lost_db, abs=0.01)


@source(
    BS1770,
    "less than one block of 400 ms, or nothing above -70 LKFS: there is no loudness",
    kind="standard",
    tolerance="none",
)
def test_undefined_loudness_is_none() -> None:
    """Too short, and too soft."""
    assert integrated_loudness_lufs(_slots(_tones((0.39, -20.0)))) is None
    assert integrated_loudness_lufs(_slots(_tones((2.0, -75.0)))) is None
    assert math.isfinite(integrated_loudness_lufs(_slots(_tones((0.4, -20.0)))) or math.inf)


@source(
    "ITU-R BS.1770-5 (11/2023): reading of 997 Hz, 0 dBFS, one channel, numerator scaled and copied",
    "Annex 1, tables 1 and 2 at other rates",
    kind="closed form",
    tolerance="2e-6 LU: six decimals",
)
@pytest.mark.parametrize(
    ("sample_rate_hz", "scaled_lufs", "copied_lufs"),
    [
        (44_100, -3.011346, -3.007524),
        (48_000, -3.010286, -3.010286),
        (88_200, -3.006249, -3.025960),
        (96_000, -3.005984, -3.027609),
        (176_400, -3.004975, -3.036465),
        (192_000, -3.004909, -3.037357),
    ],
)
def test_the_two_practices_are_as_far_apart_as_said(
    sample_rate_hz: int, scaled_lufs: float, copied_lufs: float
) -> None:
    """How far meters of the two practices are apart, from which the aim of a file is taken."""
    assert two_practices_lu(sample_rate_hz) == pytest.approx(scaled_lufs - copied_lufs, abs=2e-6)
