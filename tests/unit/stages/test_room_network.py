"""The lossless networks: delays, mixing, steady energy."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import scipy.linalg
from numpy.typing import NDArray

from render.stages.room import network as module
from render.stages.room.network import Network, fill_lossless, plan_network
from render.stages.room.streams import random_stream


def _plan(rate_hz: int = 8000, decay_s: float = 1.0, scale: float = 1.0, seed: int = 3) -> Network:
    return plan_network(sample_rate_hz=rate_hz, longest_decay_s=decay_s, delay_scale=scale, seed=seed)


def _lossless(network: Network, duration_s: float) -> NDArray[np.float64]:
    rows = np.zeros((4, round(duration_s * network.sample_rate_hz)))
    fill_lossless(rows, network)
    return rows


def _plain_returns(network: Network, frames: int) -> NDArray[np.float64]:
    """Both networks frame by frame, with a matrix written out: the slow twin of `_add_returns`."""
    lines = network.lines
    random = random_stream(network.seed, part=f"matrix of {lines} lines")
    signs = random.choice([-1.0, 1.0], (2 * lines, 1))
    heard = module._choose_rows(random, network)
    matrix = scipy.linalg.hadamard(lines) / np.sqrt(lines)
    feed_frame, feed_place, feed_gain = module._feed(network)
    delays = network.delays_frames.ravel()
    entered = np.zeros((2 * lines, frames + int(delays.max())))
    first = int(delays.max())
    rows = np.zeros((4, frames))
    for frame in range(frames):
        leaving = signs[:, 0] * entered[np.arange(2 * lines), first + frame - delays]
        mixed = np.concatenate([matrix @ leaving[:lines], matrix @ leaving[lines:]])
        for row, places in enumerate(heard):
            rows[row, frame] = sum(float(gain) * mixed[place] for place, gain in places)
        now = feed_frame == frame
        np.add.at(mixed, feed_place[now], feed_gain[now])
        entered[:, first + frame] = mixed
    return rows


def test_blocks_do_what_frames_do() -> None:
    """Blocks, rings and butterflies against the same network run frame by frame with a written-out matrix."""
    network = _plan(decay_s=0.3)
    rows = np.zeros((4, 2400))
    module._add_returns(rows, network)
    plain = _plain_returns(network, 2400)
    np.testing.assert_allclose(rows, plain, atol=1e-5)
    assert float(np.abs(plain[:, 1200:]).max()) > 1.0


def test_the_mixing_is_orthogonal() -> None:
    """Columns of unit length at right angles: nothing is lost, nothing grows."""
    lines = 64
    values = np.zeros((2 * lines, lines), dtype=np.float32)
    values[:lines] = np.eye(lines)
    values[lines:] = np.eye(lines)
    mixed, _ = module._hadamard(values, np.empty_like(values), lines)
    np.testing.assert_array_equal(mixed[:lines], scipy.linalg.hadamard(lines))
    np.testing.assert_array_equal(mixed[lines:], mixed[:lines])


@pytest.mark.parametrize("rate_hz", [8000, 48000])
def test_energy_is_steady_from_the_first_reflection(rate_hz: int) -> None:
    """Mean square 1 in every 25 ms of the first half second, over 6 seeds and four responses."""
    squares = np.mean([_lossless(_plan(rate_hz, seed=seed), 0.5) ** 2 for seed in range(6)], axis=(0, 1))
    parts = squares[: 20 * (rate_hz // 40)].reshape(20, -1).mean(axis=1)
    np.testing.assert_allclose(parts, 1.0, atol=0.13)


def test_nothing_dies_away() -> None:
    """After thirty rounds the energy is what it was."""
    rows = _lossless(_plan(seed=5), 2.0)
    assert float(np.mean(rows[:, -4000:] ** 2)) == pytest.approx(1.0, abs=0.1)


def test_first_reflection() -> None:
    """Frame 0 on the own side, somewhat later on the other."""
    rows = _lossless(_plan(48000), 0.1)
    first = [int(np.flatnonzero(row)[0]) for row in rows]
    assert first[0] == first[3] == 0
    assert first[1] > 0
    assert first[2] > 0


def test_early_reflections_grow_denser() -> None:
    """Few in the first 5 ms, several times more in each following 5 ms, until they cannot be told apart."""
    row = _lossless(_plan(48000), 0.1)[0]
    counts = [int(np.count_nonzero(row[start : start + 240])) for start in range(0, 1200, 240)]
    assert 2 <= counts[0] <= 8
    assert all(later > earlier for earlier, later in itertools.pairwise(counts))
    assert np.count_nonzero(row[2400:2640]) > 220


def test_delays_are_different_and_prime() -> None:
    """At 48 kHz all delays of a network are primes, none twice, within half a millisecond of what was drawn."""
    network = _plan(48000)
    for drawn_s, frames in zip(network.delays_s, network.delays_frames, strict=True):
        assert len(set(frames.tolist())) == network.lines
        assert all(
            all(frame % factor for factor in range(2, int(frame**0.5) + 1)) for frame in frames.tolist()
        )
        np.testing.assert_allclose(frames / 48000, drawn_s, atol=0.0005)


def test_short_lines_at_a_low_rate_are_still_different() -> None:
    """A quarter of the size at 8 kHz: fewer primes than lines, so other numbers serve."""
    network = _plan(8000, decay_s=2.0, scale=0.25)
    for frames in network.delays_frames:
        assert len(set(frames.tolist())) == network.lines
        assert frames.min() > 1


def test_delays_are_drawn_in_seconds() -> None:
    """The same at every rate, and in proportion to delay_scale."""
    np.testing.assert_array_equal(_plan(44100).delays_s, _plan(192000).delays_s)
    np.testing.assert_allclose(_plan(scale=2.0).delays_s, 2.0 * _plan().delays_s, rtol=1e-12)


@pytest.mark.parametrize(("decay_s", "scale"), [(0.4, 1.0), (1.8, 1.0), (1.8, 0.5), (6.0, 1.0), (20.0, 1.0)])
def test_there_are_modes_enough(decay_s: float, scale: float) -> None:
    """At least a second of delay per second of decay in each network."""
    network = _plan(decay_s=decay_s, scale=scale)
    assert network.delays_s.sum(axis=1).min() > decay_s


@pytest.mark.parametrize("seed", range(6))
def test_nodes_are_heard_so_that_they_do_not_repeat_themselves(seed: int) -> None:
    """What comes back from a node's own line is at most 4 of 16 nodes strong; thrown once, signs give 8 and more."""
    random = np.random.default_rng(seed)
    places = random.permutation(64)[:16]
    columns = scipy.linalg.hadamard(64)[np.ix_(places, places)]
    signs = module._choose_signs(random, places.tolist())
    assert set(np.abs(signs).tolist()) == {1.0}
    assert float(np.abs(signs @ columns).max()) <= 4.0


def test_streams_have_names() -> None:
    """The same name and seed give the same numbers, another name or seed others."""
    draw = random_stream(1, part="a").random()
    assert draw == random_stream(1, part="a").random()
    assert draw != random_stream(1, part="b").random()
    assert draw != random_stream(2, part="a").random()
