"""What is in the recordings besides the guitar: a small wooden room by a lake, and the electronics.

Every noise draws from its own generator, from the first frame on: the beginning of a longer take is a shorter one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

Wave = NDArray[np.float64]

_ROOM_M = (8.2, 4.4, 3.0)
_PLAYER_M = (2.9, 1.9, 0.8)
_WALL_M = (2.9, 2.2, 1.0)  # where the sound that comes back is heard: the same chair
_SPEED_M_S = 343.21  # 20 degrees C


def _band(wave: Wave, low_hz: float, high_hz: float, *, sample_rate_hz: int, order: int = 1) -> Wave:
    """What lies between two corners."""
    return np.asarray(
        sosfilt(butter(order, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos"), wave)
    )


def room_response(*, seed: int, sample_rate_hz: int) -> Wave:
    """What the boathouse sends back: single reflections from its boards, then a short tail.

    Reflections are those of a box, up to the second order, each bounce 0.7 of what comes [1]_. The tail falls by
    60 dB in 0.55 s in the middle, faster in the bass (thin boards give way) and in the treble.

    References
    ----------
    .. [1] J. B. Allen and D. A. Berkley, "Image method for efficiently simulating small-room acoustics", J. Acoust.
       Soc. Am. 65(4), 1979.
    """
    random = np.random.default_rng(seed)
    frames = round(0.8 * sample_rate_hz)
    response = np.zeros(frames)
    for bounce_x in range(-2, 3):
        for bounce_y in range(-2, 3):
            for bounce_z in range(-2, 3):
                bounces = abs(bounce_x) + abs(bounce_y) + abs(bounce_z)
                if not 1 <= bounces <= 2:
                    continue
                image = [
                    length * bounce + (place if bounce % 2 == 0 else length - place)
                    for bounce, length, place in zip(
                        (bounce_x, bounce_y, bounce_z), _ROOM_M, _PLAYER_M, strict=True
                    )
                ]
                distance_m = float(np.linalg.norm(np.array(image) - np.array(_WALL_M)))
                frame = round(distance_m / _SPEED_M_S * sample_rate_hz)
                response[frame] += 0.7**bounces / distance_m * float(random.choice((-1.0, 1.0)))
    seconds = np.arange(frames) / sample_rate_hz
    rise = np.clip(seconds / 0.03, 0.0, 1.0) ** 2
    rate = np.sqrt(48000.0 / sample_rate_hz)  # the same energy at every rate
    for low_hz, high_hz, decay_s in ((120, 400, 0.45), (400, 2000, 0.55), (2000, 7000, 0.40)):
        noise = _band(random.standard_normal(frames), low_hz, high_hz, sample_rate_hz=sample_rate_hz)
        response += rate * 0.012 * rise * 10.0 ** (-3.0 * seconds / decay_s) * noise
    return _band(response, 140.0, 6000.0, sample_rate_hz=sample_rate_hz)


def hiss(frames: int, *, level_dbfs: float, seed: int, sample_rate_hz: int, tilt_hz: float = 0.0) -> Wave:
    """Noise of a preamplifier, white; with `tilt_hz`, more of it below."""
    noise = 10.0 ** (level_dbfs / 20.0) * np.random.default_rng(seed).standard_normal(frames)
    if tilt_hz > 0.0:
        pole = np.exp(-2.0 * np.pi * tilt_hz / sample_rate_hz)
        noise = noise + 0.12 * lfilter([1.0], [1.0, -pole], noise)
    return np.asarray(noise)


def hum(frames: int, *, level_dbfs: float, mains_hz: float, sample_rate_hz: int) -> Wave:
    """Mains hum in a coil: the fundamental and its multiples, odd ones stronger."""
    turns = 2.0 * np.pi * mains_hz * np.arange(frames) / sample_rate_hz
    wave = np.zeros(frames)
    for multiple, share in ((1, 1.0), (2, 0.35), (3, 0.7), (4, 0.12), (5, 0.4), (7, 0.22), (9, 0.12)):
        wave += share * np.sin(multiple * turns + 0.7 * multiple**2)
    return np.asarray(10.0 ** (level_dbfs / 20.0) * np.sqrt(2.0) * wave)


def lapping(frames: int, *, level_dbfs: float, seed: int, sample_rate_hz: int) -> Wave:
    """Water under the floor: slow swells of soft noise, and now and then a bubble."""
    random = np.random.default_rng(seed)
    noise = np.random.default_rng([seed, 1]).standard_normal(frames)
    noise = _band(noise, 180.0, 900.0, sample_rate_hz=sample_rate_hz)
    swell = np.full(frames, 0.25)
    seconds = np.arange(frames) / sample_rate_hz
    wave = np.zeros(frames)
    now_s = -1.8
    while now_s < frames / sample_rate_hz:
        strength, length_s = float(random.uniform(0.4, 1.0)), float(random.uniform(0.5, 0.9))
        swell += strength * (
            0.5 - 0.5 * np.cos(np.clip((seconds - now_s) / length_s, 0.0, 4.0) * np.pi / 2.0)
        )
        bubble_s, bubble_hz = now_s + float(random.uniform(0.3, 1.6)), float(random.uniform(420.0, 950.0))
        first = round(bubble_s * sample_rate_hz)
        if 0 <= first < frames:
            since = seconds[: frames - first]
            pitch = bubble_hz * (since + 0.5 * 2.5 * since**2)  # a bubble rises in pitch as it comes up
            envelope = np.minimum(since / 0.004, 1.0) * np.exp(-since / 0.035)
            wave[first:] += strength * envelope * np.sin(2.0 * np.pi * pitch)
        now_s += float(random.uniform(1.7, 3.2))
    return np.asarray(10.0 ** (level_dbfs / 20.0) * (3.0 * noise * swell + 1.5 * wave))
