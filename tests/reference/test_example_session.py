"""The example session against what is known of strings, guitars and rooms: single notes of the model, and its files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from example_sessions import make_boathouse
from example_sessions.guitar import LARGE, PATH_LEAD_FRAMES, SMALL, Guitar, path_response
from example_sessions.player import Pluck
from example_sessions.plucked_string import Loss, apply_loop, design_loop, design_pluck
from example_sessions.tunes import STANDARD
from tests.helpers.source import source

Wave = NDArray[np.float64]

RATE_HZ = 48_000
FOLDER = Path(__file__).resolve().parents[2] / "example_sessions"

# equal temperament on A4 = 440 Hz, printed to twelve decimals in the project's list of reference values
OPEN_HZ = (82.406889228217, 110.0, 146.832383958704, 195.997717990875, 246.941650628062, 329.627556912870)
LOW_HZ = {36: 65.406391325150, 38: 73.416191979352}

# the last chord of each take: the lowest note and the note struck last, by name; as MIDI note numbers
LAST_CHORDS = {
    "01_slipway": (48, 64),  # C3, E4
    "02_first_light": (45, 64),  # A2, E4
    "03_oarlock": (52, 68),  # E3, G sharp 4
    "04_low_beams": (38, 66),  # D2, F sharp 4
    "05_still_water": (41, 69),  # F2, A4
    "06_casting_off": (38, 66),  # D2, F sharp 4
}


def sound_note(guitar: Guitar, note: int, string: int, fret: int = 0, *, duration_s: float = 5.0) -> Wave:
    """Force at the bridge of one note that is left to ring."""
    pluck = Pluck(
        start_s=0.1,
        string=string,
        fret=fret,
        force=1.0,
        corner_hz=5000.0,
        from_saddle_mm=130.0,
        angle_deg=45.0,
        noise_gain=0.0,
        end_s=60.0,
    )
    tuning = list(STANDARD)
    tuning[string] = note - fret
    take = make_boathouse.TAKES[0]
    take = replace(take, guitar=guitar, tune=replace(take.tune, tuning=tuple(tuning)))
    frames = round(duration_s * RATE_HZ)
    bridge, _ = make_boathouse.perform([pluck], take=take, frames=frames, random=np.random.default_rng(1))
    return np.asarray(bridge.sum(axis=1))


def around(wave: Wave, frequency_hz: float, width_hz: float, *, sample_rate_hz: int = RATE_HZ) -> Wave:
    """What lies within half a width of a frequency, as a complex envelope, without shift in time."""
    band = (frequency_hz - width_hz / 2.0, frequency_hz + width_hz / 2.0)
    sections = signal.butter(2, band, "bandpass", fs=sample_rate_hz, output="sos")
    return np.asarray(signal.hilbert(signal.sosfiltfilt(sections, wave)))


def measured_hz(wave: Wave, near_hz: float, *, first_s: float, last_s: float, sample_rate_hz: int) -> float:
    """Frequency of a partial from the slope of its phase."""
    tone = around(wave, near_hz, 0.06 * near_hz, sample_rate_hz=sample_rate_hz)
    angle = np.unwrap(np.angle(tone[round(first_s * sample_rate_hz) : round(last_s * sample_rate_hz)]))
    return float(np.polyfit(np.arange(len(angle)) / sample_rate_hz, angle, 1)[0] / (2.0 * np.pi))


def measured_decay_s(wave: Wave, frequency_hz: float, width_hz: float) -> float:
    """Time to fall by 60 dB, from the fall between -3 and -23 dB of the energy that is still to come."""
    power = np.abs(around(wave, frequency_hz, width_hz)) ** 2
    to_come = np.cumsum(power[::-1])[::-1][round(0.15 * RATE_HZ) :]
    level_db = 10.0 * np.log10(to_come / to_come[0])
    first = int(np.argmax(level_db < -3.0))
    last = int(np.argmax(level_db < -23.0))
    slope_db = np.polyfit(np.arange(last - first) / RATE_HZ, level_db[first:last], 1)[0]
    return float(-60.0 / slope_db)


def cents(measured: float, wanted: float) -> float:
    """Interval between two frequencies."""
    return float(1200.0 * np.log2(measured / wanted))


def read_take(name: str) -> tuple[Wave, int]:
    """A committed take."""
    (file,) = FOLDER.glob(f"boathouse*/{name}.flac")
    audio, sample_rate_hz = soundfile.read(file, dtype="float64", always_2d=True)
    return audio, int(sample_rate_hz)


@source(
    "ISO 16, Acoustics - Standard tuning frequency, 1975; equal temperament f = 440 * 2^((n - 69) / 12)",
    kind="standard",
    tolerance="1 cent: a fifth of what a trained ear hears",
)
@pytest.mark.parametrize("guitar", [SMALL, LARGE], ids=["small", "large"])
@pytest.mark.parametrize("string", range(6))
def test_open_strings_are_in_tune(guitar: Guitar, string: int) -> None:
    """Every open string of both guitars sounds at its equal-tempered pitch."""
    wave = sound_note(guitar, STANDARD[string], string, duration_s=3.0)
    found_hz = measured_hz(wave, OPEN_HZ[string], first_s=0.4, last_s=2.6, sample_rate_hz=RATE_HZ)
    assert abs(cents(found_hz, OPEN_HZ[string])) < 1.0


@source("ISO 16, 1975; equal temperament", kind="standard", tolerance="1 cent")
@pytest.mark.parametrize(
    ("string", "fret", "wanted_hz"),
    [(0, 12, 2.0 * 82.406889228217), (1, 12, 220.0), (5, 5, 440.0), (5, 12, 659.25511382574), (4, 10, 440.0)],
)
def test_fretted_notes_are_in_tune(string: int, fret: int, wanted_hz: float) -> None:
    """So do notes up the neck, where strings are stiffer and loops shorter."""
    wave = sound_note(SMALL, STANDARD[string] + fret, string, fret, duration_s=2.5)
    found_hz = measured_hz(wave, wanted_hz, first_s=0.3, last_s=2.0, sample_rate_hz=RATE_HZ)
    assert abs(cents(found_hz, wanted_hz)) < 1.0


@source("ISO 16, 1975; equal temperament", kind="standard", tolerance="1 cent")
@pytest.mark.parametrize("note", sorted(LOW_HZ))
def test_low_tunings_are_in_tune(note: int) -> None:
    """A lowest string let down to D or C is still at its pitch."""
    wave = sound_note(LARGE, note, 0, duration_s=3.0)
    found_hz = measured_hz(wave, LOW_HZ[note], first_s=0.4, last_s=2.6, sample_rate_hz=RATE_HZ)
    assert abs(cents(found_hz, LOW_HZ[note])) < 1.0


@source(
    "ISO 16, 1975; equal temperament",
    kind="standard",
    tolerance="1 cent",
)
@pytest.mark.parametrize("name", sorted(LAST_CHORDS))
def test_last_chords_of_the_files_are_in_tune(name: str) -> None:
    """In the files themselves, whatever their sample rate, the lowest and the last note of the end are in tune."""
    audio, sample_rate_hz = read_take(name)
    end_s = len(audio) / sample_rate_hz
    for note in LAST_CHORDS[name]:
        wanted_hz = 440.0 * 2.0 ** ((note - 69) / 12.0)
        for track in range(2):
            wave = audio[round((end_s - 9.0) * sample_rate_hz) :, track]
            found_hz = measured_hz(wave, wanted_hz, first_s=3.5, last_s=5.0, sample_rate_hz=sample_rate_hz)
            assert abs(cents(found_hz, wanted_hz)) < 1.0, (note, track)


@source(
    "Jaffe and Smith, Extensions of the Karplus-Strong plucked-string algorithm, Computer Music Journal 7(2), 1983",
    "decay stretching: loop gain 10^(-3 / (f T60))",
    kind="paper",
    tolerance="1 %: a fifth of the 5 % step of ISO 3382-1",
)
@pytest.mark.parametrize(("fundamental_hz", "decay_s"), [(82.4069, 6.0), (196.0, 4.0), (659.26, 2.0)])
def test_one_motion_of_a_string_decays_as_asked(fundamental_hz: float, decay_s: float) -> None:
    """A single loop, measured by integrating backwards, has the decay it was designed for."""
    loop = design_loop(
        fundamental_hz=fundamental_hz,
        loss=Loss(decay_s, 0.15),
        inharmonicity=5e-5,
        sample_rate_hz=RATE_HZ,
    )
    pluck = design_pluck(
        fundamental_hz=fundamental_hz, position_fraction=0.21, corner_hz=5000.0, sample_rate_hz=RATE_HZ
    )
    before, after = np.zeros(RATE_HZ // 10), np.zeros(5 * RATE_HZ)
    wave = apply_loop(np.concatenate((before, pluck, after)), loop=loop)
    found_s = measured_decay_s(wave, fundamental_hz, 0.4 * fundamental_hz)
    assert found_s == pytest.approx(decay_s, rel=0.01)


@source(
    "steel-string guitars: a low E rings for about 8 to 15 s, a high E for 3 to 6 s, both to -60 dB",
    kind="from memory",
    tolerance="the range itself",
)
@pytest.mark.parametrize("guitar", [SMALL, LARGE], ids=["small", "large"])
def test_strings_ring_as_long_as_steel_strings_do(guitar: Guitar) -> None:
    """The lowest string rings longest, the highest shortest, both as long as steel does."""
    decays_s = [
        measured_decay_s(sound_note(guitar, STANDARD[string], string), OPEN_HZ[string], 0.4 * OPEN_HZ[string])
        for string in (0, 2, 5)
    ]
    assert 8.0 <= decays_s[0] <= 15.0
    assert 3.0 <= decays_s[2] <= 6.0
    assert decays_s[0] > decays_s[1] > decays_s[2]


@source(
    "Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed., 1998",
    "chapter 2, damping of strings: high partials die first",
    kind="from memory",
    tolerance="at least a factor of 2 from 80 Hz to 1 kHz and again to 4 kHz",
)
def test_brightness_dies_first() -> None:
    """Partials near 1 kHz ring less than half as long as the fundamental, near 4 kHz less than half of that."""
    wave = sound_note(SMALL, 40, 0)
    stiffness = SMALL.strings.inharmonicity[0]
    found_s = []
    for partial in (1, 12, 46):
        stretched = partial * np.sqrt((1.0 + stiffness * partial**2) / (1.0 + stiffness))
        found_s.append(measured_decay_s(wave, OPEN_HZ[0] * stretched, 30.0))
    assert found_s[1] < 0.5 * found_s[0]
    assert found_s[2] < 0.5 * found_s[1]


@source(
    "Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed., 1998",
    "section 2.18, stiff string: f_n = n F sqrt(1 + B n^2)",
    kind="handbook",
    tolerance="1 cent",
)
@pytest.mark.parametrize("partial", [2, 5, 11, 20])
def test_partials_are_stretched_by_stiffness(partial: int) -> None:
    """Partials of a stiff string lie above whole multiples, as the formula says."""
    stiffness, fundamental_hz = 1e-4, 110.0
    loop = design_loop(
        fundamental_hz=fundamental_hz, loss=Loss(6.0, 0.1), inharmonicity=stiffness, sample_rate_hz=RATE_HZ
    )
    pluck = design_pluck(
        fundamental_hz=fundamental_hz, position_fraction=0.13, corner_hz=6000.0, sample_rate_hz=RATE_HZ
    )
    wave = apply_loop(np.concatenate((pluck, np.zeros(2 * RATE_HZ))), loop=loop)
    wanted_hz = partial * fundamental_hz * np.sqrt((1.0 + stiffness * partial**2) / (1.0 + stiffness))
    found = around(wave, wanted_hz, 0.5 * fundamental_hz)[round(0.2 * RATE_HZ) : round(0.9 * RATE_HZ)]
    slope = np.polyfit(np.arange(len(found)) / RATE_HZ, np.unwrap(np.angle(found)), 1)[0]
    assert abs(cents(float(slope) / (2.0 * np.pi), float(wanted_hz))) < 1.0


@source(
    "ideal plucked string: force at the bridge goes as sin(n pi p) / n; none where n p is whole",
    kind="closed form",
    tolerance="2 dB on the partials that sound; 25 dB below the neighbours where there is none",
)
def test_plucking_point_takes_out_its_partials() -> None:
    """Plucked at a fifth of its length, a string has no fifth partial, and the others as they should be."""
    fundamental_hz, corner_hz = 110.0, 5000.0
    loop = design_loop(
        fundamental_hz=fundamental_hz, loss=Loss(8.0, 0.05), inharmonicity=0.0, sample_rate_hz=RATE_HZ
    )
    pluck = design_pluck(
        fundamental_hz=fundamental_hz, position_fraction=0.2, corner_hz=corner_hz, sample_rate_hz=RATE_HZ
    )
    wave = apply_loop(np.concatenate((pluck, np.zeros(RATE_HZ))), loop=loop)
    levels_db = []
    for partial in range(1, 7):
        envelope = np.abs(around(wave, partial * fundamental_hz, 50.0))
        levels_db.append(20.0 * np.log10(envelope[round(0.2 * RATE_HZ)]))
    wanted_db = [20.0 * np.log10(abs(np.sin(n * np.pi * 0.2)) / n) for n in (1, 2, 3, 4)]
    found_db = np.array(levels_db[:4]) - levels_db[0]
    np.testing.assert_allclose(found_db, np.array(wanted_db) - wanted_db[0], atol=2.0)
    assert levels_db[4] < min(levels_db[3], levels_db[5]) - 25.0


@source(
    "a coil at a distance d from the bridge hears partials as sin(n pi d / L); none where n d / L is whole",
    kind="closed form",
    tolerance="20 dB: the two motions of a string and whole frames",
)
def test_magnetic_pickup_is_deaf_where_it_sits_on_a_node() -> None:
    """Moved to a quarter of the string, the magnetic pickup does not hear the fourth partial; the bridge does."""
    guitar = replace(LARGE, pickup_mm=LARGE.scale_mm / 4.0)
    take = replace(make_boathouse.TAKES[3], guitar=guitar)
    take = replace(take, tune=replace(take.tune, tuning=STANDARD))
    pluck = Pluck(0.1, 1, 0, 1.0, 5000.0, 100.0, 20.0, 0.0, end_s=60.0)
    bridge, strings = make_boathouse.perform(
        [pluck], take=take, frames=2 * RATE_HZ, random=np.random.default_rng(1)
    )
    level_db = {}
    for name, wave in (("bridge", bridge.sum(axis=1)), ("coil", strings[:, 0])):
        for partial in (3, 4, 5):
            envelope = np.abs(around(wave, partial * 110.0, 40.0))
            level_db[name, partial] = 20.0 * np.log10(envelope[round(0.5 * RATE_HZ)])
    assert level_db["coil", 4] < min(level_db["coil", 3], level_db["coil", 5]) - 20.0
    assert level_db["bridge", 4] > min(level_db["bridge", 3], level_db["bridge", 5]) - 6.0


def peak_near(response: Wave, low_hz: float, high_hz: float, *, sample_rate_hz: int = RATE_HZ) -> float:
    """Where a response is largest within a band."""
    frames = 1 << 18
    frequency_hz = np.fft.rfftfreq(frames, 1.0 / sample_rate_hz)
    magnitude = np.abs(np.fft.rfft(response, frames))
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    return float(frequency_hz[inside][np.argmax(magnitude[inside])])


@source(
    "Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed., 1998",
    "chapter 9: air resonance about 90 to 110 Hz, first top mode about 170 to 220 Hz",
    kind="from memory",
    tolerance="the range itself",
)
@pytest.mark.parametrize(
    ("guitar", "name"), [(SMALL, "internal microphone"), (LARGE, "soundboard transducer")]
)
def test_bodies_resonate_where_guitars_do(guitar: Guitar, name: str) -> None:
    """The sources that hear the body show the air's and the top's resonance."""
    response = path_response(name, guitar.body, delay_ms=0.0, sample_rate_hz=RATE_HZ)
    assert 90.0 <= peak_near(response, 60.0, 140.0) <= 110.0
    assert 170.0 <= peak_near(response, 140.0, 230.0) <= 220.0


@source(
    "Christensen and Vistisen, Simple model for low-frequency guitar function, J. Acoust. Soc. Am. 68, 1980",
    "two coupled masses: the squares of the resonances keep their sum, and the uncoupled ones lie between",
    kind="paper",
    tolerance="1 %: neighbouring modes pull at the peaks",
)
@pytest.mark.parametrize(
    ("guitar", "name"), [(SMALL, "internal microphone"), (LARGE, "soundboard transducer")]
)
def test_air_and_top_are_coupled(guitar: Guitar, name: str) -> None:
    """The two measured resonances fit the model of two masses."""
    response = path_response(name, guitar.body, delay_ms=0.0, sample_rate_hz=RATE_HZ)
    low_hz, high_hz = peak_near(response, 60.0, 140.0), peak_near(response, 140.0, 230.0)
    air_hz, top_hz = guitar.body.air_hz, guitar.body.top_hz
    assert low_hz < air_hz < top_hz < high_hz
    assert low_hz**2 + high_hz**2 == pytest.approx(air_hz**2 + top_hz**2, rel=0.01)


@source(
    "internal microphones boom at the air resonance, which lies near G2 to A2 (98 to 110 Hz)",
    kind="common practice, no source",
    tolerance="6 dB above the average of 300 Hz to 2 kHz",
)
def test_microphone_booms_at_the_air_resonance() -> None:
    """From saddle pickup to microphone, in the files, nothing is raised as much as the body's air resonance."""
    cross, power, frequency_hz = np.zeros(0), np.zeros(0), np.zeros(0)
    for name in ("01_slipway", "02_first_light", "03_oarlock"):
        audio, sample_rate_hz = read_take(name)
        frequency_hz, both = signal.csd(audio[:, 0], audio[:, 1], sample_rate_hz, nperseg=16384)
        _, alone = signal.welch(audio[:, 0], sample_rate_hz, nperseg=16384)
        cross = both if len(cross) == 0 else cross + both
        power = alone if len(power) == 0 else power + alone
    transfer_db = 20.0 * np.log10(np.abs(cross) / power)
    low = (frequency_hz > 70.0) & (frequency_hz < 400.0)
    middle = (frequency_hz > 300.0) & (frequency_hz < 2000.0)
    assert 95.0 <= frequency_hz[low][np.argmax(transfer_db[low])] <= 112.0
    assert transfer_db[low].max() > np.mean(transfer_db[middle]) + 6.0


@source(
    "distance over the speed of sound, 343.21 m/s at 20 degrees C: 20 cm are 0.583 ms",
    "phase transform of the cross spectrum: Knapp and Carter, IEEE Trans. ASSP 24(4), 1976, Table I",
    kind="closed form",
    tolerance="0.15 ms: 18 to 28 cm from the bridge, inside a body",
)
@pytest.mark.parametrize("name", ["01_slipway", "02_first_light", "03_oarlock"])
def test_microphone_is_later_by_its_distance(name: str) -> None:
    """The microphone's track is later than the saddle pickup's by a fraction of a millisecond, of like polarity."""
    audio, sample_rate_hz = read_take(name)
    frequency_hz, cross = signal.csd(audio[:, 0], audio[:, 1], sample_rate_hz, nperseg=8192)
    band = (frequency_hz > 800.0) & (frequency_hz < 6000.0)
    whitened = np.where(band, cross / np.abs(cross), 0.0)
    finer = 8
    correlation = np.fft.irfft(whitened, 8192 * finer)
    latest = int(np.argmax(np.abs(correlation[: 4096 * finer])))
    delay_ms = 1000.0 * latest / finer / sample_rate_hz
    assert correlation[latest] > 0.0
    assert abs(delay_ms - 0.62) < 0.15
    assert np.abs(correlation).max() == pytest.approx(correlation[latest])


@source(
    "onset of a sampled path: sound cannot arrive before its distance",
    kind="closed form",
    tolerance="2 frames: the band limit rings before a step",
)
def test_nothing_reaches_the_microphone_early() -> None:
    """Before its delay the microphone's response holds next to nothing; right after, it sets in."""
    response = path_response("internal microphone", SMALL.body, delay_ms=0.62, sample_rate_hz=RATE_HZ)
    onset = PATH_LEAD_FRAMES + round(0.62e-3 * RATE_HZ)
    assert np.abs(response[: onset - 2]).max() < 0.1 * np.abs(response).max()
    assert np.abs(response[onset : onset + 10]).max() > 0.5 * np.abs(response).max()


@source(
    "mains hum in a coil: 50 Hz and its multiples, odd ones stronger",
    kind="common practice, no source",
    tolerance="faint: below -70 dBFS, and 20 dB above the soundboard's noise in the same band",
)
@pytest.mark.parametrize("name", ["04_low_beams", "05_still_water", "06_casting_off"])
def test_only_the_coil_hums(name: str) -> None:
    """Before the first note the magnetic pickup hums faintly at 50 and 150 Hz, the soundboard transducer does not."""
    audio, sample_rate_hz = read_take(name)
    tone = audio[:sample_rate_hz]  # one second: bins of 1 Hz
    amplitude = (
        2.0 * np.abs(np.fft.rfft(tone * np.hanning(len(tone))[:, np.newaxis], axis=0)) / len(tone) * 2.0
    )
    for frequency_hz in (50, 150):
        assert amplitude[frequency_hz, 1] < 10.0 ** (-70.0 / 20.0)
        assert amplitude[frequency_hz, 1] > 10.0 * amplitude[frequency_hz - 3 : frequency_hz + 4, 0].max()
    assert amplitude[50, 1] > 10.0 * amplitude[75, 1]
