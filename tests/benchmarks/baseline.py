"""The same job as a good practitioner would write it with scipy: whole-file arrays in double precision, stage by stage.

Nothing here is made slow on purpose: channels are contiguous, filters and the network's tables are prepared
outside the time taken, the network works in blocks as long as its shortest line, true peak is measured once and
followed through the gain. It comes to the loudness and the peak that the tool comes to, which the benchmark checks.

Sources: equalisers by R. Bristow-Johnson, *Cookbook formulae for audio EQ biquad filter coefficients* (W3C note,
2021); network after J.-M. Jot and A. Chaigne, *Digital delay networks for designing artificial reverberators*, AES
90th Convention, 1991, with three symmetrical taps in each line instead of one pole: numpy can do them in blocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.linalg
import scipy.ndimage
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.recipe.models import (
    HighPass,
    HighShelf,
    ImpulseResponse,
    LowPass,
    LowShelf,
    Peaking,
    Recipe,
    Room,
    Stage,
)

Floats = NDArray[np.float64]

LINES = 16
_SHORTEST_S, _LONGEST_S = 0.021, 0.089
_LOOK_AHEAD_S = 0.005
_ROUNDS = 2
_MARGIN_DB = 0.05


@dataclass(frozen=True)
class Network:
    """A feedback delay network of one side, ready to run."""

    delays_frames: NDArray[np.int64]
    taps: Floats
    feedback: Floats
    into: Floats
    out: Floats
    pre_delay_frames: int
    bands: Floats


@dataclass(frozen=True)
class Prepared:
    """All coefficients, so that only the work on the take is timed."""

    chains: tuple[tuple[Floats, ...], tuple[Floats, ...]]
    gains: tuple[float, float]
    networks: tuple[Network, Network]
    tail_frames: int
    sample_rate_hz: int
    loudness_lufs: float
    ceiling_dbtp: float
    meter: Any


def prepare_baseline(recipe: Recipe, *, sample_rate_hz: int, tail_frames: int) -> Prepared:
    """Turn a recipe of one source in the middle and one on the side into coefficients."""
    import pyloudnorm

    first, second = recipe.sources.values()
    room = recipe.room
    if room is None or (first.place, second.place) != ("mid", "side"):
        raise ValueError("recipe must have a room, a source in the middle and one on the side")
    chains = tuple(
        tuple(_coefficients(stage, sample_rate_hz) for stage in source.chain) for source in (first, second)
    )
    networks = tuple(_design_network(room, sample_rate_hz=sample_rate_hz, seed=seed) for seed in (1, 2))
    return Prepared(
        chains=(chains[0], chains[1]),
        gains=(10.0 ** (first.gain_db / 20.0), 10.0 ** (second.gain_db / 20.0)),
        networks=(networks[0], networks[1]),
        tail_frames=tail_frames,
        sample_rate_hz=sample_rate_hz,
        loudness_lufs=float(recipe.finish.loudness_lufs),
        ceiling_dbtp=recipe.finish.max_true_peak_dbtp,
        # Its default class is 0.04 LU off at 48 kHz; this one follows the standard's table.
        meter=pyloudnorm.Meter(sample_rate_hz, filter_class="DeMan"),
    )


def render_baseline(take: Path, output: Path, prepared: Prepared) -> None:
    """Render a WAV take of two channels into a 24-bit WAV file."""
    audio, _ = soundfile.read(take, dtype="float64")
    channels = np.zeros((2, len(audio) + prepared.tail_frames))
    channels[:, : len(audio)] = audio.T
    del audio
    middle, side = (_run_chain(*each) for each in zip(channels, prepared.chains, prepared.gains, strict=True))
    left, right = middle + side, middle - side
    mix = np.stack(
        [left + run_network(left, prepared.networks[0]), right + run_network(right, prepared.networks[1])]
    )
    del channels, middle, side, left, right
    _write(output, _finish(mix, prepared), prepared.sample_rate_hz)


def run_network(signal: Floats, network: Network) -> Floats:
    """What a network answers to a signal, as long as the signal."""
    block = int(network.delays_frames.min()) - 1
    longest = int(network.delays_frames.max()) + 1
    room = longest + 64 * block  # as far as the lines run before they are moved back to the front
    lines = np.zeros((LINES, room))
    heard = np.empty((LINES, block + 2))
    filtered = np.empty((LINES, block))
    scratch = np.empty_like(filtered)
    driven = np.zeros(-(-len(signal) // block) * block)
    driven[network.pre_delay_frames : len(signal)] = signal[: len(signal) - network.pre_delay_frames]
    answer = np.empty_like(driven)
    at = longest
    for first in range(0, len(driven), block):
        if at + block > room:
            lines[:, :longest] = lines[:, at - longest : at]
            at = longest
        for line, delay in enumerate(network.delays_frames):
            heard[line] = lines[line, at - delay - 1 : at - delay + block + 1]
        np.add(heard[:, :-2], heard[:, 2:], out=filtered)
        filtered *= network.taps[1]
        np.multiply(heard[:, 1:-1], network.taps[0], out=scratch)
        filtered += scratch
        now = driven[first : first + block]
        np.matmul(network.out, filtered, out=answer[first : first + block])
        written = lines[:, at : at + block]
        np.matmul(network.feedback, filtered, out=scratch)
        np.multiply(network.into[:, np.newaxis], now, out=written)
        written += scratch
        at += block
    return np.asarray(scipy.signal.sosfilt(network.bands, answer[: len(signal)]), np.float64)


def _run_chain(signal: Floats, stages: Sequence[Floats], gain: float) -> Floats:
    """Every stage over the whole file: filters as second-order sections, impulse responses by overlap-add."""
    for stage in stages:
        if stage.ndim == 2:
            signal = scipy.signal.sosfilt(stage, signal)
        else:
            signal = scipy.signal.oaconvolve(signal, stage)[: len(signal)]
    return signal * gain


def _finish(mix: Floats, prepared: Prepared) -> Floats:
    """Gain and limiter, until loudness is reached under the ceiling."""
    peaks = np.zeros(mix.shape[1])
    for channel in mix:
        oversampled = np.abs(scipy.signal.resample_poly(channel, 4, 1))
        np.maximum(peaks, oversampled.reshape(-1, 4).max(axis=1), out=peaks)
    gain_db = prepared.loudness_lufs - prepared.meter.integrated_loudness(mix.T)
    for _ in range(_ROUNDS):
        finished = _limit(mix, peaks, gain_db=gain_db, prepared=prepared)
        short = prepared.loudness_lufs - prepared.meter.integrated_loudness(finished.T)
        if abs(short) < 0.01:
            break
        gain_db += short
    return finished


def _limit(mix: Floats, peaks: Floats, *, gain_db: float, prepared: Prepared) -> Floats:
    """Lowest gain that is needed within the look-ahead, smoothed over the same time."""
    gain = float(10.0 ** (gain_db / 20.0))
    ceiling = 10.0 ** ((prepared.ceiling_dbtp - _MARGIN_DB) / 20.0)
    if gain * peaks.max() <= ceiling:
        return mix * gain
    size = 2 * round(_LOOK_AHEAD_S * prepared.sample_rate_hz) + 1
    half = size // 2 + 1
    needed = np.minimum(1.0, ceiling / np.maximum(gain * peaks, 1e-9))
    curve = scipy.ndimage.minimum_filter1d(needed, size)
    curve = scipy.ndimage.uniform_filter1d(scipy.ndimage.uniform_filter1d(curve, half), half)
    return np.asarray(mix * (gain * curve), np.float64)


def _write(path: Path, finished: Floats, sample_rate_hz: int) -> None:
    """Triangular dither, rounding, 24 bits."""
    random = np.random.default_rng(1)
    steps = finished.T * 2.0**23
    steps += random.random(steps.shape)
    steps -= random.random(steps.shape)
    whole = np.clip(np.rint(steps, out=steps), -(2.0**23), 2.0**23 - 1.0, out=steps).astype(np.int32) << 8
    soundfile.write(path, whole, sample_rate_hz, subtype="PCM_24")


def _design_network(room: Room, *, sample_rate_hz: int, seed: int) -> Network:
    """Sixteen lines with the decay of a room at 1 and 8 kHz, at its level against the direct sound."""
    random = np.random.default_rng(seed)
    seconds = np.geomspace(_SHORTEST_S, _LONGEST_S, LINES) * random.uniform(0.97, 1.03, LINES)
    delays = np.round(seconds * sample_rate_hz).astype(np.int64)
    targets = [
        10.0 ** (-3.0 * delays / sample_rate_hz / decay_s)
        for decay_s in (room.decay_1khz_s, room.decay_1khz_s * room.decay_8khz_ratio)
    ]
    # Three taps d, c, d: H = c + 2 d cos(w), met at both frequencies.
    low, high = (math.cos(2.0 * math.pi * hz / sample_rate_hz) for hz in (1_000.0, 8_000.0))
    outer = (targets[0] - targets[1]) / (2.0 * (low - high))
    taps = np.stack([targets[0] - 2.0 * outer * low, outer])[:, :, np.newaxis]
    signs = random.choice([-1.0, 1.0], LINES)
    # Energy of the answer: sum of the squared gains of all passes, here by its closed form for equal decay.
    per_second = 10.0 ** (room.level_db / 10.0) * 6.0 * math.log(10.0) / room.decay_1khz_s
    out = random.choice([-1.0, 1.0], LINES) * math.sqrt(per_second * float(seconds.mean()) / LINES)
    bands = np.concatenate(
        [
            scipy.signal.butter(2, room.high_pass_hz, "highpass", fs=sample_rate_hz, output="sos"),
            scipy.signal.butter(2, room.low_pass_hz, fs=sample_rate_hz, output="sos"),
        ]
    )
    return Network(
        delays_frames=delays,
        taps=taps,
        feedback=scipy.linalg.hadamard(LINES).astype(np.float64) / 4.0 * signs,
        into=random.choice([-1.0, 1.0], LINES),
        out=out,
        pre_delay_frames=round(room.pre_delay_ms / 1000.0 * sample_rate_hz),
        bands=bands,
    )


def _coefficients(stage: Stage, sample_rate_hz: int) -> Floats:
    """Second-order sections of a filter, shape (sections, 6), or the taps of an impulse response."""
    match stage:
        case ImpulseResponse():
            taps, _ = soundfile.read(stage.file, dtype="float64")
            return np.asarray(taps, np.float64)
        case HighPass() | LowPass():
            kind = "highpass" if isinstance(stage, HighPass) else "lowpass"
            order = stage.slope_db_per_octave // 6
            return np.asarray(
                scipy.signal.butter(order, stage.cutoff_hz, kind, fs=sample_rate_hz, output="sos"), np.float64
            )
        case Peaking():
            a, alpha, cosine = _cookbook(stage.centre_hz, stage.gain_db, stage.q, sample_rate_hz)
            b = (1.0 + alpha * a, -2.0 * cosine, 1.0 - alpha * a)
            return _section(b, (1.0 + alpha / a, -2.0 * cosine, 1.0 - alpha / a))
        case LowShelf() | HighShelf():
            a, alpha, cosine = _cookbook(stage.corner_hz, stage.gain_db, stage.q, sample_rate_hz)
            sign = 1.0 if isinstance(stage, LowShelf) else -1.0  # a high shelf is a low one seen from the top
            c, root = sign * cosine, 2.0 * math.sqrt(a) * alpha
            b0, b2 = (a + 1.0 - (a - 1.0) * c + each for each in (root, -root))
            a0, a2 = (a + 1.0 + (a - 1.0) * c + each for each in (root, -root))
            b1, a1 = 2.0 * sign * (a - 1.0 - (a + 1.0) * c), -2.0 * sign * (a - 1.0 + (a + 1.0) * c)
            return _section((a * b0, a * b1, a * b2), (a0, a1, a2))
        case _:
            raise ValueError(f"stage {stage.stage} is not in the benchmark's recipe")


def _cookbook(
    frequency_hz: float, gain_db: float, q: float, sample_rate_hz: int
) -> tuple[float, float, float]:
    """Root of the gain, alpha and cosine of the cookbook's formulae."""
    angle = 2.0 * math.pi * frequency_hz / sample_rate_hz
    return 10.0 ** (gain_db / 40.0), math.sin(angle) / (2.0 * q), math.cos(angle)


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> Floats:
    return np.array([[*b, *a]]) / a[0]
