"""The network before any absorption: two sets of delay lines, each feeding itself through a Hadamard matrix.

One network answers what comes in on the left, the other what comes in on the right; each is heard at two places, so
there are four responses. They are *lossless*: level like that of steady white noise, for ever. The decay is laid over
them afterwards (`absorption`), which for delay-proportional losses is the same thing as losses inside the loop.

How the onset is made
    A network alone begins with one click a line, then falls silent until its shortest delay, and is dense only after
    two or three rounds. Here two sparse sequences of echoes ("velvet noise") take over that time. One goes straight to
    the output: 400 echoes a second at first, multiplied by e every 7 ms, as in a place with rough walls, and each
    echo the weaker the more there are, so that the energy per second stays the same. The other, dense, feeds the lines.
    Both fade out as the share of lines that are longer than the time gone by: this is the age that a line's content has
    in a network that has been running for ever (renewal theory: the equilibrium distribution), and the only fade with
    which the energy per second is steady from the first reflection on.

How many lines
    The modes are as many per hertz as all delays of a network together have seconds. Schroeder's rule asks for 0.15 of
    them per second of decay [3]_; for a tail whose spectrum is no rougher than that of noise this is far too mild.
    Measured here, spread of levels from 500 Hz to 3 kHz: 6.0 dB for 0.6 s of delay per second of decay, 5.8 dB for
    1.0 s, 5.7 dB for 2.0 s; noise has 5.6 dB. At least 1.05 s are asked for, by
    64, 128 or 256 lines.

References
----------
.. [1] J.-M. Jot and A. Chaigne, "Digital delay networks for designing artificial reverberators", AES 90th Convention,
   1991.
.. [2] S. J. Schlecht and E. A. P. Habets, "On lossless feedback delay networks", IEEE Trans. Signal Process. 65(6),
   2017: lossless for any delays if the matrix is orthogonal.
.. [3] M. R. Schroeder, "Natural sounding artificial reverberation", JAES 10(3), 1962: modes per hertz.
.. [4] J. A. Moorer, "About this reverberation business", Computer Music Journal 3(2), 1979: early reflections from
   a tapped delay line before the network.
.. [5] M. Karjalainen and H. Järveläinen, "Reverberation modeling using velvet noise", AES 30th Conf., 2007.
.. [6] D. R. Cox, *Renewal Theory*, Methuen, 1962, chapter on equilibrium renewal processes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.audio.array import Reals, Samples, Samples32
from render.stages.room.streams import random_stream

NETWORKS = 2
SHORTEST_S, LONGEST_S = 0.030, 0.100
NODES_HEARD = 16

_FIRST_RATE_HZ = 400.0
_LAST_RATE_HZ = 600_000.0
_GROWTH_S, _LONGEST_GROWTH_S = 0.007, 0.012
_FEED_RATE_HZ = 12_000.0
_FIRST_REFLECTION_GAIN = 0.5
_BLOCK_VALUES = 1 << 18


@dataclass(frozen=True)
class Network:
    """Delays and signs of both networks.

    Attributes
    ----------
    sample_rate_hz : int
    delay_scale : float
    seed : int
    delays_s : float64, shape (2, lines)
        As drawn, the same at every sample rate.
    delays_frames : int64, shape (2, lines)
        As used: whole, all different within a network, prime where a prime is near.
    """

    sample_rate_hz: int
    delay_scale: float
    seed: int
    delays_s: Reals
    delays_frames: NDArray[np.int64]

    @property
    def lines(self) -> int:
        """Delay lines of each of the two networks: a power of two."""
        return int(self.delays_s.shape[1])


def plan_network(*, sample_rate_hz: int, longest_decay_s: float, delay_scale: float, seed: int) -> Network:
    """Choose how many lines there are, and how long each is.

    Parameters
    ----------
    sample_rate_hz : int
    longest_decay_s : float
        Of all frequencies. Past 3 s the lines grow with it, at most to 4 times, and there are more of them where that
        is too little.
    delay_scale : float
    seed : int

    Returns
    -------
    Network
    """
    stretch = min(max(longest_decay_s / 3.0, 1.0), 4.0)
    mean_s = 0.5 * (SHORTEST_S + LONGEST_S) * stretch * delay_scale
    lines = 64
    while lines < 256 and lines * mean_s < 1.05 * longest_decay_s:
        lines *= 2
    random = random_stream(seed, part=f"delays of {lines} lines")
    strata = (np.arange(lines) + random.random((NETWORKS, lines))) / lines
    delays_s = (
        (SHORTEST_S + (LONGEST_S - SHORTEST_S) * random.permuted(strata, axis=1)) * stretch * delay_scale
    )
    return Network(
        sample_rate_hz=sample_rate_hz,
        delay_scale=delay_scale,
        seed=seed,
        delays_s=delays_s,
        delays_frames=np.stack(
            [_near_primes(row * sample_rate_hz, 0.0005 * sample_rate_hz) for row in delays_s]
        ),
    )


def fill_lossless(rows: Samples, network: Network) -> None:
    """Write the four lossless responses: early reflections, then what the network returns.

    Parameters
    ----------
    rows : float64, shape (4, frames)
        Zeros; filled in place: left to left, left to right, right to left, right to right. Unit variance from frame 0,
        which has the first reflection of the first and the last.
    network : Network
    """
    _add_returns(rows, network)
    for index in range(2 * NETWORKS):
        _add_early(rows[index], network, index=index)


def _near_primes(wanted_frames: Reals, reach_frames: float) -> NDArray[np.int64]:
    """Nearest whole numbers, all different: a prime within reach, else (short lines, low rates) any number."""
    limit = int(2.0 * wanted_frames.max()) + len(wanted_frames) + 16
    is_prime = np.ones(limit + 1, dtype=bool)
    is_prime[:2] = False
    for factor in range(2, math.isqrt(limit) + 1):
        if is_prime[factor]:
            is_prime[factor * factor :: factor] = False
    free = np.arange(limit + 1) > 1
    chosen = np.empty(len(wanted_frames), dtype=np.int64)
    for index, wanted in enumerate(wanted_frames):
        candidates = np.flatnonzero(free & is_prime)
        nearest = candidates[np.argmin(np.abs(candidates - wanted))]
        if abs(nearest - wanted) > reach_frames:
            candidates = np.flatnonzero(free)
            nearest = candidates[np.argmin(np.abs(candidates - wanted))]
        chosen[index] = nearest
        free[nearest] = False
    return chosen


def _share_longer(delays_s: Reals, at_s: Reals) -> Reals:
    """Share of lines longer than a time: the fade of onset and feed."""
    return np.asarray(1.0 - np.searchsorted(np.sort(delays_s), at_s, side="right") / len(delays_s))


def _add_early(row: Samples, network: Network, *, index: int) -> None:
    """Add the early reflections of one response: velvet noise whose rate grows, energy per second steady."""
    random = random_stream(network.seed, part=f"early reflections {index}")
    delays_s = network.delays_s[index // 2]
    growth_s = min(_GROWTH_S * network.delay_scale, _LONGEST_GROWTH_S)
    grown_s = growth_s * math.log(_LAST_RATE_HZ / _FIRST_RATE_HZ)
    grown = (_LAST_RATE_HZ - _FIRST_RATE_HZ) * growth_s
    count = math.ceil(grown + max(0.0, float(delays_s.max()) - grown_s) * _LAST_RATE_HZ)
    serial = np.arange(count) + 0.9 * random.random(count)
    own_side = index in (0, 3)
    if own_side:
        serial[0] = 0.0
    at_s = np.where(
        serial < grown,
        growth_s * np.log1p(serial / (_FIRST_RATE_HZ * growth_s)),
        grown_s + (serial - grown) / _LAST_RATE_HZ,
    )
    rate_hz = np.minimum(_FIRST_RATE_HZ * np.exp(at_s / growth_s), _LAST_RATE_HZ)
    energy = _share_longer(delays_s, at_s) * (network.sample_rate_hz / rate_hz)
    gain = np.sqrt(energy) * np.exp(0.3 * random.standard_normal(count) - 0.09)
    gain *= random.choice([-1.0, 1.0], count)
    if own_side:
        gain[0] = _FIRST_REFLECTION_GAIN * math.sqrt(network.sample_rate_hz / _FIRST_RATE_HZ)
    _add_echoes(row, at_s * network.sample_rate_hz, gain)


def _add_echoes(row: Samples, at_frames: Reals, gain: Reals) -> None:
    frames = np.rint(at_frames).astype(np.int64)
    heard = frames < len(row)
    row += np.bincount(frames[heard], weights=gain[heard], minlength=len(row))


def _feed(network: Network) -> tuple[NDArray[np.int64], NDArray[np.int64], Samples32]:
    """Echoes that enter the lines: frame (rising), line counted through both networks, gain."""
    lines = network.lines
    frames, places, gains = [], [], []
    for index in range(NETWORKS):
        random = random_stream(network.seed, part=f"feed {index} of {lines} lines")
        delays_s = network.delays_s[index]
        count = math.ceil(float(delays_s.max()) * _FEED_RATE_HZ)
        at_s = (np.arange(count) + random.random((lines, count))) / _FEED_RATE_HZ
        energy = _share_longer(delays_s, at_s) / (float(delays_s.sum()) * _FEED_RATE_HZ)
        gains.append((np.sqrt(energy) * random.choice([-1.0, 1.0], at_s.shape)).ravel())
        frames.append(np.rint(at_s * network.sample_rate_hz).astype(np.int64).ravel())
        places.append(np.repeat(np.arange(index * lines, (index + 1) * lines), count))
    frame = np.concatenate(frames)
    order = np.argsort(frame, kind="stable")
    return frame[order], np.concatenate(places)[order], np.concatenate(gains)[order].astype(np.float32)


def _add_returns(rows: Samples, network: Network) -> None:
    """Run both networks block by block and add what is heard of them.

    A block is no longer than the shortest line, so all that leaves the lines in a block entered before it. Each line is
    a ring as long as its delay: what leaves a place is replaced by what enters there. float32: the error stays 130 dB
    below the sound at every moment, because nothing has decayed yet.
    """
    lines, total = network.lines, NETWORKS * network.lines
    delays = network.delays_frames.ravel().tolist()
    rings = [np.zeros(delay, dtype=np.float32) for delay in delays]
    random = random_stream(network.seed, part=f"matrix of {lines} lines")
    # Orthogonal: Hadamard / sqrt(lines), columns signed; the order of the delays is its permutation.
    signs = (random.choice([-1.0, 1.0], (total, 1)) / math.sqrt(lines)).astype(np.float32)
    heard = _choose_rows(random, network)
    feed_frame, feed_place, feed_gain = _feed(network)
    block = max(1, min(*delays, _BLOCK_VALUES // total))
    leaving, spare = np.empty((2, total, block), dtype=np.float32)
    frames = rows.shape[1]
    for start in range(0, frames, block):
        for target, ring in zip(leaving, rings, strict=True):
            _read_ring(target, ring, start % len(ring))
        leaving *= signs
        entering, other = _hadamard(leaving, spare, lines)
        width = min(block, frames - start)
        for row, places in zip(rows, heard, strict=True):
            for place, gain in places:
                row[start : start + width] += gain * entering[place, :width]
        first, last = np.searchsorted(feed_frame, (start, start + block))
        if last > first:
            np.add.at(
                entering, (feed_place[first:last], feed_frame[first:last] - start), feed_gain[first:last]
            )
        for source, ring in zip(entering, rings, strict=True):
            _write_ring(ring, source, start % len(ring))
        leaving, spare = other, entering


def _choose_rows(random: np.random.Generator, network: Network) -> list[list[tuple[int, np.float32]]]:
    """Which nodes of a network each response hears, and with what gain: unit variance, no node heard twice."""
    heard = []
    for index in range(NETWORKS):
        nodes = random.permutation(network.lines)
        # All energy is 1 and spread evenly over the delays: each node carries 1 / (sum of delays) a frame.
        gain = math.sqrt(float(network.delays_frames[index].sum()) / NODES_HEARD)
        for side in range(2):
            places = nodes[side * NODES_HEARD : (side + 1) * NODES_HEARD]
            gains = (_choose_signs(random, places.tolist()) * gain).astype(np.float32)
            heard.append(list(zip((places + index * network.lines).tolist(), gains, strict=True)))
    return heard


def _choose_signs(random: np.random.Generator, places: list[int]) -> Reals:
    """Signs with which nodes are heard: of 256 throws the one in which the nodes repeat themselves least.

    What passes a node comes back from that node's own line, to all nodes, with the signs of a column of the matrix.
    The repetition that is heard is the sum of that column over the nodes heard, with their signs.
    """
    # Hadamard's matrix has -1 where row and column have an odd number of binary ones in common.
    columns = np.array([[1 - 2 * ((row & column).bit_count() & 1) for column in places] for row in places])
    throws = random.choice([-1, 1], (256, len(places)))
    loudest = np.abs(throws @ columns).max(axis=1)
    return np.asarray(throws[int(loudest.argmin())], dtype=np.float64)


def _read_ring(target: Samples32, ring: Samples32, place: int) -> None:
    ahead = len(ring) - place
    if ahead >= len(target):
        target[:] = ring[place : place + len(target)]
    else:
        target[:ahead] = ring[place:]
        target[ahead:] = ring[: len(target) - ahead]


def _write_ring(ring: Samples32, source: Samples32, place: int) -> None:
    ahead = len(ring) - place
    if ahead >= len(source):
        ring[place : place + len(source)] = source
    else:
        ring[place:] = source[:ahead]
        ring[: len(source) - ahead] = source[ahead:]


def _hadamard(values: Samples32, spare: Samples32, lines: int) -> tuple[Samples32, Samples32]:
    """Multiply every group of `lines` rows by the Hadamard matrix: sums and differences only.

    No matrix product: the order of its sums may depend on how many threads the library uses, and the same recipe
    must give the same bytes everywhere.
    """
    half = 1
    while half < lines:
        pairs = values.reshape(-1, 2, half, values.shape[1])
        target = spare.reshape(pairs.shape)
        np.add(pairs[:, 0], pairs[:, 1], out=target[:, 0])
        np.subtract(pairs[:, 0], pairs[:, 1], out=target[:, 1])
        values, spare = spare, values
        half *= 2
    return values, spare
