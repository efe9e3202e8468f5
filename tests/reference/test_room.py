"""The room against what is asked of it, measured without any of its own code; and the measures against other people's.

Ideal noise, which the room is compared with, is made here: white noise cut into quarter octaves, each with its own
exponential decay. The bounds are those of the design's table of numbers.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import pyroomacoustics.experimental
import pytest
from numpy.typing import NDArray
from scipy import fft

from render.analysis.decay import (
    band_centres_hz,
    band_gain,
    decay_curve_db,
    decay_time_s,
    expected_decay,
    filter_band,
    measure_decay,
)
from render.analysis.density import (
    NOISE_SPREAD_DB,
    measure_coherence,
    measure_echo_density,
    measure_level_spread_db,
)
from render.stages.room import room_response
from render.stages.room.law import DecayLaw
from tests.helpers.source import source

Array = NDArray[np.float64]

ISO_3382 = "ISO 3382-1:2009, Acoustics - Measurement of room acoustic parameters"
JOT = "J.-M. Jot, A. Chaigne, Digital delay networks for designing artificial reverberators, AES 90th Conv., 1991"
ABEL = "J. S. Abel, P. Huang, A simple, robust measure of reverberation echo density, AES 121st Conv., 2006, 6985"
IDEAL = "Gaussian noise of the asked decay, made and measured in this file"

SEEDS = range(1, 9)
NOISES = 24
OCTAVES_HZ = band_centres_hz(125.0, 8000.0)


@dataclass(frozen=True)
class Asked:
    """One room of the grid."""

    rate_hz: int
    decay_s: float
    low_ratio: float
    high_ratio: float
    scale: float
    high_pass_hz: float = 0.0
    low_pass_hz: float = 1e6

    @property
    def frames(self) -> int:
        """Enough for T30, with what comes after it."""
        return round(1.1 * self.decay_s * max(1.0, self.low_ratio) * self.rate_hz)

    def law_s(self, frequency_hz: Array) -> Array:
        """Straight on log-log axes between 125 Hz, 1 kHz and 8 kHz, constant outside."""
        points = np.log(self.decay_s * np.array([self.low_ratio, 1.0, self.high_ratio]))
        return np.asarray(np.exp(np.interp(np.log(frequency_hz), np.log([125.0, 1000.0, 8000.0]), points)))

    def response(self, seed: int, *, shared_fraction: float = 0.0) -> Array:
        """The room itself, without pre-delay."""
        return _response(self, seed, shared_fraction)


@functools.lru_cache(maxsize=32)
def _response(asked: Asked, seed: int, shared_fraction: float) -> Array:
    """Kept for the tests that ask for the same room."""
    room = room_response(
        sample_rate_hz=asked.rate_hz,
        decay_1khz_s=asked.decay_s,
        decay_125hz_ratio=asked.low_ratio,
        decay_8khz_ratio=asked.high_ratio,
        level_db=-16.0,
        pre_delay_ms=0.0,
        delay_scale=asked.scale,
        shared_fraction=shared_fraction,
        high_pass_hz=asked.high_pass_hz,
        low_pass_hz=asked.low_pass_hz,
        seed=seed,
    )
    room.setflags(write=False)
    return room


CHAMBER = Asked(48000, 0.4, 1.1, 0.5, 0.6)
DEFAULT = Asked(48000, 1.4, 1.1, 0.5, 1.0, 120.0, 9000.0)
HALL = Asked(44100, 1.8, 1.3, 0.3, 2.0)
ROOMS = pytest.mark.parametrize("asked", [CHAMBER, DEFAULT, HALL], ids=["chamber", "default", "hall"])


@dataclass(frozen=True)
class Readings:
    """What is measured of the rooms of 8 seeds, own sides only, and of as good noise."""

    t30_s: Array  # (seeds and sides, octaves)
    density: Array  # (seeds, sides)
    spread_db: Array  # (seeds, sides)
    coherence: Array  # (seeds,)
    noise_t30_s: Array  # (noises, octaves)
    noise_coherence: Array  # (pairs,)


def _t30_s(responses: Array, rate_hz: int) -> Array:
    """(responses, octaves) of (frames, responses)."""
    octaves = []
    for centre_hz in OCTAVES_HZ:
        band = filter_band(responses, sample_rate_hz=rate_hz, centre_hz=float(centre_hz))
        octaves.append([times.t30_s for times in measure_decay(band, sample_rate_hz=rate_hz)])
    return np.asarray(octaves).T


def _ideal_noise(asked: Asked, count: int) -> Array:
    """(frames, count): every quarter octave dies as the law asks at its centre; filtered as the room is."""
    random = np.random.default_rng(11)
    padded = fft.next_fast_len(asked.frames + asked.rate_hz // 4, real=True)
    spectrum = fft.rfft(random.standard_normal((count, asked.frames)), padded, axis=1)
    frequency_hz = np.maximum(np.arange(spectrum.shape[1]) * (asked.rate_hz / padded), 1.0)
    spectrum /= np.sqrt(1.0 + (frequency_hz / asked.low_pass_hz) ** 4)
    if asked.high_pass_hz > 0.0:
        spectrum /= np.sqrt(1.0 + (asked.high_pass_hz / frequency_hz) ** 4)
    place = np.maximum(4.0 * np.log2(frequency_hz / 62.5), 0.0)
    seconds = np.arange(asked.frames) / asked.rate_hz
    noise = np.zeros((count, asked.frames))
    for band in range(int(place.max()) + 2):
        first, last = np.searchsorted(place, (band - 1.0, band + 1.0))
        if last > first:
            part = np.zeros_like(spectrum)
            part[:, first:last] = (
                spectrum[:, first:last] * np.cos(0.5 * np.pi * (place[first:last] - band)) ** 2
            )
            decay_s = float(asked.law_s(np.array([62.5 * 2.0 ** (band / 4.0)]))[0])
            noise += fft.irfft(part, padded, axis=1)[:, : asked.frames] * 10.0 ** (-3.0 * seconds / decay_s)
    return noise.T


@functools.cache
def _readings(asked: Asked) -> Readings:
    noise = _ideal_noise(asked, NOISES)
    t30_s, density, spread_db, coherence = [], [], [], []
    for seed in SEEDS:
        response = asked.response(seed)
        own = np.ascontiguousarray(response[: asked.frames, (0, 1), (0, 1)])
        t30_s.append(_t30_s(own, asked.rate_hz))
        density.append(measure_echo_density(own, sample_rate_hz=asked.rate_hz, at_s=np.array([0.08]))[0])
        spread_db.append(measure_level_spread_db(own[asked.rate_hz // 10 :], sample_rate_hz=asked.rate_hz))
        coherence.append(measure_coherence(own, sample_rate_hz=asked.rate_hz))
    pairs = [
        measure_coherence(noise[:, k : k + 2], sample_rate_hz=asked.rate_hz) for k in range(0, NOISES, 2)
    ]
    return Readings(
        t30_s=np.concatenate(t30_s),
        density=np.asarray(density),
        spread_db=np.asarray(spread_db),
        coherence=np.asarray(coherence),
        noise_t30_s=_t30_s(noise, asked.rate_hz),
        noise_coherence=np.asarray(pairs),
    )


def _decibels(ratio: float) -> float:
    return 10.0 * math.log10(ratio)


def _energy(sound: Array) -> float:
    return float(np.sum(sound**2))


@source(
    ISO_3382, "table A.1: 5 % is the step that is heard", kind="standard", tolerance="5 % on the mean of 16"
)
@ROOMS
def test_t30_of_every_octave_is_as_asked(asked: Asked) -> None:
    """Mean over 8 seeds and both sides within 5 % of what ideal noise shows on the average through the same octave."""
    readings = _readings(asked)
    np.testing.assert_allclose(readings.t30_s.mean(axis=0), readings.noise_t30_s.mean(axis=0), rtol=0.05)


@source(IDEAL, "24 noises", kind="closed form", tolerance="3 standard deviations, as the design asks")
@ROOMS
def test_no_t30_strays_further_than_noise_does(asked: Asked) -> None:
    """Each seed, side and octave within 3 standard deviations of ideal noise."""
    readings = _readings(asked)
    deviation = np.abs(readings.t30_s - readings.noise_t30_s.mean(axis=0))
    assert np.all(deviation < 3.0 * readings.noise_t30_s.std(axis=0, ddof=1))


@source(
    "M. R. Schroeder, New method of measuring reverberation time, JASA 37, 1965, 409-412",
    "the mean backward integral of decaying noise is the integral of its mean square",
    kind="paper",
    tolerance="3 %: the mean of 24 noises, and steps of the law",
)
@pytest.mark.parametrize("asked", [CHAMBER, HALL], ids=["chamber", "hall"])
def test_expected_decay_is_the_mean_of_noise(asked: Asked) -> None:
    """What `expected_decay` foretells without chance is what noise of that law shows, from 250 Hz up."""
    points_hz = np.array([125.0, 1000.0, 8000.0])
    shown_s = _readings(asked).noise_t30_s.mean(axis=0)
    for centre_hz, shown in zip(OCTAVES_HZ[1:], shown_s[1:], strict=True):
        foretold = expected_decay(points_hz, asked.law_s(points_hz), centre_hz=float(centre_hz))
        assert shown == pytest.approx(foretold.t30_s, rel=0.03)


@source(
    ABEL, "eta = 1 for Gaussian noise, window 20 ms", kind="paper", tolerance=">= 0.9, as the design asks"
)
@ROOMS
def test_echoes_are_dense_after_80_ms(asked: Asked) -> None:
    """Mean over 8 seeds, 80 ms after the first reflection."""
    assert float(_readings(asked).density.mean()) >= 0.9


@source(ABEL, "eta near 0 for few echoes", kind="paper", tolerance="below 0.4")
def test_first_reflections_stand_apart() -> None:
    """The onset is not a burst of noise: in the first milliseconds echoes can be told apart, and density only grows."""
    density = np.mean(
        [
            measure_echo_density(
                DEFAULT.response(seed)[:9600, 0],
                sample_rate_hz=48000,
                at_s=np.array([0.0, 0.01, 0.02, 0.035]),
            )[:, 0]
            for seed in SEEDS[:4]
        ],
        axis=0,
    )
    assert density[0] < 0.2
    assert np.all(np.diff(density) > 0.0)


@source(
    "levels of single bins of Gaussian noise: log of an exponentially distributed power",
    "10 / ln 10 pi / sqrt 6 = 5.57 dB",
    kind="closed form",
    tolerance="5.6 +- 0.7 dB, as the design asks",
)
@ROOMS
def test_no_modes_ring(asked: Asked) -> None:
    """Level spread of the tail's spectrum, 500 Hz to 3 kHz, in the mean of 8 seeds and both sides."""
    assert pytest.approx(5.6, abs=0.05) == NOISE_SPREAD_DB
    assert float(_readings(asked).spread_db.mean()) == pytest.approx(5.6, abs=0.7)


@source(
    IDEAL, "12 pairs of independent noises", kind="closed form", tolerance="1.2 times, as the design asks"
)
@pytest.mark.parametrize(
    ("asked", "shared_fraction"),
    [
        (CHAMBER, 0.0),
        (CHAMBER, 0.5),
        (CHAMBER, 1.0),
        (DEFAULT, 0.0),
        (DEFAULT, 0.5),
        (HALL, 0.0),
        (HALL, 1.0),
    ],
)
def test_left_and_right_are_as_unlike_as_noises(asked: Asked, shared_fraction: float) -> None:
    """Coherence of both sides for a mid input, mean over third octaves and 4 to 8 seeds."""
    readings = _readings(asked)
    if shared_fraction == 0.0:
        found = readings.coherence
    else:
        rooms = (asked.response(seed, shared_fraction=shared_fraction) for seed in SEEDS[:4])
        found = np.array(
            [
                measure_coherence(room[: asked.frames].sum(axis=2), sample_rate_hz=asked.rate_hz)
                for room in rooms
            ]
        )
    assert float(found.mean()) <= 1.2 * float(readings.noise_coherence.mean())


@source(
    "zero-lag correlation of two independent noises of the same decay",
    "mean 0, standard deviation 1 / sqrt(2 fs T / (6 ln 10)): 0.011996 for 1 s at 48 kHz",
    kind="closed form",
    tolerance="4 standard deviations",
)
def test_the_four_responses_are_uncorrelated() -> None:
    """Every two of LL, LR, RL, RR, decay the same at all frequencies."""
    even = Asked(48000, 1.0, 1.0, 1.0, 1.0)
    for seed in (1, 2):
        paths = even.response(seed, shared_fraction=1.0).reshape(-1, 4)
        correlation = np.corrcoef(paths.T) - np.eye(4)
        assert float(np.abs(correlation).max()) < 4.0 * 0.011996


@source(
    "four orthogonal responses of equal energy, own side sqrt(1 - f / 2), other sqrt(f / 2)",
    "energies: mid left = mid right, side = mid, other side of hard left f / 2",
    kind="closed form",
    tolerance="0.5 dB, as the design asks",
)
@pytest.mark.parametrize(
    ("asked", "shared_fraction"),
    [
        *((room, fraction) for room in (CHAMBER, DEFAULT) for fraction in (0.0, 0.5, 1.0)),
        (Asked(96000, 0.6, 1.3, 0.4, 0.5), 0.5),
        (Asked(192000, 0.2, 0.8, 1.2, 1.5), 1.0),
    ],
)
def test_power_is_kept_between_left_right_mid_and_side(asked: Asked, shared_fraction: float) -> None:
    """Left and right for mid, side against mid, and what hard left gives on the right, each seed by itself."""
    for seed in (1, 2):
        room = asked.response(seed, shared_fraction=shared_fraction)
        mid, side = room.sum(axis=2), room[:, :, 0] - room[:, :, 1]
        assert abs(_decibels(_energy(mid[:, 0]) / _energy(mid[:, 1]))) < 0.5
        assert abs(_decibels(_energy(side) / _energy(mid))) < 0.5
        crossed = _energy(room[:, 1, 0]) / _energy(room[:, :, 0])
        if shared_fraction == 0.0:
            assert crossed == 0.0
        else:
            assert abs(_decibels(crossed / (0.5 * shared_fraction))) < 0.5


@source(ABEL, "eta = 1 for Gaussian noise", kind="paper", tolerance=">= 0.9 at every rate")
@pytest.mark.parametrize(("rate_hz", "scale"), [(44100, 2.0), (96000, 0.5), (192000, 1.0)])
def test_dense_at_every_sample_rate(rate_hz: int, scale: float) -> None:
    """No low-pass to help: single frames of 192 kHz are filled as well, whatever the size."""
    asked = Asked(rate_hz, 0.2, 1.0, 1.0, scale)
    at_s = np.array([0.08])
    density = [
        measure_echo_density(asked.response(seed)[: rate_hz // 5, 0], sample_rate_hz=rate_hz, at_s=at_s)[0, 0]
        for seed in SEEDS[:4]
    ]
    assert float(np.mean(density)) >= 0.9


@source(
    "pyroomacoustics, experimental.measure_rt60 (decay_db=30: from -5 to -35 dB)",
    kind="library",
    tolerance="0.5 %: its line is fitted to the same curve",
)
@pytest.mark.parametrize("decay_s", [0.3, 1.0, 2.5])
def test_t30_by_other_hands(decay_s: float) -> None:
    """Noise with an exponential decay, and a room: T30 as another library reads it."""
    seconds = np.arange(round(1.2 * decay_s * 48000)) / 48000
    noise = np.random.default_rng(5).standard_normal(len(seconds)) * 10.0 ** (-3.0 * seconds / decay_s)
    ours = measure_decay(noise[:, np.newaxis], sample_rate_hz=48000)[0].t30_s
    theirs = pyroomacoustics.experimental.measure_rt60(noise, fs=48000, decay_db=30)
    assert ours == pytest.approx(float(theirs), rel=0.005)


@source(
    "pyroomacoustics, experimental.measure_rt60 (decay_db=30)",
    kind="library",
    tolerance="8 %: three standard deviations of one octave of one room",
)
def test_decay_of_a_room_by_other_hands() -> None:
    """The octave of 1 kHz of a room of 0.8 s, read by another library."""
    room = Asked(48000, 0.8, 1.0, 1.0, 1.0).response(4)[:48000, 0, :1]
    octave = filter_band(room, sample_rate_hz=48000, centre_hz=1000.0)[:, 0]
    theirs = pyroomacoustics.experimental.measure_rt60(octave, fs=48000, decay_db=30)
    assert float(theirs) == pytest.approx(0.8, rel=0.08)


@source(ISO_3382, "5.3: EDT 0 to -10 dB, T20 -5 to -25, T30 -5 to -35", kind="standard", tolerance="0.01 %")
@pytest.mark.parametrize("decay_s", [0.5, 1.0, 1.2, 1.5, 2.0])
def test_times_of_one_exponential(decay_s: float) -> None:
    """All three are its decay, and C80 read off the same curve is 10 lg(exp(6 ln 10 0.08 / T) - 1)."""
    seconds = np.arange(round(2.5 * decay_s * 48000)) / 48000
    response = 10.0 ** (-3.0 * seconds[:, np.newaxis] / decay_s)
    times = measure_decay(response, sample_rate_hz=48000)[0]
    assert (times.edt_s, times.t20_s, times.t30_s) == pytest.approx((decay_s,) * 3, rel=1e-4)
    late = 10.0 ** (0.1 * float(decay_curve_db(response)[3840, 0]))
    clarity_db = {
        0.5: 9.09561826582,
        1.0: 3.05340989341,
        1.2: 1.79519169458,
        1.5: 0.371459610348,
        2.0: -1.32060861279,
    }
    assert _decibels((1.0 - late) / late) == pytest.approx(clarity_db[decay_s], abs=1e-4)


@source("ISO 3382-2:2008", "B.3: curvature 100 (T30 / T20 - 1), above 10 % no straight line", kind="standard")
def test_a_decay_of_two_slopes() -> None:
    """p^2 = exp(-a t / 0.4) + 0.01 exp(-a t / 2.0): EDT < T20 < T30, curvature above 10 %."""
    seconds = np.arange(48000 * 4)[:, np.newaxis] / 48000
    steep = 6.0 * math.log(10.0)
    response = np.sqrt(np.exp(-steep * seconds / 0.4) + 0.01 * np.exp(-steep * seconds / 2.0))
    times = measure_decay(response, sample_rate_hz=48000)[0]
    assert times.edt_s < times.t20_s < times.t30_s
    assert times.curvature_percent > 10.0


@source(
    "ISO 3382-2:2008",
    "7.1: sigma(T30) = 0.55 T sqrt((1 + 1.52 / n) / (N B T)), n = 10 for integrated impulse responses, B = 0.71 f",
    kind="standard",
    tolerance="35 %: 64 noises know their scatter to 9 %, and the formula is an approximation",
)
@pytest.mark.parametrize("centre_hz", [500.0, 1000.0, 2000.0])
def test_scatter_of_t30_of_noise(centre_hz: float) -> None:
    """The standard deviation that rooms are judged by is the standard's."""
    rate_hz, decay_s = 8000, 1.5
    seconds = np.arange(round(1.2 * decay_s * rate_hz))[:, np.newaxis] / rate_hz
    noise = np.random.default_rng(6).standard_normal((len(seconds), 64)) * 10.0 ** (-3.0 * seconds / decay_s)
    band = filter_band(noise, sample_rate_hz=rate_hz, centre_hz=centre_hz)
    found_s = np.std([times.t30_s for times in measure_decay(band, sample_rate_hz=rate_hz)], ddof=1)
    expected_s = 0.55 * decay_s * math.sqrt(1.152 / (0.71 * centre_hz * decay_s))
    assert float(found_s) == pytest.approx(expected_s, rel=0.35)


@source("IEC 61260-3:2016", "table C.1, class 1, third octave", kind="standard")
@pytest.mark.parametrize(
    ("ratio", "least_db", "most_db"),
    [
        (1.0, -0.4, 0.4),
        (1.02667, -0.4, 0.5),
        (1.05575, -0.4, 0.7),
        (1.08746, -0.4, 1.4),
        (1.29437, 16.6, math.inf),
        (1.88173, 40.5, math.inf),
        (3.05365, 60.0, math.inf),
        (5.39195, 70.0, math.inf),
    ],
)
def test_band_filter_is_of_class_1(ratio: float, least_db: float, most_db: float) -> None:
    """Attenuation of the third-octave filter at multiples of its centre, above and below."""
    at_hz = np.array([1000.0 * ratio, 1000.0 / ratio])
    attenuation_db = -20.0 * np.log10(band_gain(at_hz, centre_hz=1000.0, bands_per_octave=3))
    assert np.all((attenuation_db >= least_db) & (attenuation_db <= most_db))


@source(JOT, "a delay of m frames takes the gain 10^(-3 m / (T fs))", kind="paper", tolerance="rounding")
@pytest.mark.parametrize(
    ("frames", "decay_s", "rate_hz", "gain"),
    [
        (1000, 1.5, 48000, 0.908517575651687),
        (1499, 1.5, 48000, 0.866047408868242),
        (2048, 2.0, 48000, 0.86297854776697),
        (1557, 1.2, 44100, 0.816083681754667),
    ],
)
def test_absorption_is_in_proportion_to_travel(
    frames: int, decay_s: float, rate_hz: int, gain: float
) -> None:
    """What so many frames of travel leave, at every frequency, when all decay alike."""
    exponent = DecayLaw(decay_s, 1.0, 1.0).exponent(257, sample_rate_hz=rate_hz)
    np.testing.assert_allclose(np.abs(np.exp(-frames * exponent)), gain, rtol=1e-12)


@source(ISO_3382, "T30: -5 to -35 dB of the backward integral", kind="standard", tolerance="1 %, broad band")
def test_broad_band_decay_of_a_room() -> None:
    """A room of 1.5 s at all frequencies, whole: T30 as asked; over all of 48 kHz chance is worth 0.3 %."""
    room = Asked(48000, 1.5, 1.0, 1.0, 1.0).response(2)
    curve = decay_curve_db(room[:, 0, :1])[:, 0]
    assert decay_time_s(curve, frame_s=1.0 / 48000, upper_db=-5.0, lower_db=-35.0) == pytest.approx(
        1.5, rel=0.01
    )
