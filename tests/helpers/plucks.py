"""A small synthetic guitar heard by two sources, with everything about it known: for tests of alignment and balance.

Six strings are plucked at random moments (decaying partials, a little stiff, plucked at a place of their own), and
the force of each reaches both sources over a response: equaliser-like filters of minimum phase, body resonances,
reflections, a delay, a polarity. Responses are analogue, applied in the frequency domain.
Nothing here is shared with `render` or with the example sessions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]

OPEN_HZ = (82.4069, 110.0, 146.832, 195.998, 246.942, 329.628)


@dataclass(frozen=True)
class Path:
    """From the force of the strings to one source.

    Attributes
    ----------
    peaks : tuple of (centre_hz, gain_db, q)
    high_pass_hz, low_pass_hz : tuple of corner frequencies, each of second order, Butterworth
    modes : tuple of (frequency_hz, q, strength)
        Resonances of the body, added to the direct path; the strength may be negative.
    reflections : tuple of (delay_s, gain)
    delay_s, gain : float
        Of the whole path; a negative gain is an inverted source.
    """

    peaks: tuple[tuple[float, float, float], ...] = ()
    high_pass_hz: tuple[float, ...] = ()
    low_pass_hz: tuple[float, ...] = ()
    modes: tuple[tuple[float, float, float], ...] = ()
    reflections: tuple[tuple[float, float], ...] = ()
    delay_s: float = 0.0
    gain: float = 1.0

    def response(self, frequency_hz: Reals) -> Complexes:
        """Complex response, shape of `frequency_hz`."""
        s = 2j * np.pi * frequency_hz
        total = np.ones(len(frequency_hz), np.complex128)
        for centre_hz, q, strength in self.modes:
            u = s / (2 * np.pi * centre_hz)
            total += strength * (u / q) / (u**2 + u / q + 1.0)
        for centre_hz, gain_db, q in self.peaks:
            u, root = s / (2 * np.pi * centre_hz), 10.0 ** (gain_db / 40.0)
            total *= (u**2 + u * root / q + 1.0) / (u**2 + u / (root * q) + 1.0)
        for corner_hz in self.high_pass_hz:
            u = s / (2 * np.pi * corner_hz)
            total *= u**2 / (u**2 + np.sqrt(2.0) * u + 1.0)
        for corner_hz in self.low_pass_hz:
            u = s / (2 * np.pi * corner_hz)
            total *= 1.0 / (u**2 + np.sqrt(2.0) * u + 1.0)
        comb = np.ones(len(frequency_hz), np.complex128)
        for delay_s, gain in self.reflections:
            comb += gain * np.exp(-s * delay_s)
        return np.asarray(self.gain * total * comb * np.exp(-s * self.delay_s), np.complex128)


@dataclass(frozen=True)
class Scene:
    """A take of two sources and how it was made.

    `strings_differ` spreads the phase (radians) and level (nepers) of the second path from string to string, nothing
    at 300 Hz and below, all of it from 3 kHz: strings reach a microphone by different parts of the body.
    """

    paths: tuple[Path, Path]
    noise_rms: tuple[float, float] = (1e-4, 1e-4)
    hum: tuple[float, float] = (0.0, 0.0)
    hum_hz: float = 50.0
    knocks: int = 0
    talk: float = 0.0
    strings_differ: float = 0.0
    pluck_every_s: float = 0.3


def pluck_strings(
    duration_s: float, *, sample_rate_hz: int, random: np.random.Generator, pluck_every_s: float = 0.3
) -> Reals:
    """Force of six strings on the saddle, shape (frames, 6): notes of random pitch at random moments."""
    frames = round(duration_s * sample_rate_hz)
    force = np.zeros((frames, len(OPEN_HZ)))
    starts: list[list[int]] = [[] for _ in OPEN_HZ]
    instant_s = float(random.uniform(0.05, 0.2))
    while instant_s < duration_s:
        for string in random.choice(6, size=int(random.choice((1, 1, 1, 2, 6))), replace=False):
            late_s = float(random.uniform(0.0, 0.02))
            starts[int(string)].append(round((instant_s + late_s) * sample_rate_hz))
        instant_s += float(random.exponential(pluck_every_s)) + 0.05
    for string, begins in enumerate(starts):
        for first, stop in zip(begins, [*begins, frames][1:], strict=True):
            length = min(stop, frames) - first
            if length > 0:
                note = _note(length, OPEN_HZ[string], sample_rate_hz=sample_rate_hz, random=random)
                force[first : first + length, string] = note
    return np.asarray(force, np.float64)


def _note(frames: int, open_hz: float, *, sample_rate_hz: int, random: np.random.Generator) -> Reals:
    """One pluck until the string is plucked again, cut off within a hundredth of a second."""
    fundamental_hz = open_hz * 2.0 ** (int(random.integers(0, 13)) / 12.0)
    number = np.arange(1, int(0.45 * sample_rate_hz / fundamental_hz))
    partial_hz = number * fundamental_hz * np.sqrt(1.0 + 6e-5 * number**2)
    number, partial_hz = (
        number[partial_hz < 0.45 * sample_rate_hz],
        partial_hz[partial_hz < 0.45 * sample_rate_hz],
    )
    place = float(random.uniform(0.08, 0.3))
    soft_hz = float(random.uniform(1500.0, 6000.0))
    strength = np.sin(np.pi * number * place) / number / (1.0 + (partial_hz / soft_hz) ** 2)
    decay_per_s = 0.8 + 1.2 * (partial_hz / 1000.0) + 0.3 * (partial_hz / 1000.0) ** 2
    poles = -decay_per_s + 2j * np.pi * partial_hz
    # exp(pole * (i * step + j)) is a product of two short tables: a matrix product instead of a million sines
    step = max(1, int(np.sqrt(frames)))
    rows = -(-frames // step)
    coarse = np.exp(np.outer(np.arange(rows) * (step / sample_rate_hz), poles)) * (-1j * strength)
    fine = np.exp(np.outer(poles, np.arange(step) / sample_rate_hz))
    note = (coarse @ fine).real.reshape(-1)[:frames] * float(random.uniform(0.2, 1.0))
    fade = min(frames, sample_rate_hz // 100)
    note[frames - fade :] *= np.linspace(1.0, 0.0, fade)
    return np.asarray(note, np.float64)


def play_scene(scene: Scene, *, duration_s: float, sample_rate_hz: int, seed: int) -> NDArray[np.float32]:
    """Sound of both sources, shape (frames, 2), peak about 0.5 in the louder one."""
    random = np.random.default_rng(seed)
    force = pluck_strings(
        duration_s, sample_rate_hz=sample_rate_hz, random=random, pluck_every_s=scene.pluck_every_s
    )
    frames = len(force)
    size = _even_fast(frames + sample_rate_hz // 2)
    frequency_hz: Reals = np.asarray(np.arange(size // 2 + 1) * (sample_rate_hz / size), np.float64)
    spectra = np.fft.rfft(force, size, axis=0)
    both = np.stack(
        [spectra.sum(axis=1), _unlike(spectra, frequency_hz, scene.strings_differ, random)], axis=1
    )
    for _ in range(scene.knocks):
        at_s, strength = float(random.uniform(0.0, duration_s)), float(random.uniform(0.5, 3.0))
        both += (strength * np.exp(-2j * np.pi * frequency_hz * at_s) / (1.0 + 1j * frequency_hz / 300.0))[
            :, None
        ]
    for source, path in enumerate(scene.paths):
        both[:, source] = both[:, source] * path.response(frequency_hz)
    audio = np.fft.irfft(both, size, axis=0)[:frames]
    audio *= 0.5 / max(float(np.abs(audio).max()), 1e-12)
    audio += random.standard_normal(audio.shape) * np.array(scene.noise_rms)
    t = np.arange(frames) / sample_rate_hz
    for source, level in enumerate(scene.hum):
        for harmonic in range(1, 8):
            turn = float(random.uniform(0.0, 2 * np.pi))
            audio[:, source] += level / harmonic * np.sin(2 * np.pi * harmonic * scene.hum_hz * t + turn)
    if scene.talk:
        audio[:, 1] += scene.talk * _talk(frames, sample_rate_hz=sample_rate_hz, random=random)
    return audio.astype(np.float32)


def _unlike(spectra: Complexes, frequency_hz: Reals, spread: float, random: np.random.Generator) -> Complexes:
    """Sum of the strings, each over a smooth random response of its own above 300 Hz."""
    if not spread:
        return np.asarray(spectra.sum(axis=1), np.complex128)
    grid_hz = np.geomspace(100.0, 30000.0, 60)
    much = spread * np.clip(np.log(np.maximum(frequency_hz, 1.0) / 300.0) / np.log(10.0), 0.0, 1.0)
    total = np.zeros(len(frequency_hz), np.complex128)
    for string in range(spectra.shape[1]):
        level, turn = (
            np.interp(frequency_hz, grid_hz, random.standard_normal(len(grid_hz))) for _ in range(2)
        )
        total += spectra[:, string] * np.exp(much * (0.7 * level + 1j * turn))
    return total


def _talk(frames: int, *, sample_rate_hz: int, random: np.random.Generator) -> Reals:
    """Something like speech in the last fifth: pulses of a wandering pitch, syllable by syllable."""
    first = frames - frames // 5
    t = np.arange(frames - first) / sample_rate_hz
    pitch_hz = 120.0 + 20.0 * np.sin(2 * np.pi * 0.7 * t)
    phase = np.cumsum(pitch_hz) / sample_rate_hz
    voice = sum(np.sin(2 * np.pi * k * phase + float(random.uniform(0, 6))) / k**0.7 for k in range(1, 25))
    syllable = np.clip(np.sin(2 * np.pi * 3.1 * t + 1.0), 0.0, 1.0)
    talk = np.zeros(frames)
    talk[first:] = 0.1 * voice * syllable
    return np.asarray(talk, np.float64)


def _even_fast(least: int) -> int:
    """Shortest product of small primes that is even and long enough."""
    size = 1
    while size < least:
        size *= 2
    for three in (3 * size // 8, 9 * size // 16, 5 * size // 8, 3 * size // 4, 15 * size // 16):
        if three >= least and three % 2 == 0:
            return three
    return size


def random_path(random: np.random.Generator, *, reach: str = "pickup") -> Path:
    """Filters of a source's own: for a microphone also modes of the body."""

    def peaks(count: int, low_hz: float, high_hz: float) -> tuple[tuple[float, float, float], ...]:
        return tuple(
            (
                float(np.exp(random.uniform(np.log(low_hz), np.log(high_hz)))),
                float(random.uniform(-9.0, 9.0)),
                float(random.uniform(0.5, 3.0)),
            )
            for _ in range(count)
        )

    high_pass_hz = (float(random.uniform(15.0, 60.0)),)
    low_pass_hz = (float(random.uniform(7000.0, 18000.0)),)
    if reach == "pickup":
        return Path(peaks(2, 100.0, 8000.0), high_pass_hz, low_pass_hz)
    modes = [
        (
            float(random.uniform(90.0, 125.0)),
            float(random.uniform(10.0, 30.0)),
            float(random.uniform(1.0, 6.0)),
        )
    ]
    modes += [
        (
            float(random.uniform(170.0, 230.0)),
            float(random.uniform(10.0, 35.0)),
            float(random.uniform(1.0, 4.0)),
        )
    ]
    modes += [
        (
            float(random.uniform(250.0, 1200.0)),
            float(random.uniform(15.0, 40.0)),
            float(random.choice((-1.0, 1.0)) * random.uniform(0.3, 1.5)),
        )
        for _ in range(4)
    ]
    return Path(peaks(3, 80.0, 10000.0), high_pass_hz, low_pass_hz, tuple(modes))


KINDS = ("copy", "filters", "reflections", "body", "strings", "hum", "everything", "dark", "modes")
"""Kinds of random scenes, from a delayed copy with noise to a microphone that hears nothing but modes of the body."""


@dataclass(frozen=True)
class Known:
    """A random scene and what is true of it."""

    scene: Scene
    delay_s: float
    polarity: int


def random_scene(kind: str, *, seed: int) -> Known:
    """One of `KINDS`: delay up to 1.5 ms either way, polarity, noise and filters all at random."""
    random = np.random.default_rng(seed)
    delay_s, polarity = float(random.uniform(-1.5e-3, 1.5e-3)), int(random.choice((-1, 1)))
    noise_rms = tuple(10.0 ** random.uniform(-4.5, -3.0, 2))
    first, second = Path(), Path()
    if kind in ("filters", "reflections", "hum"):
        first, second = random_path(random), random_path(random)
    elif kind != "copy":
        first, second = random_path(random), random_path(random, reach="microphone")
    scene = Scene((first, second))
    if kind in ("strings", "everything", "dark", "modes"):
        scene = replace(scene, strings_differ=float(random.uniform(0.3, 1.2)))
    if kind in ("reflections", "everything"):
        reflections = [
            (float(random.uniform(3e-4, 4e-3)), float(random.choice((-1, 1)) * random.uniform(0.1, 0.6)))
            for _ in range(3)
        ]
        second = replace(second, reflections=tuple(reflections))
    if kind in ("hum", "everything"):
        scene = replace(scene, hum=(0.0, float(10.0 ** random.uniform(-3.5, -1.5))))
    if kind == "everything":
        scene = replace(scene, knocks=int(random.integers(0, 4)), talk=float(random.choice((0.0, 0.3))))
    if kind in ("dark", "modes"):
        noise_rms = (noise_rms[0], float(10.0 ** random.uniform(-3.0, -2.2)))
        second = replace(second, low_pass_hz=(float(random.uniform(1200.0, 4000.0)),))
    if kind == "modes":
        second = replace(second, peaks=(), modes=second.modes[:2] + _dense_modes(random))
    second = replace(second, delay_s=delay_s, gain=float(polarity))
    return Known(replace(scene, paths=(first, second), noise_rms=noise_rms), delay_s, polarity)


def _dense_modes(random: np.random.Generator) -> tuple[tuple[float, float, float], ...]:
    """Modes of either sign, a few in every hundred hertz, as loud as the direct path."""
    found = []
    here_hz = 250.0
    while here_hz < 5000.0:
        here_hz += float(random.uniform(0.4, 1.6)) * (70.0 + here_hz / 60.0)
        strength = float(random.choice((-1.0, 1.0)) * random.uniform(1.5, 3.0))
        found.append((here_hz, float(random.uniform(24.0, 48.0)), strength))
    return tuple(found)


def whitened_peak_s(scene: Scene, *, low_hz: float, high_hz: float, about_s: float) -> float:
    """Main peak of the phase transform of the two noise-free responses, all frequencies of a range alike.

    By brute force: bins every hertz, lags every two microseconds within 3 ms of `about_s`.
    """
    frequency_hz = np.arange(low_hz, high_hz)
    first, second = (path.response(frequency_hz) for path in scene.paths)
    turned = second * first.conj() * np.exp(2j * np.pi * frequency_hz * about_s)
    size = 1 << 19
    spectrum = np.zeros(size // 2 + 1, np.complex128)
    spectrum[np.rint(frequency_hz).astype(int)] = turned / np.abs(turned)
    value = np.abs(np.fft.irfft(spectrum, size))
    reach = int(3e-3 * size)
    lags = np.arange(-reach, reach + 1)
    return about_s + float(lags[np.argmax(value[lags])]) / size
