"""Clean sounds that are hard on the gauges of faults, and faults to put into them; all seeded, `(frames, 2)`.

Clean: steep plucks as a saddle pickup hears them, slaps, knocks, nearly flat tops, limiters, gates, few bits.
Each kind is a function of duration, rate and generator; `clean_sound` picks levels and a word length as well.
"""

from __future__ import annotations

import functools
import io
from collections.abc import Callable, Iterator

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import ndimage, signal

from tests.helpers.plucks import Scene, play_scene, random_path
from tests.helpers.rehearsal import Player, hiss, strings, talk, two_sources
from tests.helpers.signals import plucks

Wave = NDArray[np.float64]
Maker = Callable[[float, int, np.random.Generator], Wave]


def _seed(random: np.random.Generator) -> int:
    return int(random.integers(0, 2**31))


def _level(wave: Wave, peak_dbfs: float) -> Wave:
    return np.asarray(wave * (10.0 ** (peak_dbfs / 20.0) / max(float(np.abs(wave).max()), 1e-9)))


def _moments(duration_s: float, random: np.random.Generator, mean_s: float) -> list[float]:
    moments, now_s = [], float(random.uniform(0.1, 0.5))
    while now_s < duration_s:
        moments.append(now_s)
        now_s += float(random.exponential(mean_s)) + 0.06
    return moments


def saddle(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Force of plucked strings on the saddle: steps with a rise of 0.1 ms that go round, and the body under them."""
    frames = round(duration_s * rate)
    wave = np.zeros(frames)
    for now_s in _moments(duration_s, random, 0.25):
        first = round(now_s * rate)
        period = rate / (82.41 * 2.0 ** (int(random.integers(-4, 28)) / 12.0))
        place = float(random.uniform(0.06, 0.4))
        length = min(frames - first, round(1.5 * rate))
        # The two bends run round the string: up one step, down another, each rounder at every turn.
        rise = 0.0001 * rate * float(random.uniform(0.8, 3.0))
        pulse = np.zeros(length)
        turn = 0
        while turn * period < length - 1:
            for at, sign in ((turn * period, 1.0), ((turn + place) * period, -1.0)):
                if at < length - 1:
                    width = rise * np.sqrt(1.0 + 0.4 * turn)
                    span = int(8 * width) + 2
                    n = np.arange(int(at), min(length, int(at) + 2 * span))
                    z = (n - at - span) / width
                    pulse[n[0] : n[0] + len(n)] += sign * 0.998**turn * 0.5 * (1.0 + np.tanh(z))
                    pulse[min(length, int(at) + 2 * span) :] += sign * 0.998**turn
            turn += 1
        pulse *= np.exp(-np.arange(length) / (float(random.uniform(0.1, 0.6)) * rate))
        fade = min(length, rate // 50)
        pulse[length - fade :] *= np.linspace(1.0, 0.0, fade)
        wave[first : first + length] += float(random.uniform(0.1, 1.0)) * pulse
    high_pass = signal.butter(2, 40.0, "highpass", fs=rate, output="sos")
    body = signal.lfilter(*signal.iirpeak(float(random.uniform(95, 220)), 15.0, fs=rate), wave)
    both = np.stack([wave, 0.5 * wave + 2.0 * body], axis=1)
    return np.asarray(signal.sosfilt(high_pass, both, axis=0))


def slaps(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Muted strings slapped and nails on strings: noise that rises in 0.1 ms and is gone in 2 to 30 ms."""
    wave = strings(duration_s, sample_rate_hz=rate, seed=_seed(random)) * float(
        random.choice((0.0, 0.3, 1.0))
    )
    for now_s in _moments(duration_s, random, 0.3):
        first, length = round(now_s * rate), round(0.15 * rate)
        length = min(length, len(wave) - first)
        t = np.arange(length) / rate
        burst = random.standard_normal(length) * np.exp(-t / float(random.uniform(0.002, 0.03)))
        burst *= np.minimum(1.0, t / 0.0001) * np.linspace(1.0, 0.0, length)
        if random.random() < 0.6:
            edge = float(random.uniform(0.05, 0.35)) * rate
            burst = signal.sosfilt(signal.butter(1, edge, fs=rate, output="sos"), burst)
        wave[first : first + length] += float(random.uniform(0.05, 0.6)) * burst
    return np.stack([wave, np.convolve(wave, [0.6, 0.3, 0.1])[: len(wave)]], axis=1)


def knocks(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """A hand on the body: damped modes from 80 Hz to 3 kHz that begin at once."""
    wave = strings(duration_s, sample_rate_hz=rate, seed=_seed(random)) * float(
        random.choice((0.0, 0.3, 1.0))
    )
    for now_s in _moments(duration_s, random, 0.4):
        first = round(now_s * rate)
        length = min(round(0.4 * rate), len(wave) - first)
        t = np.arange(length) / rate
        for _ in range(int(random.integers(3, 9))):
            mode_hz = float(np.exp(random.uniform(np.log(80.0), np.log(min(3000.0, 0.4 * rate)))))
            ring_s = float(random.uniform(4.0, 15.0)) / (np.pi * mode_hz)
            size = float(random.uniform(0.02, 0.3)) / np.sqrt(mode_hz / 80.0)
            wave[first : first + length] += (
                size * np.exp(-t / ring_s) * (1.0 - t / 0.4) * np.sin(2 * np.pi * mode_hz * t)
            )
    return np.stack([wave, 0.7 * wave], axis=1)


def harmonics(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Flageolets: few partials, long, hardly any noise."""
    frames = round(duration_s * rate)
    wave = np.zeros(frames)
    for now_s in _moments(duration_s, random, 0.5):
        first = round(now_s * rate)
        t = np.arange(frames - first) / rate
        tone_hz = float(random.uniform(160.0, 1400.0))
        for partial in (1, 2, 3):
            if partial * tone_hz < 0.45 * rate:
                wave[first:] += (
                    float(random.uniform(0.2, 1.0)) / partial**1.5 * np.exp(-t * partial * 2.0)
                    * np.sin(2 * np.pi * partial * tone_hz * t) * np.minimum(1.0, t / 0.002)
                )  # fmt: skip
    return np.stack([wave, 0.5 * wave], axis=1)


def tones(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Sines, and sums of some that belong together: flat, pointed, square and saw-toothed, all below half the rate."""
    t = np.arange(round(duration_s * rate)) / rate
    both = []
    for _ in range(2):
        tone_hz = float(np.exp(random.uniform(np.log(20.0), np.log(0.4 * rate))))
        slope, only_odd = float(random.uniform(0.9, 3.0)), bool(random.random() < 0.5)
        count = int(random.choice((1, 1, 2, 3, 5, 20)))
        numbers = np.arange(1, 1 + count * (2 if only_odd else 1), 2 if only_odd else 1)
        turns = random.choice((0.0, 0.5, 1.0)) * np.pi
        both.append(
            sum(
                np.sin(2 * np.pi * k * tone_hz * t + turns) / k**slope
                for k in numbers
                if k * tone_hz < 0.45 * rate
            )
        )
    return np.stack(both, axis=1)


def noises(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """White, dark and bright noise, steady or swelling."""
    frames = round(duration_s * rate)
    wave = random.standard_normal((frames, 2))
    kind = int(random.integers(4))
    if kind == 1:
        edge = float(random.uniform(0.01, 0.4)) * rate
        wave = signal.sosfilt(signal.butter(2, edge, fs=rate, output="sos"), wave, axis=0)
    elif kind == 2:
        wave = np.diff(wave, axis=0, prepend=0.0)
    elif kind == 3:
        wave *= 1.0 + np.sin(2 * np.pi * 1.5 * np.arange(frames) / rate)[:, np.newaxis] ** 3
    return np.asarray(wave)


def speech(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Syllables and consonants."""
    wave = talk(duration_s, sample_rate_hz=rate, seed=_seed(random))
    return np.stack([wave, 0.5 * wave], axis=1)


def rehearsed(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """The invented player through pickup and microphone, with hiss."""
    seed = _seed(random)
    player = Player(notes_per_s=float(random.uniform(1.0, 8.0)), dynamics_db=float(random.uniform(0.0, 20.0)))
    both = two_sources(
        strings(duration_s, sample_rate_hz=rate, seed=seed, player=player), sample_rate_hz=rate
    )
    return both + hiss(len(both), sample_rate_hz=rate, seed=seed)


def scene(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """The small synthetic guitar: strings begin at once, without any rise."""
    paths = random_path(random), random_path(random, reach="microphone")
    quiet = float(10.0 ** random.uniform(-5.5, -3.5))
    made = Scene(paths=paths, noise_rms=(quiet, quiet), knocks=int(random.integers(0, 4)), pluck_every_s=0.2)
    return play_scene(made, duration_s=duration_s, sample_rate_hz=rate, seed=_seed(random)).astype(np.float64)


def bare(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Partials without a rise and without any noise."""
    return plucks(duration_s, sample_rate_hz=rate, seed=_seed(random))


def cut_and_faded(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Played, then a noise gate and edited fades: pauses of digital silence that are come to smoothly."""
    both = rehearsed(duration_s, rate, random)
    gain = np.ones(len(both))
    for now_s in _moments(duration_s, random, 0.8):
        first = round(now_s * rate)
        fade_out, fade_in = (max(2, round(float(random.uniform(0.001, 0.05)) * rate)) for _ in range(2))
        pause = round(float(random.uniform(0.0005, 0.4)) * rate)
        shape = np.concatenate(
            [np.linspace(1.0, 0.0, fade_out), np.zeros(pause), np.linspace(0.0, 1.0, fade_in)]
        )
        shape = shape[: len(gain) - first]
        gain[first : first + len(shape)] = np.minimum(gain[first : first + len(shape)], shape)
    return both * gain[:, np.newaxis]


def limited(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Under a limiter (gain smoothed over 2 ms, peaks at the ceiling) or through a valve (tanh)."""
    both = rehearsed(duration_s, rate, random) if random.random() < 0.5 else saddle(duration_s, rate, random)
    both = _level(both, float(random.uniform(2.0, 10.0)))
    if random.random() < 0.4:
        return np.asarray(np.tanh(both * 0.6))
    reach = max(3, round(0.002 * rate)) | 1
    height = ndimage.maximum_filter1d(np.abs(both), reach, axis=0)
    gain = np.minimum(1.0, 1.0 / np.maximum(height, 1e-9))
    window = np.hanning(reach + 2)[1:-1]
    padded = np.pad(gain, ((reach, reach), (0, 0)), mode="edge")
    smooth = signal.fftconvolve(padded, window[:, np.newaxis] / window.sum(), mode="same", axes=0)
    gain = smooth[reach:-reach]
    return np.asarray(both * gain)


def through_mp3(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Played, coded with loss at some rate, and decoded."""
    both = _level(rehearsed(duration_s, rate, random), float(random.uniform(-12.0, -0.1)))
    store = io.BytesIO()
    level = float(random.uniform(0.0, 0.9))
    soundfile.write(store, both, rate, format="MP3", compression_level=level, bitrate_mode="CONSTANT")
    store.seek(0)
    decoded, _ = soundfile.read(store, always_2d=True)
    return np.asarray(decoded, np.float64)


def nothing(duration_s: float, rate: int, random: np.random.Generator) -> Wave:
    """Digital silence, alone or around a little sound."""
    wave = np.zeros((round(duration_s * rate), 2))
    if random.random() < 0.7:
        third = len(wave) // 3
        wave[third : 2 * third] = rehearsed(third / rate + 0.01, rate, random)[:third]
        wave[third : 2 * third] *= np.hanning(third)[:, np.newaxis]
    return wave


CLEAN: dict[str, Maker] = {
    maker.__name__: maker
    for maker in (
        saddle, slaps, knocks, harmonics, tones, noises, speech, rehearsed, scene, bare, cut_and_faded, limited,
        through_mp3, nothing,
    )
}  # fmt: skip
PLAYED = ("saddle", "slaps", "knocks", "harmonics", "rehearsed", "scene", "bare", "through_mp3")


def few_bits(wave: Wave, *, bits: int, random: np.random.Generator | None = None) -> Wave:
    """Round to words of so many bits, with triangular dither if a generator is given; never past full scale."""
    steps = 2.0 ** (bits - 1)
    scaled = wave * steps
    if random is not None:
        scaled = scaled + random.random(wave.shape) - random.random(wave.shape)
    return np.asarray(np.clip(np.floor(scaled + 0.5), -steps, steps - 1) / steps)


def to_file(wave: Wave, random: np.random.Generator) -> NDArray[np.float32]:
    """As it might come off a recorder: 24 bit, 16 bit with and without dither, 8 bit, or floats."""
    kind = int(random.integers(6))
    if kind < 2:
        wave = few_bits(wave, bits=24)
    elif kind < 4:
        wave = few_bits(wave, bits=16, random=random if kind == 2 else None)
    elif kind == 4:
        wave = few_bits(wave, bits=8)
    return wave.astype(np.float32)


def clean_sound(
    kind: str, duration_s: float, *, sample_rate_hz: int, seed: int, peak_dbfs: float | None = None
) -> NDArray[np.float32]:
    """A kind of `CLEAN` at some level, -60 to -0.1 dBFS at its peak, in some word length."""
    random = np.random.default_rng([seed, sorted(CLEAN).index(kind)])
    wave = CLEAN[kind](duration_s, sample_rate_hz, random)
    chosen = float(
        random.choice(
            (-0.1, -3.0, -6.0, -12.0, -20.0, -40.0, -60.0), p=(0.2, 0.2, 0.2, 0.15, 0.15, 0.05, 0.05)
        )
    )
    return to_file(_level(wave, chosen if peak_dbfs is None else peak_dbfs), random)


@functools.lru_cache(maxsize=40)
def played(kind: str, seed: int, *, duration_s: float = 8.0) -> tuple[NDArray[np.float32], int]:
    """A kind of `CLEAN` with some noise of a room, peak -6 dBFS, and its rate; to put faults into, so never changed."""
    rate = (48_000, 44_100, 96_000, 48_000)[seed % 4]
    random = np.random.default_rng([43, seed, sorted(CLEAN).index(kind)])
    wave = CLEAN[kind](duration_s, rate, random)
    floor = 10.0 ** (random.uniform(-95.0, -70.0) / 20.0)
    wave = _level(wave, -6.0) + floor * random.standard_normal(wave.shape)
    wave.setflags(write=False)
    return np.asarray(wave, np.float32), rate


def _audible_places(audio: Wave, rate: int, random: np.random.Generator) -> Iterator[tuple[int, int, Wave]]:
    """Three times a second or so a frame and a channel where there is sound, and 10 ms of it to both sides."""
    near = rate // 100
    for at_s in np.arange(0.3, len(audio) / rate - 0.4, 0.3):
        first, channel = round(float(at_s + random.uniform(0.0, 0.15)) * rate), int(random.integers(2))
        around = audio[first - near : first + near, channel]
        if np.sqrt(np.mean(around**2)) > 0.005:
            yield first, channel, around


def put_clicks(audio: Wave, *, rate: int, random: np.random.Generator) -> list[tuple[int, int]]:
    """Put audible clicks into a sound: frame and channel of each.

    Spikes, pulses of 2 to 10 samples, and steps where some milliseconds are lost; a tenth to four tenths of the local
    peak, but at least 20 times what white noise would have that has the bends of the loudest 5 ms there.
    """
    put = []
    for first, channel, around in _audible_places(audio.copy(), rate, random):
        bends = np.diff(around, n=4)[: 4 * ((len(around) - 4) // 4)].reshape(4, -1)
        treble = float(np.sqrt(np.mean(bends**2, axis=1).max() / 70.0))
        peak = float(np.abs(around).max())
        height = max(float(random.uniform(0.1, 0.4)) * peak, 20.0 * treble) * float(random.choice((-1, 1)))
        shape = int(random.choice(4, p=(0.4, 0.2, 0.15, 0.25)))
        if shape == 3:
            span = round(0.15 * rate)
            lost = np.arange(8, rate // 12)
            here = audio[first, channel] + audio[first, channel] - audio[first - 1, channel]
            lost = lost[np.abs(audio[first + lost, channel] - here) > max(0.1 * peak, 20.0 * treble)]
            if not len(lost):
                continue
            by = int(random.choice(lost))
            fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((np.arange(span) / span - 0.3) / 0.7, 0.0, 1.0))
            later = audio[first + by : first + by + span, channel].copy()
            audio[first : first + span, channel] *= 1.0 - fade
            audio[first : first + span, channel] += fade * later
        else:
            frames = 1 if shape == 0 else int(random.integers(2, 11))
            jumps = random.uniform(0.5, 1.0, frames) * random.choice((-1, 1), frames)
            audio[first : first + frames, channel] += height * (jumps if shape == 2 else 1.0)
        put.append((first, channel))
    return put


def put_gaps(audio: Wave, *, rate: int, random: np.random.Generator) -> list[tuple[int, int]]:
    """Put standstills of 1 to 100 ms into a sound, zeros or the last value held, if there is sound after them."""
    put = []
    for first, channel, _ in _audible_places(audio.copy(), rate, random):
        frames = round(float(np.exp(random.uniform(np.log(0.001), np.log(0.1)))) * rate)
        after = audio[first + frames : first + frames + rate // 100, channel]
        if np.sqrt(np.mean(after**2)) < 0.005:
            continue
        held = audio[first - 1, channel] if random.random() < 0.35 else 0.0
        audio[first : first + frames, channel] = held
        put.append((first, channel))
    return put
