"""Takes of an invented player for the checks of captures: strings, a body, a room's noise, hum, talk; all seeded.

Everything is `(frames, 2)` float64: source 0 the pickup, source 1 the microphone, unless told otherwise. The strings
are sums of decaying partials: stiff, in two polarisations, plucked at some place, stopped by the next note on the same
string. Made for statistics: an hour takes seconds, because each note is computed once and then only placed.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tests.helpers.signals import decaying_partials

Wave = NDArray[np.float64]

OPEN_STRINGS = (40, 45, 50, 55, 59, 64)  # E2 A2 D3 G3 B3 E4 as numbers of a keyboard, 69 is A4
_RISE_S = 0.0012
_STOP_S = 0.05  # a finger on the string


@dataclass(frozen=True)
class Player:
    """How somebody plays.

    `fewest_frets` and `frets`: the left hand's range; `held_share` of notes ring on until their string is played
    again, the others are stopped early. `thumb`: every so many notes the lowest string alone, None for no such habit.
    """

    notes_per_s: float = 3.5
    tuning_hz: float = 440.0
    strings: tuple[int, ...] = OPEN_STRINGS
    frets: tuple[int, int] = (0, 7)
    held_share: float = 0.8
    dynamics_db: float = 8.0
    ring_s: float = 9.0
    thumb: int | None = None
    lead_s: float = 1.0
    tail_s: float = 2.0


@dataclass(frozen=True)
class Body:
    """Resonances as (frequency, quality, gain in dB over the direct sound) that the microphone hears on top."""

    modes: tuple[tuple[float, float, float], ...] = (
        (104.0, 16.0, 9.0),
        (196.0, 20.0, 7.0),
        (243.0, 26.0, 4.0),
    )
    air_db_per_octave: float = -1.0
    delay_ms: float = 0.5


@functools.lru_cache(maxsize=512)
def _note(
    fundamental_hz: float, ring_s: float, place: float, sample_rate_hz: int, duration_s: float
) -> NDArray[np.float32]:
    """One note that nobody stops; what is left of it after `duration_s` is damped before that."""
    seconds = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    stiffness = 6e-5
    partial = np.arange(1, 1 + int(min(24.0, 0.45 * sample_rate_hz / fundamental_hz)))
    frequency_hz = fundamental_hz * partial * np.sqrt(1.0 + stiffness * partial**2)
    partial, frequency_hz = (each[frequency_hz <= 0.45 * sample_rate_hz] for each in (partial, frequency_hz))
    strength = np.sin(np.pi * partial * place) / partial / (1.0 + frequency_hz / 3000.0)
    strength = strength * np.exp(0.3j * partial)
    poles, strengths = [], []
    for share, cents, longer in ((0.75, 0.0, 1.0), (0.25, 0.35, 1.6)):
        decay = 6.9078 / (ring_s * longer) * (1.0 + 0.16 * partial + (frequency_hz / 2500.0) ** 2)
        poles.append(-decay + 2j * np.pi * frequency_hz * 2.0 ** (cents / 1200.0))
        strengths.append(share * strength)
    wave = decaying_partials(
        len(seconds),
        poles_per_s=np.concatenate(poles),
        strengths=np.concatenate(strengths)[:, np.newaxis],
        sample_rate_hz=sample_rate_hz,
    )[:, 0]
    wave *= np.minimum(seconds / _RISE_S, 1.0)
    damped = min(len(wave), round(_STOP_S * sample_rate_hz))
    wave[len(wave) - damped :] *= _taper(damped)
    return wave.astype(np.float32)


def _taper(frames: int) -> Wave:
    """From 1 to 0, without a corner at either end."""
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * np.arange(frames) / max(1, frames)))


def strings(duration_s: float, *, sample_rate_hz: int, seed: int, player: Player | None = None) -> Wave:
    """What the strings do to the bridge, shape (frames,), at about -20 dB of full scale RMS."""
    who = player or Player()
    random = np.random.default_rng(seed)
    frames = round(duration_s * sample_rate_hz)
    wave = np.zeros(frames + 1)
    now_s = who.lead_s
    sounding: dict[int, tuple[int, NDArray[np.float32], float, int]] = {}
    longest_s = min(0.45 * who.ring_s, 5.0)
    beat, count = 1.0 / who.notes_per_s, 0

    def place(first: int, note: NDArray[np.float32], gain: float, last: int) -> None:
        last = min(last, first + len(note), frames)
        if last <= first:
            return
        wave[first:last] += gain * note[: last - first]
        # Where the note itself is over before the finger has damped it, it has been damped already.
        fade = round(_STOP_S * sample_rate_hz)
        rest = min(fade, frames - last, len(note) - (last - first))
        if rest > 0:
            part = note[last - first : last - first + rest]
            wave[last : last + rest] += gain * part * _taper(fade)[:rest]

    while now_s < duration_s - who.tail_s:
        count += 1
        string = int(random.integers(len(who.strings)))
        fret = int(random.integers(who.frets[0], who.frets[1] + 1))
        if who.thumb is not None and count % who.thumb == 0:
            string, fret = 0, 0
        pitch_hz = who.tuning_hz * 2.0 ** ((who.strings[string] + fret - 69) / 12.0)
        note = _note(
            round(pitch_hz, 4), who.ring_s * 2.0 ** (-(string + fret / 4.0) / 5.0),
            (0.11, 0.16, 0.21)[int(random.integers(3))], sample_rate_hz, longest_s,
        )  # fmt: skip
        first = round(now_s * sample_rate_hz)
        if string in sounding:
            before, old, gain, stop = sounding.pop(string)
            place(before, old, gain, min(stop, first))
        short = random.random() > who.held_share
        stop = first + round((random.uniform(0.15, 0.6) if short else longest_s) * sample_rate_hz)
        sounding[string] = first, note, 10.0 ** (-random.uniform(0.0, who.dynamics_db) / 20.0), stop
        now_s += beat * float(random.choice((0.5, 1.0, 1.0, 1.0, 2.0))) * float(random.uniform(0.93, 1.07))
    for before, old, gain, stop in sounding.values():
        place(before, old, gain, stop)
    wave = wave[:frames]
    level = float(np.sqrt(np.mean(wave**2)))
    return wave * (0.1 / level if level > 0.0 else 1.0)


def peaking(frequency_hz: Wave, *, centre_hz: float, gain_db: float, q: float) -> NDArray[np.complex128]:
    """Response of an analogue peaking filter; its gain is the height, q the classic quality of its poles' inverse."""
    ratio = np.maximum(frequency_hz, 1e-9) / centre_hz
    x = 1j * (ratio - 1.0 / ratio)
    a = 10.0 ** (gain_db / 40.0)
    return np.asarray((x + a / q) / (x + 1.0 / (a * q)))


def through(wave: Wave, response: Callable[[Wave], NDArray[np.complex128]], *, sample_rate_hz: int) -> Wave:
    """Filter one channel by a response given over frequency; what rings past the end is cut off."""
    size = fft.next_fast_len(len(wave) + sample_rate_hz, real=True)
    frequency_hz = np.arange(size // 2 + 1) * (sample_rate_hz / size)
    return np.asarray(fft.irfft(fft.rfft(wave, size) * response(frequency_hz), size)[: len(wave)])


def two_sources(wave: Wave, *, sample_rate_hz: int, body: Body | None = None) -> Wave:
    """Pickup and microphone of one guitar."""
    guitar = body or Body()

    def microphone(frequency_hz: Wave) -> NDArray[np.complex128]:
        safe = np.maximum(frequency_hz, 1.0)
        response = (safe / 300.0) ** (guitar.air_db_per_octave / 6.02) * np.exp(
            -2j * np.pi * frequency_hz * guitar.delay_ms / 1000.0
        )
        for centre_hz, quality, gain_db in guitar.modes:
            response = response * peaking(frequency_hz, centre_hz=centre_hz, gain_db=gain_db, q=quality)
        return np.asarray(response / (1.0 + (35.0 / safe) ** 4) / (1.0 + 1j * frequency_hz / 9500.0))

    def pickup(frequency_hz: Wave) -> NDArray[np.complex128]:
        lifted = peaking(frequency_hz, centre_hz=2300.0, gain_db=7.0, q=0.75)
        return np.asarray(lifted / (1.0 + 45.0 / (1j * np.maximum(frequency_hz, 0.1))))

    return np.stack(
        [through(wave, path, sample_rate_hz=sample_rate_hz) for path in (pickup, microphone)], axis=1
    )


def hiss(frames: int, *, sample_rate_hz: int, seed: int, dbfs: Sequence[float] = (-80.0, -66.0)) -> Wave:
    """White noise, and in the microphone as much again of a room: pink below 500 Hz."""
    random = np.random.default_rng(seed)
    white = random.standard_normal((frames, 2))
    rumble = through(
        random.standard_normal(frames), lambda f: np.asarray(12.0 / np.sqrt(1.0 + np.maximum(f, 10.0)), np.complex128),
        sample_rate_hz=sample_rate_hz,
    )  # fmt: skip
    noise = white * 10.0 ** (np.asarray(dbfs) / 20.0)
    noise[:, 1] += 10.0 ** (dbfs[1] / 20.0) * rumble
    return np.asarray(noise)


def hum(
    frames: int,
    *,
    sample_rate_hz: int,
    mains_hz: float,
    shares_db: dict[int, float],
    wander_hz: float = 0.01,
    seed: int = 1,
) -> Wave:
    """Mains hum, shape (frames,): multiples of a frequency that wanders a little, each at an RMS level in dBFS."""
    random = np.random.default_rng(seed)
    steps = np.cumsum(random.standard_normal(frames // sample_rate_hz + 3)) * wander_hz / 4.0
    steps = np.clip(steps - steps.mean(), -3.0 * wander_hz, 3.0 * wander_hz)
    seconds = np.arange(frames) / sample_rate_hz
    turns = np.cumsum(mains_hz + np.interp(seconds, np.arange(len(steps)), steps)) / sample_rate_hz
    wave = np.zeros(frames)
    for multiple, dbfs in shares_db.items():
        phase = random.uniform(0.0, 2.0 * np.pi)
        wave += np.sqrt(2.0) * 10.0 ** (dbfs / 20.0) * np.sin(2.0 * np.pi * multiple * turns + phase)
    return wave


def talk(duration_s: float, *, sample_rate_hz: int, seed: int) -> Wave:
    """Something like speech, shape (frames,), RMS about 0.1: voiced and hissing syllables, four or five a second."""
    random = np.random.default_rng(seed)
    frames = round(duration_s * sample_rate_hz)
    wave = np.zeros(frames)
    voice_hz = float(random.uniform(95.0, 220.0))
    now_s = float(random.uniform(0.05, 0.2))
    while now_s < duration_s - 0.15:
        length_s = float(random.uniform(0.10, 0.24))
        first, count = round(now_s * sample_rate_hz), round(length_s * sample_rate_hz)
        count = min(count, frames - first)
        seconds = np.arange(count) / sample_rate_hz
        glide = 0.3 * (0.5 - seconds / length_s) * float(random.uniform(-0.5, 1.0))
        pitch_hz = voice_hz * (1.0 + float(random.uniform(-0.15, 0.15)) + glide)
        turns = np.cumsum(pitch_hz) / sample_rate_hz
        formants = (float(random.uniform(280, 800)), float(random.uniform(900, 2300)), 2600.0)
        syllable = np.zeros(count)
        for harmonic in range(1, int(0.4 * sample_rate_hz / voice_hz / 1.4)):
            here_hz = harmonic * voice_hz
            if here_hz > 4500.0:
                break
            gain = sum(
                0.7**rank / (1.0 + ((here_hz - f) / (0.12 * f)) ** 2) for rank, f in enumerate(formants)
            )
            syllable += (gain + 0.05) * np.sin(2.0 * np.pi * harmonic * turns + harmonic)
        envelope = np.sin(np.pi * np.minimum(seconds / length_s, 1.0)) ** 0.7
        wave[first : first + count] += float(random.uniform(0.4, 1.0)) * envelope * syllable
        if random.random() < 0.4:  # a consonant
            burst = min(round(0.07 * sample_rate_hz), frames - first)
            wave[first : first + burst] += 0.25 * np.hanning(burst) * random.standard_normal(burst)
        pause_s = (
            float(random.uniform(0.25, 0.7)) if random.random() < 0.12 else float(random.uniform(0.0, 0.05))
        )
        now_s += length_s + pause_s
    return wave * (0.1 / float(np.sqrt(np.mean(wave**2))))
