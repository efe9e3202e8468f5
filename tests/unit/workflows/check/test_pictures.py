"""What a take's picture is given: the figures of the table, and faults as they are told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from render.pictures.take_curves import TakeCurves
from render.workflows.check.pictures import take_curves
from render.workflows.check.session import CheckedTake, CheckRequest, check_session
from tests.helpers.rehearsal import hiss, strings, two_sources
from tests.helpers.sessions import write_take

RATE_HZ = 48_000


def played(*, seconds: float = 12.0, seed: int) -> NDArray[np.float64]:
    """A pickup and a microphone without noise."""
    both = two_sources(strings(seconds, sample_rate_hz=RATE_HZ, seed=seed), sample_rate_hz=RATE_HZ)
    return np.asarray(both * (0.35 / np.abs(both).max(axis=0)), np.float64)


def noisy(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same with the noise of a recorder."""
    return audio + hiss(len(audio), sample_rate_hz=RATE_HZ, seed=6)[: len(audio)]


def drawn(folder: Path, audio: NDArray[np.float64]) -> tuple[CheckedTake, TakeCurves]:
    """A take as it was checked, and what is drawn of it."""
    write_take(folder / "one.wav", audio=audio)
    (take,) = check_session(CheckRequest(folder / "one.wav"), watch=lambda _event: None).takes
    assert take.inspection is not None
    return take, take_curves(take, take.inspection)


def test_a_gap_is_marked_as_a_gap_only(tmp_path: Path) -> None:
    """Its edges click too; a click elsewhere is still marked."""
    audio = noisy(played(seed=31))
    audio[4 * RATE_HZ : 4 * RATE_HZ + 960, 1] = 0.0
    audio[8 * RATE_HZ + 77, 1] += 0.3

    _, curves = drawn(tmp_path, audio)

    _, gaps, clicks = curves.sources[1].places
    assert (gaps.kind, gaps.count) == ("dropouts", 1)
    assert (clicks.kind, clicks.count) == ("clicks", 1)
    assert abs(clicks.from_s[0] - 8.0) < 0.01


def test_noise_that_cannot_be_told_is_not_drawn(tmp_path: Path) -> None:
    """Where the playing never stops the table has no noise: neither has the picture, nor its spectrum."""
    parts = [np.roll(played(seed=seed), 7919 * seed, axis=0) for seed in range(40, 52)]
    dense = np.sum(parts, axis=0)[3 * RATE_HZ : 9 * RATE_HZ]

    take, curves = drawn(tmp_path, dense * (0.3 / np.abs(dense).max()))

    assert [source["noise_dbfs"] for source in take.sources] == [None, None]
    for source in curves.sources:
        assert source.noise_dbfs is None
        assert source.noise_spectrum_dbfs is None


def test_figures_are_those_of_the_table(tmp_path: Path) -> None:
    """Rounded once, in one place."""
    take, curves = drawn(tmp_path, noisy(played(seed=32)))

    for figures, source in zip(take.sources, curves.sources, strict=True):
        assert source.highest_dbfs == figures["peak_dbfs"]
        assert source.true_peak_dbtp == figures["true_peak_dbtp"]
        assert source.mean_dbfs == figures["rms_dbfs"]
        assert source.loudness_lufs == figures["loudness_lufs"]
        assert source.noise_dbfs == figures["noise_dbfs"]
        assert source.noise_spectrum_dbfs is not None


def test_a_jump_is_given_without_a_rate(tmp_path: Path) -> None:
    """A lost piece of one track is no drift."""
    audio = noisy(played(seconds=30.0, seed=33))
    audio[15 * RATE_HZ : -62, 1] = audio[15 * RATE_HZ + 62 :, 1].copy()

    _, curves = drawn(tmp_path, audio[:-100])

    assert curves.likeness is not None
    drift = curves.likeness.drift
    assert drift is not None
    assert drift.parts_per_million is None
    assert drift.jump_ms is not None
    assert drift.jump_at_s is not None
    assert abs(drift.jump_ms + 62 / 48) < 0.05
    assert abs(drift.jump_at_s - 15.0) < 2.0
