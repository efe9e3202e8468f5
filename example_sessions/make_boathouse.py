"""Make the example session: a rehearsal in a boathouse, two guitars, two tracks a take.

    python example_sessions/make_boathouse.py

writes example_sessions/boathouse/*.flac and example_sessions/boathouse_large_guitar/*.flac again, the same samples
every time. Another folder than example_sessions may be named.
"""

from __future__ import annotations

import hashlib
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, oaconvolve, sosfilt

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from example_sessions.guitar import LARGE, PATH_LEAD_FRAMES, SMALL, Guitar, path_response
from example_sessions.player import Pluck, length_s, play
from example_sessions.plucked_string import (
    LEAD_FRAMES,
    Wave,
    apply_finger,
    apply_loop,
    design_loop,
    design_pluck,
)
from example_sessions.surroundings import hiss, hum, lapping, room_response
from example_sessions.tunes import (
    CASTING_OFF,
    FIRST_LIGHT,
    LOW_BEAMS,
    OARLOCK,
    SLIPWAY,
    STILL_WATER,
    Tune,
)

Samples = NDArray[np.float64]

WORD_BITS = (
    17  # what this recorder's converter resolves; the rest of the 24 bits is zero, and costs nothing in FLAC
)
COUPLING = 0.0015  # how much of the other strings' force reaches a string through the bridge, each round trip
SIDEWAYS_AT_BRIDGE = 0.25  # of the motion along the top, against that up and down
SIDEWAYS_AT_COIL = 0.30
MAINS_HZ = 50.0


@dataclass(frozen=True)
class Take:
    """A tune, on a guitar, with the recorder set once for each guitar."""

    tune: Tune
    guitar: Guitar
    sample_rate_hz: int = 48_000

    @property
    def file(self) -> str:
        """Where it lies among the example sessions: each guitar has a folder of its own, since each has a recipe."""
        return f"{SESSIONS[self.guitar.name]}/{self.tune.name}.flac"


@dataclass(frozen=True)
class Track:
    """What stands between a source and the file."""

    gain_db: float
    delay_ms: float
    hiss_dbfs: float
    hum_dbfs: float | None = None
    water_dbfs: float | None = None
    room_gain_db: float | None = None


SESSIONS = {SMALL.name: "boathouse", LARGE.name: "boathouse_large_guitar"}

TAKES = (
    Take(SLIPWAY, SMALL),
    Take(FIRST_LIGHT, SMALL),
    Take(OARLOCK, SMALL),
    Take(LOW_BEAMS, LARGE),
    Take(STILL_WATER, LARGE),
    Take(CASTING_OFF, LARGE, sample_rate_hz=44_100),
)

TRACKS = {
    "saddle pickup": Track(gain_db=-19.0, delay_ms=0.0, hiss_dbfs=-95.0),
    "internal microphone": Track(
        gain_db=-15.0, delay_ms=0.62, hiss_dbfs=-86.0, water_dbfs=-70.0, room_gain_db=-9.0
    ),
    "soundboard transducer": Track(gain_db=-11.5, delay_ms=0.0, hiss_dbfs=-93.0, water_dbfs=-86.0),
    "magnetic pickup": Track(gain_db=-15.5, delay_ms=0.0, hiss_dbfs=-93.0, hum_dbfs=-80.0),
}


def note_hz(note: float) -> float:
    """Pitch of a MIDI note number: equal temperament on A4 = 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((note - 69.0) / 12.0))


def seed_of(*words: str) -> int:
    """Seed from words, the same on every machine."""
    return int.from_bytes(hashlib.sha256("/".join(words).encode()).digest()[:8], "big")


def ring_string(
    excitation: Wave, *, pluck: Pluck, note: float, guitar: Guitar, sideways: bool, sample_rate_hz: int
) -> Wave:
    """Let one string ring in one direction of motion until the finger comes back."""
    strings = guitar.strings
    fundamental_hz = note_hz(note + (strings.sideways_cents / 100.0 if sideways else 0.0))
    loop = design_loop(
        fundamental_hz=fundamental_hz,
        loss=guitar.loss(
            string=pluck.string, fret=pluck.fret, fundamental_hz=fundamental_hz, sideways=sideways
        ),
        inharmonicity=strings.inharmonicity[pluck.string] * 2.0 ** (pluck.fret / 6.0),
        sample_rate_hz=sample_rate_hz,
    )
    wave = apply_loop(excitation, loop=loop)
    release_frame = round((pluck.end_s - pluck.start_s) * sample_rate_hz) + LEAD_FRAMES
    return apply_finger(
        wave, release_frame=release_frame, decay_s=pluck.end_decay_s, sample_rate_hz=sample_rate_hz
    )


def pluck_string(
    pluck: Pluck, *, note: float, guitar: Guitar, frames: int, sample_rate_hz: int
) -> tuple[Wave, Wave]:
    """Motion up and down, and along the top, of one plucked note, as force at the bridge."""
    sounding_mm = guitar.scale_mm * 2.0 ** (-pluck.fret / 12.0)
    shape = pluck.force * design_pluck(
        fundamental_hz=note_hz(note),
        position_fraction=min(pluck.from_saddle_mm / sounding_mm, 0.5),
        corner_hz=pluck.corner_hz,
        sample_rate_hz=sample_rate_hz,
    )
    excitation = np.zeros(frames)
    excitation[: len(shape)] = shape[:frames]
    angle = np.deg2rad(pluck.angle_deg)
    motions = [
        ring_string(
            share * excitation,
            pluck=pluck,
            note=note,
            guitar=guitar,
            sideways=sideways,
            sample_rate_hz=sample_rate_hz,
        )
        for share, sideways in ((np.cos(angle), False), (np.sin(angle), True))
    ]
    return motions[0], motions[1]


def _hear_coil(
    wave: Wave, *, guitar: Guitar, pluck: Pluck, open_hz: float, sample_rate_hz: int
) -> tuple[Wave, int]:
    """Speed of a string above the coil, and how many frames earlier it comes there than to the bridge.

    A wave passes the coil, goes on to the bridge and comes back turned over: partials as sin(n pi d / L).
    """
    speed_mm_s = 2.0 * guitar.scale_mm * open_hz
    there_and_back = round(2.0 * guitar.pickup_mm / speed_mm_s * sample_rate_hz)
    heard = wave.copy()
    heard[there_and_back:] -= wave[:-there_and_back]
    early_mm = pluck.from_saddle_mm - abs(guitar.pickup_mm - pluck.from_saddle_mm)
    return 0.5 * heard, round(early_mm / speed_mm_s * sample_rate_hz)


def _touch_noise(pluck: Pluck, *, random: np.random.Generator, sample_rate_hz: int) -> Wave:
    """Nail or pick on the string in the few milliseconds before it is let go."""
    frames = round(0.009 * sample_rate_hz)
    noise = random.standard_normal(frames) * np.hanning(frames)
    band = butter(1, (1200.0, 5000.0), "bandpass", fs=sample_rate_hz, output="sos")
    return np.asarray(pluck.force * pluck.noise_gain * sosfilt(band, noise))


def _knock(strength: float, *, sample_rate_hz: int) -> Wave:
    """A hand coming down on the top: a soft push of some milliseconds."""
    return strength * np.hanning(round(0.007 * sample_rate_hz))


def _add(bus: Wave, wave: Wave, first: int) -> None:
    """Add a wave to a bus from a frame on, as far as both reach."""
    skip = max(0, -first)
    last = min(len(bus), first + len(wave))
    if first + skip < last:
        bus[first + skip : last] += wave[skip : last - first]


def _add_at_bridge(bridge: Samples, wave: Wave, first: int, *, string: int) -> None:
    """Share the force of a string between the bass and the treble end of the bridge."""
    _add(bridge[:, 0], (1.0 - string / 5.0) * wave, first)
    _add(bridge[:, 1], string / 5.0 * wave, first)


def perform(
    plucks: list[Pluck], *, take: Take, frames: int, random: np.random.Generator
) -> tuple[Samples, Samples]:
    """All strings of a take.

    Parameters
    ----------
    plucks : list of Pluck
        What is played; those that start after `frames` are left out.
    take : Take
        Guitar, tuning and sample rate.
    frames : int
        How much to make, at least 1.
    random : numpy.random.Generator
        For the noises of the hands.

    Returns
    -------
    bridge : float64, shape (frames, 2)
        What moves the body: force of all strings at the bass and the treble end of the bridge, and the hands.
    strings : float64, shape (frames, 1)
        What a source hears that listens to the strings one by one: force on the saddle, or speed above the coil.
    """
    guitar, rate = take.guitar, take.sample_rate_hz
    coil = guitar.pickup_mm > 0.0
    bridge, strings = np.zeros((frames, 2)), np.zeros((frames, 1))
    by_string = np.zeros((frames, 6))
    waves: list[tuple[Pluck, int, Wave, Wave]] = []
    for pluck in plucks:
        touch = _touch_noise(pluck, random=random, sample_rate_hz=rate)
        knock_s, knock = random.uniform(0.05, 0.12), random.uniform(-0.25, 0.06)
        first = round(pluck.start_s * rate) - LEAD_FRAMES
        if first >= frames:
            continue
        end_s = pluck.end_s + 12.0 * pluck.end_decay_s
        length = min(frames - first, round((end_s - pluck.start_s) * rate))
        note = take.tune.tuning[pluck.string] + pluck.fret
        up, along = pluck_string(pluck, note=note, guitar=guitar, frames=length, sample_rate_hz=rate)
        waves.append((pluck, first, up, along))
        _add(by_string[:, pluck.string], up, first)
        touched = first - len(touch) + LEAD_FRAMES
        _add_at_bridge(bridge, touch, touched, string=pluck.string)
        _add(strings[:, 0], touch * (0.3 if coil else 1.0), touched)
        if knock > 0.0:
            _add_at_bridge(
                bridge, _knock(knock, sample_rate_hz=rate), first - round(knock_s * rate), string=0
            )
    total = by_string.sum(axis=1)
    for pluck, first, up, along in waves:
        others = COUPLING * (total - by_string[:, pluck.string])[first : first + len(up)]
        note = take.tune.tuning[pluck.string] + pluck.fret
        risen = up + ring_string(
            others, pluck=pluck, note=note, guitar=guitar, sideways=False, sample_rate_hz=rate
        )
        _add_at_bridge(bridge, risen + SIDEWAYS_AT_BRIDGE * along, first, string=pluck.string)
        balance = guitar.strings.second_gain[pluck.string]
        if coil:
            open_hz = note_hz(take.tune.tuning[pluck.string])
            heard, early = _hear_coil(
                risen + SIDEWAYS_AT_COIL * along,
                guitar=guitar,
                pluck=pluck,
                open_hz=open_hz,
                sample_rate_hz=rate,
            )
            _add(strings[:, 0], balance * heard, first - early)
        else:
            _add(strings[:, 0], balance * (risen + SIDEWAYS_AT_BRIDGE * along), first)
    return bridge, strings


def _through(wave: Wave, path: Wave) -> Wave:
    """Send a wave along a sampled path; time zero stays where it is."""
    return np.asarray(oaconvolve(wave, path)[PATH_LEAD_FRAMES : PATH_LEAD_FRAMES + len(wave)])


def record_track(waves: Samples, *, source: str, take: Take) -> Wave:
    """One source of a guitar as the recorder hears it: its path, the room, hum and hiss, the level that was set.

    `waves` has two channels for a source that hears the body (bass and treble end of the bridge), or one.
    """
    track, rate, frames = TRACKS[source], take.sample_rate_hz, len(waves)
    name = take.tune.name
    heard = np.zeros(frames)
    for end, wave in enumerate(waves.T):
        path = path_response(
            source, take.guitar.body, delay_ms=track.delay_ms, sample_rate_hz=rate, treble=end == 1
        )
        heard += _through(wave, path)
    if track.room_gain_db is not None:
        room = room_response(seed=seed_of("room"), sample_rate_hz=rate)
        heard = heard + 10.0 ** (track.room_gain_db / 20.0) * oaconvolve(heard, room)[:frames]
    heard = heard * 10.0 ** (track.gain_db / 20.0)
    heard += hiss(frames, level_dbfs=track.hiss_dbfs, seed=seed_of(name, source, "hiss"), sample_rate_hz=rate)
    if track.water_dbfs is not None:
        seed = seed_of(name, "water")
        heard += lapping(frames, level_dbfs=track.water_dbfs, seed=seed, sample_rate_hz=rate)
    if track.hum_dbfs is not None:
        heard += hum(frames, level_dbfs=track.hum_dbfs, mains_hz=MAINS_HZ, sample_rate_hz=rate)
    return np.asarray(heard)


def record_take(take: Take, *, until_s: float | None = None) -> Samples:
    """Record a take.

    Parameters
    ----------
    take : Take
        What is played on what.
    until_s : float, optional
        Only the beginning: equal to that of the whole, within the rounding of the transforms.

    Returns
    -------
    float64, shape (frames, 2)
        Whole steps of a converter of `WORD_BITS` bits; full scale is 1.
    """
    plucks = play(take.tune, np.random.default_rng(seed_of(take.tune.name, "hands")))
    seconds = length_s(plucks) if until_s is None else min(until_s, length_s(plucks))
    frames = round(seconds * take.sample_rate_hz)
    random = np.random.default_rng(seed_of(take.tune.name, "touch"))
    further = frames + take.sample_rate_hz // 4  # hands are heard before their note
    bridge, strings = perform(plucks, take=take, frames=further, random=random)
    first, second = take.guitar.sources
    heard = (strings, bridge) if first == "saddle pickup" else (bridge, strings)
    tracks = [record_track(w, source=s, take=take) for w, s in zip(heard, (first, second), strict=True)]
    steps = 2.0 ** (WORD_BITS - 1)
    audio = np.round(np.stack(tracks, axis=1)[:frames] * steps) / steps
    if np.abs(audio).max() >= 1.0 - 1.0 / steps:
        raise ValueError(f"{take.tune.name} is too loud for the recorder: {np.abs(audio).max():.3f}")
    return audio


def write_take(audio: Samples, path: Path, *, sample_rate_hz: int) -> None:
    """Write a take as 24-bit FLAC: beside the target first, then under its name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".part")
    words = np.round(audio * 2.0**23).astype(np.int32) << 8
    soundfile.write(beside, words, sample_rate_hz, format="FLAC", subtype="PCM_24", compression_level=1.0)
    beside.replace(path)


def main(folder: Path) -> None:
    """Make every take of both guitars."""
    for take in TAKES:
        audio = record_take(take)
        path = folder / take.file
        write_take(audio, path, sample_rate_hz=take.sample_rate_hz)
        peaks = 20.0 * np.log10(np.abs(audio).max(axis=0))
        print(
            f"{path.name}: {len(audio) / take.sample_rate_hz:.1f} s at {take.sample_rate_hz} Hz, "
            f"peaks {peaks[0]:.1f} and {peaks[1]:.1f} dBFS, {path.stat().st_size / 1e6:.2f} MB"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
