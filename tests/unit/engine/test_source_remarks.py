"""What a render says of its two sources by the way."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from render.engine.capture import StoredReader
from render.engine.convolve import convolve_pairs, join_measured, plan_convolution
from render.engine.source_remarks import NEARLY_SILENT_DB, remark_on_sources, silent_source
from render.recipe.models import Recipe
from tests.helpers.signals import noise, plucks

RATE_HZ = 48_000


def _recipe(*, second_channel: int = 2) -> Recipe:
    return Recipe.model_validate(
        {"sources": {"pickup": {"channel": 1}, "mic": {"channel": second_channel, "place": "side"}}}
    )


def _sums(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([[np.sum(first**2), np.sum(second**2), np.sum(first * second)]])


def _two(seed: int = 1) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    both = plucks(2.0, sample_rate_hz=RATE_HZ, seed=seed)
    return both[:, 0], both[:, 1]


def test_two_live_sources_are_not_remarked_on() -> None:
    """Sources of one guitar, a turned one, a soft one, and a delayed copy: nothing to say."""
    first, second = _two()

    for other in (second, -second, 0.01 * second, np.roll(first, 5)):
        assert remark_on_sources(_recipe(), _sums(first, other)) is None
        assert silent_source(_recipe(), _sums(first, other)) is None


@pytest.mark.parametrize("gain", [1.0, -0.3])
def test_one_signal_on_both_tracks(gain: float) -> None:
    """The same signal is told at any level and turned over, with the noise of two converters on it."""
    first, _ = _two()
    hiss = 1e-4 * np.sqrt(np.mean(first**2)) * noise(len(first))

    said = remark_on_sources(_recipe(), _sums(first + hiss[:, 0], gain * first + hiss[:, 1])) or ""

    assert "pickup (channel 1) and mic (channel 2) hold the same signal" in said


@pytest.mark.parametrize("dead", [0, 1])
def test_a_source_that_is_silent_or_as_good_as(dead: int) -> None:
    """Silence and what lies far under the other is told, with the name of the source that is left."""
    sound, other = _two()
    names = ("pickup (channel 1)", "mic (channel 2)")
    factor = 10.0 ** (-(NEARLY_SILENT_DB + 3.0) / 20.0) * np.sqrt(np.mean(sound**2) / np.mean(other**2))
    for quiet, words in (
        (np.zeros_like(sound), "no sound on "),
        (factor * other, " lies 53 dB under the other source (RMS, with its hiss)"),
    ):
        pair = (quiet, sound) if dead == 0 else (sound, quiet)

        said = remark_on_sources(_recipe(), _sums(*pair)) or ""

        assert words in said
        assert names[dead] in said
        assert f"the mix has {('mic', 'pickup')[dead]} alone" in said
        assert silent_source(_recipe(), _sums(*pair)) == ("pickup", "mic")[dead]


def test_two_silent_sources_are_told_together() -> None:
    """Nothing on either: one remark, not two."""
    nothing = np.zeros(100)

    said = remark_on_sources(_recipe(), _sums(nothing, nothing)) or ""

    assert said.startswith("no sound on pickup (channel 1), none on mic (channel 2)")


def test_a_recipe_that_reads_one_channel_twice() -> None:
    """It is the recipe that is named then, not the recorder."""
    first, _ = _two()

    said = remark_on_sources(_recipe(second_channel=1), _sums(first, first)) or ""

    assert "both read channel 1" in said
    assert "recorder" not in said


def test_sums_are_those_of_the_capture_whatever_the_shares() -> None:
    """The convolution adds up its input, not its output, and each frame once."""
    response = np.zeros((400, 2, 2))
    response[37] = [[0.5, 2.0], [1.0, -1.0]]
    plan = plan_convolution(response, lead_frames=37, sample_rate_hz=RATE_HZ, double_precision=True)
    audio = np.asfortranarray(noise(3 * plan.pair_frames - 1000))
    edge = plan.pair_frames

    def sums(first: int, stop: int) -> NDArray[np.float64]:
        store = np.empty((2, stop - first)).T
        return convolve_pairs(
            StoredReader(audio), plan, first_frame=first, stop_frame=stop, store=store
        ).source_sums

    whole = sums(0, len(audio))

    np.testing.assert_array_equal(np.concatenate([sums(0, edge), sums(edge, len(audio))]), whole)
    np.testing.assert_allclose(np.sum(whole, axis=0), _sums(audio[:, 0], audio[:, 1])[0], rtol=1e-9)


def test_shares_join_in_order() -> None:
    """What several threads measured is put together as their measurements of the mix are."""
    response = np.zeros((100, 2, 2))
    response[0] = np.eye(2)
    plan = plan_convolution(response, lead_frames=0, sample_rate_hz=RATE_HZ, double_precision=True)
    audio = np.asfortranarray(noise(2 * plan.pair_frames))
    edges = (0, plan.pair_frames, len(audio))
    parts = [
        convolve_pairs(StoredReader(audio), plan, first_frame=low, stop_frame=high, store=None)
        for low, high in pairwise(edges)
    ]

    assert join_measured(parts).source_sums.shape == (2, 3)
