"""Two invented steel-string guitars: strings, body, and what each of the two sources in them picks up.

The force of the strings on the saddle moves the body; a path is the response from that force to a source. Paths are
written as analogue responses and sampled, so they are the same at every sample rate. Nothing here is measured from a
real instrument; the figures are those of steel-string guitars in the literature, rounded.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from example_sessions.plucked_string import Loss, Wave

Response = NDArray[np.complex128]

PATH_LEAD_FRAMES = 32  # a sampled path starts this much early: room for the band limit
_PATH_S = 1.4


@dataclass(frozen=True)
class StringSet:
    """Six strings, the lowest first: how stiff they are, how long they ring, how loud each source finds them.

    `decay_s` is that of the motion up and down, which the body draws on, on the open string. The motion to and fro
    moves the body less and rings `sideways_decay_ratio` times as long.
    """

    inharmonicity: tuple[float, ...]
    decay_s: tuple[float, ...]
    loss_per_khz: tuple[float, ...]
    second_gain: tuple[float, ...]  # how the strings are balanced in the source that hears them one by one
    sideways_decay_ratio: float = 1.6
    sideways_cents: float = 0.35


@dataclass(frozen=True)
class Body:
    """What resonates: air and top coupled as two masses, the back, and the many modes above.

    `air_hz` and `top_hz` are what each would do alone; coupled they move apart, and the squares keep their sum
    (O. Christensen and B. B. Vistisen, "Simple model for low-frequency guitar function", J. Acoust. Soc. Am. 68,
    1980).
    """

    air_hz: float
    top_hz: float
    coupling_hz: float
    air_q: float
    top_q: float
    back_hz: float
    plate_hz: tuple[float, ...]
    seed: int

    @cached_property
    def coupled_hz(self) -> tuple[float, float]:
        """The two lowest resonances of the body: air and top moving together, and against each other."""
        mean = 0.5 * (self.air_hz**2 + self.top_hz**2)
        half = np.sqrt((0.5 * (self.top_hz**2 - self.air_hz**2)) ** 2 + self.coupling_hz**4)
        return float(np.sqrt(mean - half)), float(np.sqrt(mean + half))

    @cached_property
    def dense(self) -> tuple[Wave, Wave, Wave]:
        """Frequency, quality and signed strength of the modes too many to be told one by one, up to 13 kHz."""
        random = np.random.default_rng(self.seed)
        frequency_hz, quality, strength = [], [], []
        here_hz = self.plate_hz[-1]
        while here_hz < 13000.0:
            here_hz += float(random.uniform(0.4, 1.6)) * (70.0 + here_hz / 60.0)
            frequency_hz.append(here_hz)
            quality.append(float(random.uniform(24.0, 48.0)))
            strength.append(float(random.choice((-1.0, 1.0)) * random.uniform(0.5, 1.0)))
        return np.array(frequency_hz), np.array(quality), np.array(strength)


@dataclass(frozen=True)
class Guitar:
    """An instrument with two sources in it."""

    name: str
    scale_mm: float
    strings: StringSet
    body: Body
    sources: tuple[str, str]
    pickup_mm: float = 0.0  # where a magnetic pickup sits, from the saddle

    def loss(self, *, string: int, fret: int, fundamental_hz: float, sideways: bool) -> Loss:
        """Damping of a note, string 0 the lowest.

        Shorter strings ring shorter, and a note on a resonance of the body gives its energy away faster: that is
        why it is louder there.
        """
        decay_s = self.strings.decay_s[string] * 2.0 ** (-fret / 18.0)
        if sideways:
            decay_s *= self.strings.sideways_decay_ratio
        else:
            s = np.array([2j * np.pi * fundamental_hz])
            air_hz, top_hz = self.body.coupled_hz
            decay_s /= 1.0 + 0.7 * abs(_mode(s, air_hz, self.body.air_q)[0]) ** 2
            decay_s /= 1.0 + 0.5 * abs(_mode(s, top_hz, self.body.top_q)[0]) ** 2
        return Loss(float(decay_s), self.strings.loss_per_khz[string])


SMALL = Guitar(
    name="the small one: parlour size, light strings",
    scale_mm=628.0,
    strings=StringSet(
        inharmonicity=(7.0e-5, 5.5e-5, 4.5e-5, 4.0e-5, 4.5e-5, 2.2e-5),
        decay_s=(9.6, 8.8, 7.6, 6.4, 5.2, 4.3),
        loss_per_khz=(0.18, 0.17, 0.15, 0.14, 0.11, 0.11),
        second_gain=(0.92, 1.08, 1.0, 0.94, 1.12, 0.96),
    ),
    body=Body(
        air_hz=122.0,
        top_hz=190.0,
        coupling_hz=100.0,
        air_q=17.0,
        top_q=20.0,
        back_hz=243.0,
        plate_hz=(298.0, 347.0, 402.0, 446.0, 517.0, 566.0, 641.0, 712.0, 798.0, 873.0, 962.0, 1071.0),
        seed=20,
    ),
    sources=("saddle pickup", "internal microphone"),
)

LARGE = Guitar(
    name="the large one: deep body, low tunings",
    scale_mm=650.0,
    strings=StringSet(
        inharmonicity=(8.0e-5, 6.0e-5, 5.0e-5, 4.2e-5, 5.0e-5, 2.6e-5),
        decay_s=(11.0, 10.0, 8.4, 6.9, 5.6, 4.6),
        loss_per_khz=(0.17, 0.16, 0.14, 0.13, 0.10, 0.10),
        second_gain=(0.95, 0.88, 0.84, 0.80, 1.15, 1.05),
    ),
    body=Body(
        air_hz=110.0,
        top_hz=171.0,
        coupling_hz=88.0,
        air_q=15.0,
        top_q=22.0,
        back_hz=214.0,
        plate_hz=(271.0, 316.0, 358.0, 409.0, 463.0, 521.0, 588.0, 655.0, 724.0, 811.0, 896.0, 1010.0),
        seed=21,
    ),
    sources=("soundboard transducer", "magnetic pickup"),
    pickup_mm=158.0,
)


def _mode(s: Response, frequency_hz: float, quality: float) -> Response:
    """One resonance: 1 at its peak, 6 dB per octave down on both sides."""
    omega = 2.0 * np.pi * frequency_hz
    return np.asarray(s * omega / quality / (s**2 + s * omega / quality + omega**2))


def _low_pass(s: Response, corner_hz: float, quality: float) -> Response:
    """Second order: a capsule behind its grille, a coil with its capacitance."""
    omega = 2.0 * np.pi * corner_hz
    return np.asarray(omega**2 / (s**2 + s * omega / quality + omega**2))


def _high_pass(s: Response, corner_hz: float) -> Response:
    """First order: a coupling capacitor, the input of a preamplifier."""
    return np.asarray(s / (s + 2.0 * np.pi * corner_hz))


def _peak(s: Response, centre_hz: float, gain_db: float, quality: float) -> Response:
    """Broad emphasis of a band."""
    return np.asarray(1.0 + (10.0 ** (gain_db / 20.0) - 1.0) * _mode(s, centre_hz, quality))


def _plates(s: Response, body: Body, *, near: bool, treble: bool, fall_hz: float) -> Response:
    """The modes of the plates above the lowest three, weaker above `fall_hz`.

    Near the bridge all modes push the same way; further off their signs differ, and they fill and cancel. Some rock
    the bridge: its treble end moves them less than its bass end, or the other way.
    """
    total = np.zeros(len(s), dtype=np.complex128)
    rocked = (0.4 if near else -0.8) if treble else 1.0
    for index, frequency_hz in enumerate(body.plate_hz):
        sign = 1.0 if near or index % 3 != 1 else -1.0
        strength = (1.0, 0.62, 0.8, 0.7)[index % 4] * (rocked if index % 3 == 2 else 1.0)
        total += sign * strength / np.hypot(1.0, frequency_hz / fall_hz) * _mode(s, frequency_hz, 30.0)
    for index, (frequency_hz, quality, strength) in enumerate(zip(*body.dense, strict=True)):
        share = (abs(strength) if near else strength) * (rocked if index % 2 else 1.0)
        total += share / np.hypot(1.0, frequency_hz / fall_hz) * _mode(s, float(frequency_hz), float(quality))
    return total


def saddle_pickup(s: Response, body: Body) -> Response:
    """Force under the saddle: direct, hard between 1 and 4 kHz, a little less where the body gives way."""
    air_hz, top_hz = body.coupled_hz
    yielding = 1.0 - 0.10 * _mode(s, air_hz, body.air_q) - 0.22 * _mode(s, top_hz, body.top_q)
    voice = _peak(s, 2300.0, 7.0, 0.75) * _peak(s, 6500.0, 5.0, 0.8)
    return np.asarray(yielding * voice * _high_pass(s, 45.0) * _low_pass(s, 14000.0, 0.7))


def internal_microphone(s: Response, body: Body, *, treble: bool) -> Response:
    """Pressure inside the body: the air's resonance above all, then the plates, a little straight from the bridge."""
    air_hz, top_hz = body.coupled_hz
    low = 1.8 * _mode(s, air_hz, body.air_q) + 1.0 * _mode(s, top_hz, body.top_q)
    low += 0.45 * _mode(s, body.back_hz, 28.0)
    plates = 0.75 * _plates(s, body, near=False, treble=treble, fall_hz=3200.0)
    direct = 0.65 / (1.0 + s / (2.0 * np.pi * 6000.0))
    return np.asarray((low + plates + direct) * _high_pass(s, 35.0) * _low_pass(s, 9500.0, 0.65))


def soundboard_transducer(s: Response, body: Body, *, treble: bool) -> Response:
    """Motion of the top beside the bridge: woody, the modes near and all of one sign."""
    air_hz, top_hz = body.coupled_hz
    low = 0.55 * _mode(s, air_hz, body.air_q) + 1.25 * _mode(s, top_hz, body.top_q)
    low += 0.5 * _mode(s, body.back_hz, 26.0)
    plates = 0.75 * _plates(s, body, near=True, treble=treble, fall_hz=2500.0)
    return np.asarray((low + plates + 0.30) * _high_pass(s, 60.0) * _low_pass(s, 11000.0, 0.7))


def magnetic_pickup(s: Response, body: Body) -> Response:
    """A coil: it resonates with its own and its cable's capacitance, and lets nothing through above.

    What it hears is the speed of the strings above it (see make_boathouse.py), not the body; its sense of
    winding is against the other source, as it may well be.
    """
    air_hz, top_hz = body.coupled_hz
    shaken = 1.0 + 0.03 * _mode(s, air_hz, body.air_q) + 0.05 * _mode(s, top_hz, body.top_q)
    return np.asarray(-shaken * _low_pass(s, 5200.0, 1.6) * _high_pass(s, 20.0))


STRING_PATHS = {"saddle pickup": saddle_pickup, "magnetic pickup": magnetic_pickup}
BODY_PATHS = {
    "internal microphone": internal_microphone,
    "soundboard transducer": soundboard_transducer,
}


def path_response(
    source: str, body: Body, *, delay_ms: float, sample_rate_hz: int, treble: bool = False
) -> Wave:
    """Impulse response from the strings to a source.

    Parameters
    ----------
    source : str
        A key of `STRING_PATHS` or `BODY_PATHS`.
    body : Body
        The guitar's.
    delay_ms : float
        How much later the sound arrives there, 0 to 20.
    sample_rate_hz : int
        Rate of the response.
    treble : bool
        From the treble end of the bridge, not the bass end; for a source that hears the body.

    Returns
    -------
    float64, shape (frames,)
        Frame `PATH_LEAD_FRAMES` is time zero.
    """
    if not 0.0 <= delay_ms <= 20.0:
        raise ValueError(f"delay_ms must be 0 to 20, not {delay_ms}")
    frames = 2 * round(_PATH_S * sample_rate_hz / 2.0)
    frequency_hz = np.arange(frames // 2 + 1) * sample_rate_hz / frames
    s: Response = np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128)
    place = np.clip((frequency_hz / (0.5 * sample_rate_hz) - 0.8) / 0.2, 0.0, 1.0)
    on_body = source in BODY_PATHS
    spectrum = BODY_PATHS[source](s, body, treble=treble) if on_body else STRING_PATHS[source](s, body)
    spectrum *= 0.5 + 0.5 * np.cos(np.pi * place)
    spectrum *= np.exp(-s * (delay_ms / 1000.0 + PATH_LEAD_FRAMES / sample_rate_hz))
    return np.asarray(np.fft.irfft(spectrum, frames))
