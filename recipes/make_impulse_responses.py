"""Make the impulse responses of the ready recipes: what a saddle pickup leaves out, from a model of a guitar's body.

    python recipes/make_impulse_responses.py

writes recipes/impulse_responses/*.wav again, the same samples every time. Another folder may be named.

A saddle pickup hears the force of the strings on the bridge. A listener hears the pressure that this force makes by
way of the body. Between the two lies the response made here, one for a steel-string guitar and one for a nylon-string:

- the air in the body and the top as two masses coupled by the cavity [1]_, from volume, sound hole, mass and area;
- a dozen modes of the plates, given one by one;
- above them as many as a plate has, at random places and strengths (seeded), each weaker than the last as the plate
  breaks up into patches that cancel each other, and all of them weaker where the mass of the bridge takes over;
- the rise that the pickup itself adds around 2 kHz, taken off again.

What is written is not one microphone's view of one guitar, for it is to serve others:

- the power of a dozen positions around the guitar is averaged;
- it is blurred over a sixth of an octave, twice: a narrower peak would make single notes stick out;
- dips are filled, and below the air's resonance, where a body hardly radiates, so much is left as keeps low strings
  alive. That also keeps the phase within a quarter of a circle, so that `wet_fraction` may mix it with the dry sound;
- minimum phase, so that nothing comes late.

The figures are of the size that the literature gives for such guitars, rounded and from memory [2]_; those of the top
are for a guitar held against a player, which damps it. Nothing was measured on an instrument. The pickup's rise is
common practice, without a source.

References
----------
.. [1] O. Christensen and B. B. Vistisen, "Simple model for low-frequency guitar function", J. Acoust. Soc. Am. 68,
   1980, 758-766.
.. [2] N. H. Fletcher and T. D. Rossing, *The Physics of Musical Instruments*, 2nd ed., Springer, 1998, ch. 9.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.audio.array import Complexes, Reals
from render.stages.minimum_phase import minimum_phase_taps

SAMPLE_RATE_HZ = 48_000
FRAMES = 4096  # 85 ms; where the fade begins less than -60 dB of the energy is left
HIGHEST_MODE_HZ = 16_000.0
BLUR_OCTAVES = 1.0 / 6.0
POSITIONS = 12  # microphones around the guitar
LOW_FILL_DB = -4.0  # left below the air's resonance, against the mean of LEVEL_BAND_HZ
DIP_FILL_DB = -15.0  # left everywhere, against the same
LEVEL_BAND_HZ = (80.0, 1000.0)

_DENSITY_KG_M3 = 1.204  # air at 20 degrees C
_SPEED_M_S = 343.2
_TRANSFORM_FRAMES = 32_768
_FADE_FRAMES = 1024
_PEAK = 0.9  # of full scale


@dataclass(frozen=True)
class Body:
    """A guitar, as far as force becomes sound in it.

    `top_hz` is that of the top moving as a whole, without the air behind it. A mode of the plates is its frequency, its
    quality and how strongly it radiates against the top moving as a whole; the sign says which way.
    """

    cavity_l: float
    hole_radius_mm: float
    air_q: float
    top_hz: float
    top_q: float
    top_mass_g: float
    top_area_m2: float
    plate_modes: tuple[tuple[float, float, float], ...]
    spacing_hz: float  # mean distance of the modes above those
    dense_strength: float
    bridge_hz: float  # above this the mass of the bridge holds the top still, 6 dB per octave
    pickup_rise_db: float  # what the pickup has too much
    pickup_rise_hz: float
    pickup_rise_q: float
    seed: int


STEEL = Body(
    cavity_l=18.5,
    hole_radius_mm=50.8,
    air_q=34.0,
    top_hz=156.0,
    top_q=9.0,
    top_mass_g=62.0,
    top_area_m2=0.054,
    plate_modes=(
        (232.0, 28.0, 0.42),
        (301.0, 30.0, -0.20),
        (365.0, 32.0, 0.44),
        (418.0, 32.0, 0.26),
        (476.0, 32.0, -0.30),
        (538.0, 34.0, 0.46),
        (612.0, 34.0, 0.32),
        (689.0, 34.0, -0.38),
        (771.0, 34.0, 0.42),
        (852.0, 34.0, -0.30),
        (938.0, 36.0, 0.40),
        (1034.0, 36.0, 0.36),
    ),
    spacing_hz=78.0,
    dense_strength=0.36,
    bridge_hz=2500.0,
    pickup_rise_db=5.0,
    pickup_rise_hz=2200.0,
    pickup_rise_q=0.7,
    seed=1,
)

NYLON = Body(
    cavity_l=12.5,
    hole_radius_mm=42.5,
    air_q=34.0,
    top_hz=158.0,
    top_q=9.0,
    top_mass_g=54.0,
    top_area_m2=0.046,
    plate_modes=(
        (251.0, 24.0, 0.40),
        (314.0, 26.0, 0.26),
        (392.0, 28.0, 0.52),
        (441.0, 28.0, -0.30),
        (509.0, 28.0, 0.44),
        (583.0, 28.0, 0.46),
        (651.0, 30.0, -0.34),
        (736.0, 30.0, 0.42),
        (829.0, 30.0, -0.36),
        (917.0, 30.0, 0.40),
        (1003.0, 30.0, 0.32),
        (1098.0, 30.0, -0.34),
    ),
    spacing_hz=92.0,
    dense_strength=0.34,
    bridge_hz=2000.0,
    pickup_rise_db=3.5,
    pickup_rise_hz=1800.0,
    pickup_rise_q=0.6,
    seed=2,
)

BODIES = {"steel_saddle_to_air": STEEL, "nylon_saddle_to_air": NYLON}


def coupled_hz(body: Body) -> tuple[float, float]:
    """The two lowest resonances, air and top moving together and against each other, without losses.

    Squares of the two, and of air and top each held by the cavity alone, have the same sum [1]_.
    """
    stiffness, hole_m2, air_kg = _air(body)
    air = stiffness * hole_m2**2 / air_kg
    top = (2.0 * np.pi * body.top_hz) ** 2 + stiffness * body.top_area_m2**2 / (body.top_mass_g / 1000.0)
    coupling = air * stiffness * body.top_area_m2**2 / (body.top_mass_g / 1000.0)
    half = np.sqrt(0.25 * (top - air) ** 2 + coupling)
    squares = 0.5 * (air + top) + np.array([-half, half])
    low_hz, high_hz = np.sqrt(squares) / (2.0 * np.pi)
    return float(low_hz), float(high_hz)


def _air(body: Body) -> tuple[float, float, float]:
    """Stiffness of the cavity (Pa / m3), area of the sound hole, mass of the air that moves in it."""
    radius_m = body.hole_radius_mm / 1000.0
    hole_m2 = np.pi * radius_m**2
    stiffness = _DENSITY_KG_M3 * _SPEED_M_S**2 / (body.cavity_l / 1000.0)
    return (
        stiffness,
        hole_m2,
        _DENSITY_KG_M3 * hole_m2 * 1.7 * radius_m,
    )  # a plug, longer by its end corrections


def low_response(omega: Reals, body: Body) -> Complexes:
    """Outward volume acceleration of top and sound hole per newton on the bridge [1]_.

    Below the lower resonance what the top pushes out the hole draws in: the response falls by 24 dB per octave.
    """
    stiffness, hole_m2, air_kg = _air(body)
    top_kg, area_m2 = body.top_mass_g / 1000.0, body.top_area_m2
    top_omega = 2.0 * np.pi * body.top_hz
    air_omega = np.sqrt(stiffness * hole_m2**2 / air_kg)
    top = top_kg * (top_omega**2 - omega**2 + 1j * omega * top_omega / body.top_q) + stiffness * area_m2**2
    air = air_kg * (air_omega**2 - omega**2 + 1j * omega * air_omega / body.air_q)
    both = stiffness * area_m2 * hole_m2
    determinant = top * air - both**2
    return np.asarray(-(omega**2) * (area_m2 * air - hole_m2 * both) / determinant)


def all_modes(body: Body) -> tuple[Reals, Reals, Reals]:
    """Frequency, quality and strength of the modes of the plates: those given, then as many as there must be."""
    random = np.random.default_rng(body.seed)
    modes = list(body.plate_modes)
    here_hz = modes[-1][0]
    while here_hz < HIGHEST_MODE_HZ:
        here_hz += body.spacing_hz * float(random.uniform(0.4, 1.6))
        strength = body.dense_strength * float(random.uniform(0.5, 1.0)) * (1 - 2 * int(random.integers(2)))
        modes.append((here_hz, float(random.uniform(26.0, 40.0)), strength))
    frequency_hz, quality, strength_all = np.array(modes).T
    patches = np.sqrt(np.maximum(frequency_hz / body.plate_modes[-1][0], 1.0))  # neighbours cancel
    return frequency_hz, quality, strength_all / patches


def radiated_power(frequency_hz: Reals, body: Body) -> Reals:
    """Power that a force of the same strength at every frequency sends out, mean of the positions.

    Where the body is small against the wave every mode sounds the same all around; above some 500 Hz each position
    hears the modes with strengths and signs of its own.
    """
    omega = 2.0 * np.pi * frequency_hz
    low = low_response(omega, body)
    mode_hz, quality, strength = all_modes(body)
    mode_omega = 2.0 * np.pi * mode_hz
    random = np.random.default_rng([body.seed, 1])
    alone = 1.0 / (1.0 + (500.0 / mode_hz) ** 2)
    heard = (1.0 - alone) + alone * random.standard_normal((POSITIONS, len(mode_hz)))
    heard *= strength * body.top_area_m2 / (body.top_mass_g / 1000.0)
    power = np.zeros(len(frequency_hz))
    for rows in np.array_split(
        np.arange(len(frequency_hz)), 64
    ):  # not all modes at all frequencies in memory
        w = omega[rows, np.newaxis]
        modes = -(w**2) / (mode_omega**2 - w**2 + 1j * w * mode_omega / quality)
        power[rows] = np.mean(np.abs(low[rows, np.newaxis] + modes @ heard.T) ** 2, axis=1)
    return power / (1.0 + (frequency_hz / body.bridge_hz) ** 2)


def pickup_power(frequency_hz: Reals, body: Body) -> Reals:
    """What the pickup makes of a force of the same strength at every frequency: a broad rise, peaking stage."""
    ratio = frequency_hz / body.pickup_rise_hz
    half_gain = 10.0 ** (body.pickup_rise_db / 40.0)
    own = (1.0 - ratio**2) ** 2
    return np.asarray(
        (own + (ratio * half_gain / body.pickup_rise_q) ** 2)
        / (own + (ratio / half_gain / body.pickup_rise_q) ** 2)
    )


def blurred(frequency_hz: Reals, power: Reals) -> Reals:
    """Mean power of `BLUR_OCTAVES` around every frequency, rectangular, each frequency counting the same."""
    step_hz = float(frequency_hz[1])
    summed = np.concatenate([[0.0], np.cumsum(power)])
    edge = np.arange(len(summed)) - 0.5  # in bins
    half = 2.0 ** (0.5 * BLUR_OCTAVES)
    low = np.interp(np.maximum(frequency_hz / half / step_hz, 0.0) - 0.5, edge, summed)
    high = np.interp(frequency_hz * half / step_hz + 0.5, edge, summed)
    width = np.minimum(frequency_hz * half / step_hz + 0.5, edge[-1]) - (frequency_hz / half / step_hz - 0.5)
    return np.asarray((high - low) / width)


def target_power(frequency_hz: Reals, body: Body) -> Reals:
    """Power that the response is to have at every frequency: radiated against picked up, blurred, dips filled."""
    power = blurred(
        frequency_hz,
        blurred(frequency_hz, radiated_power(frequency_hz, body) / pickup_power(frequency_hz, body)),
    )
    band = (frequency_hz >= LEVEL_BAND_HZ[0]) & (frequency_hz <= LEVEL_BAND_HZ[1])
    mean = np.exp(np.average(np.log(power[band]), weights=1.0 / frequency_hz[band]))  # octaves count the same
    low = 10.0 ** (LOW_FILL_DB / 10.0) / (1.0 + (frequency_hz / coupled_hz(body)[0]) ** 4)
    return np.asarray(power + mean * (low + 10.0 ** (DIP_FILL_DB / 10.0)))


def impulse_response(body: Body) -> NDArray[np.int32]:
    """The response of a body as it stands in the file.

    Returns
    -------
    int32, shape (FRAMES,)
        24 bits.
    """
    frequency_hz: Reals = np.arange(_TRANSFORM_FRAMES // 2 + 1, dtype=np.float64)
    frequency_hz *= SAMPLE_RATE_HZ / _TRANSFORM_FRAMES
    taps = minimum_phase_taps(0.5 * np.log(target_power(frequency_hz, body)))[:FRAMES]
    fade = 0.5 + 0.5 * np.cos(np.pi * (np.arange(_FADE_FRAMES) + 0.5) / _FADE_FRAMES)
    taps[-_FADE_FRAMES:] *= fade
    return np.asarray(np.rint(taps * (_PEAK * 2.0**23 / np.abs(taps).max())), dtype=np.int32)


def main(folder: Path) -> None:
    """Write the files."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, body in BODIES.items():
        path = folder / f"{name}.wav"
        soundfile.write(path, impulse_response(body) * 256, SAMPLE_RATE_HZ, subtype="PCM_24")
        low_hz, high_hz = coupled_hz(body)
        print(f"{path}: {FRAMES} frames, air {low_hz:.0f} Hz, top {high_hz:.0f} Hz")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "impulse_responses")
