from __future__ import annotations

import numpy as np
import pytest

from render.analysis.coherence import pool, segment_weights, smooth_about, third_octaves
from render.analysis.cross import (
    BIN_CORRELATION,
    SEGMENT_WINDOWS,
    CrossGauge,
    CrossSpectra,
    averages,
)
from render.analysis.frames import SpectralFrames, each_spectra
from render.audio.array import AnySamples
from tests.helpers.signals import noise

RATE = 8000


def gauge(audio: AnySamples, *, most_segments: int = 64, cuts: tuple[int, ...] = ()) -> CrossSpectra:
    """Cross spectra of an array handed over in pieces."""
    frames = SpectralFrames(sample_rate_hz=RATE)
    cross = CrossGauge(frames, most_segments=most_segments)
    for begin, end in zip((0, *cuts), (*cuts, len(audio)), strict=True):
        spectra = frames.add(audio[begin:end])
        if spectra is not None:
            cross.add(spectra)
    last = frames.finish()
    if last is not None:
        cross.add(last)
    return cross.result()


def test_sums_are_those_of_the_windows() -> None:
    """Auto spectra, cross spectrum and what chance would make of it are plain sums over each segment's windows."""
    audio = noise(RATE * 9, seed=2)
    found = gauge(audio)
    bins = np.concatenate([part.bins for part in each_spectra(audio, sample_rate_hz=RATE)]).astype(complex)
    assert found.windows.tolist() == [SEGMENT_WINDOWS, SEGMENT_WINDOWS, len(bins) - 2 * SEGMENT_WINDOWS]
    for segment, first in enumerate(range(0, len(bins), SEGMENT_WINDOWS)):
        part = bins[first : first + SEGMENT_WINDOWS]
        power = np.abs(part) ** 2
        np.testing.assert_allclose(found.first[segment], power[:, 0].sum(axis=0), rtol=1e-4)
        np.testing.assert_allclose(found.second[segment], power[:, 1].sum(axis=0), rtol=1e-4)
        np.testing.assert_allclose(found.chance[segment], (power[:, 0] * power[:, 1]).sum(axis=0), rtol=1e-4)
        cross = (part[:, 0].conj() * part[:, 1]).sum(axis=0)
        np.testing.assert_allclose(found.cross[segment], cross, atol=1e-4 * float(np.abs(cross).max()))


def test_cuts_do_not_matter() -> None:
    """The sums are the same to the bit however the take is handed over."""
    audio = noise(RATE * 9, seed=3)
    whole, pieces = gauge(audio), gauge(audio, cuts=(1, 500, 7777, 7778, 30000, 61234))
    for name in ("first", "second", "cross", "chance", "windows"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(pieces, name))


def test_long_takes_join_segments() -> None:
    """Past the largest number of segments neighbours are joined, and nothing is lost."""
    audio = noise(RATE * 28, seed=4)
    fine, coarse = gauge(audio), gauge(audio, most_segments=4)
    assert len(fine.windows) == 10
    assert coarse.windows.tolist()[:2] == [4 * SEGMENT_WINDOWS] * 2
    assert len(coarse.windows) <= 4
    assert coarse.windows.sum() == fine.windows.sum()
    np.testing.assert_allclose(coarse.first.sum(axis=0), fine.first.sum(axis=0), rtol=1e-4)
    whole = float(np.abs(fine.cross.sum(axis=0)).max())
    np.testing.assert_allclose(coarse.cross.sum(axis=0), fine.cross.sum(axis=0), atol=1e-4 * whole)
    np.testing.assert_allclose(coarse.chance.sum(axis=0), fine.chance.sum(axis=0), rtol=1e-4)


def test_middles_of_segments() -> None:
    """The middle of a segment is half-way between the beginning of its first and the end of its last window."""
    found = gauge(noise(RATE * 9))
    assert found.middle_s[0] == pytest.approx(0.5 * (31 * found.hop_s + found.size_s))
    assert found.middle_s[1] - found.middle_s[0] == pytest.approx(32 * found.hop_s)


def test_power_scale() -> None:
    """The scale turns sums into the mean square of the sound."""
    found = gauge(noise(RATE * 20, rms=0.1))
    power = found.first.sum(dtype=np.float64) * found.power_scale / found.windows.sum()
    assert power == pytest.approx(0.01, rel=0.02)


def test_averages() -> None:
    """Half-overlapping Hann windows are worth nearly as much as separate ones, Welch's 1 / (1 + 2/36)."""
    assert averages(0) == 0.0
    assert averages(1) == 1.0
    assert averages(1e6) == pytest.approx(1e6 / (1 + 2 / 36), rel=1e-5)


def test_refusals() -> None:
    """One channel, or an odd number of segments, is refused."""
    with pytest.raises(ValueError, match=r"channels = 1: must be 2"):
        CrossGauge(SpectralFrames(sample_rate_hz=RATE, channels=1))
    with pytest.raises(ValueError, match=r"most_segments = 5: must be an even number of at least 2"):
        CrossGauge(SpectralFrames(sample_rate_hz=RATE), most_segments=5)


def test_coherence_of_known_noise() -> None:
    """Signal and noise of equal power in both sources have a coherence of 1/4; independent noise has none."""
    both = noise(RATE * 40, channels=3, seed=5)
    audio = both[:, :2] + both[:, 2:]
    spectra = gauge(audio)
    pooled = pool(spectra, weights=np.ones(len(spectra.windows)))
    inner = slice(10, -10)
    assert float(np.mean(pooled.coherence[inner])) == pytest.approx(0.25, abs=0.01)
    assert np.mean(pooled.usable[inner]) > 0.9
    spectra = gauge(both[:, :2])
    pooled = pool(spectra, weights=np.ones(len(spectra.windows)))
    assert float(np.mean(pooled.coherence[inner])) < 0.01
    assert np.count_nonzero(pooled.usable) <= 25


def test_chance_follows_the_envelope() -> None:
    """In a take of a few short bursts chance coherence is larger, and is known to be."""
    burst = np.zeros((RATE * 20, 1))
    for first in (8000, 60000, 110000):
        burst[first : first + 400] = 1.0
    spectra = gauge(noise(RATE * 20, seed=6) * burst)
    pooled = pool(spectra, weights=np.ones(len(spectra.windows)))
    steady = pool(gauge(noise(RATE * 20, seed=6)), weights=np.ones(len(spectra.windows)))
    assert np.median(pooled.chance) > 10 * np.median(steady.chance)
    assert np.mean(pooled.usable) <= 0.05


def test_smoothing_keeps_a_delay_and_noise_statistics() -> None:
    """Bins smoothed about the delay keep coherence 1 for a copy, and chance stays chance."""
    sound = noise(RATE * 20, channels=1, seed=7)
    audio = np.concatenate([sound[40:], sound[:-40]], axis=1)
    spectra = gauge(audio)
    pooled = smooth_about(pool(spectra, weights=np.ones(len(spectra.windows))), delay_s=40 / RATE)
    assert np.all(pooled.coherence[12:-12] > 0.98)
    assert pooled.bin_correlation > BIN_CORRELATION
    spectra = gauge(noise(RATE * 40, seed=8))
    pooled = smooth_about(pool(spectra, weights=np.ones(len(spectra.windows))), delay_s=0.0)
    raw = np.abs(pooled.cross) ** 2 / (pooled.first * pooled.second)
    assert np.mean(raw[10:-10]) == pytest.approx(float(np.mean(pooled.chance[10:-10])), rel=0.2)


def test_a_blow_does_not_outweigh_the_music() -> None:
    """A segment a hundred times as loud as the others counts at most four times the median one."""
    audio = noise(RATE * 28, seed=9)
    audio[30000:32000] *= 100.0
    spectra = gauge(audio)
    weights = segment_weights(spectra)
    power = np.sqrt(spectra.first.sum(axis=1) * spectra.second.sum(axis=1)) / spectra.windows
    assert (weights * power).max() <= 4.2 * np.median(power)
    assert np.median(weights) == 1.0
    silent = gauge(np.zeros((RATE * 10, 2)))
    assert np.all(segment_weights(silent) == 1.0)


def test_third_octaves() -> None:
    """Mean coherence per third octave, up to the highest whole band."""
    spectra = gauge(noise(RATE * 10, seed=10)[:, :1] * np.array([[1.0, -0.5]]))
    bands = third_octaves(pool(spectra, weights=np.ones(len(spectra.windows))))
    assert bands.centre_hz[0] == pytest.approx(63.1, abs=0.1)
    assert bands.high_hz[-1] <= 4000 * 1.01
    assert np.all(bands.coherence > 0.99)


def test_leaving_stretches_out() -> None:
    """Segments that touch a stretch are gone, the others keep their place; with too few left, all stay."""
    found = gauge(noise(RATE * 60, seed=4))
    spans = [(0.0, 20.0), (59.5, 61.0)]
    left = found.without(spans, fewest=3)
    half_s = 0.5 * (found.hop_s * (SEGMENT_WINDOWS - 1) + found.size_s)
    assert left.middle_s[0] - half_s >= 20.0
    assert left.middle_s[-1] + half_s <= 60.0
    kept = np.isin(found.middle_s, left.middle_s)
    assert 2 <= np.count_nonzero(~kept) < len(kept)
    assert np.array_equal(left.cross, found.cross[kept])
    assert np.array_equal(left.windows, found.windows[kept])
    assert found.without(spans, fewest=len(found.windows)) is found
    assert found.without([], fewest=1) is found
