"""The ready recipes: they load, they teach, they keep what their comments say, and no two sound alike."""

from __future__ import annotations

import itertools
import math
import re
import tomllib
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import soundfile
from numpy.typing import NDArray

from recipes.make_impulse_responses import BODIES, FRAMES, STEEL, coupled_hz, impulse_response, low_response
from render.analysis.decay import band_centres_hz, decay_time_s, filter_band
from render.engine.compile import compile_chain, compile_recipe
from render.recipe.check import check_at_rate
from render.recipe.load import load_recipe, load_recipes
from render.recipe.models import HighPass, ImpulseResponse, Recipe
from render.stages.impulse_response import prepare_impulse_response

FOLDER = Path(__file__).parents[2] / "recipes"
FILES = sorted(FOLDER.glob("*.toml"))
NAMES = [path.stem for path in FILES]
RATE_HZ = 48_000

BALANCE_STEP_DB = 1.0
"""Smallest difference of level that is noticed, about 1 dB: common practice, no source."""

SIDE_SHARE_STEP = 0.05
"""Audible step of the lateral energy fraction, ISO 3382-1:2009, Table A.1 (from memory), taken for the side's share."""

DECAY_STEP_FRACTION = 0.05
"""Audible step of the decay, ISO 3382-1:2009, Table A.1: 5 %."""

LOWEST_NOTES_HZ = {
    # the note a recipe is made for, equal temperament on ISO 16, and what the comment says it loses
    "steel_fingerstyle": {82.407: 0.2, 73.416: 0.5},
    "steel_flatpicked": {82.407: 0.8},
    "nylon_recital": {82.407: 0.4},
    "baritone": {61.735: 0.1},
    "transducer_and_magnetic": {73.416: 0.3},
}


def _load(name: str) -> Recipe:
    return load_recipe(FOLDER / f"{name}.toml")


@lru_cache
def _measured(name: str) -> tuple[NDArray[np.float64], float, float]:
    return _measure(_load(name))


def _measure(recipe: Recipe) -> tuple[NDArray[np.float64], float, float]:
    """Third-octave balance (dB, mean 0), share of the side in the energy, decay at 1 kHz (0 without a tail).

    All for two sources of pink noise, equally loud and with nothing in common.
    """
    compiled = compile_recipe(recipe, sample_rate_hz=RATE_HZ)
    frames = scipy.fft.next_fast_len(max(len(compiled.response), RATE_HZ), real=True)
    spectrum = scipy.fft.rfft(compiled.response, frames, axis=0)
    frequency_hz = np.arange(len(spectrum)) * RATE_HZ / frames
    mid = np.sum(np.abs(0.5 * (spectrum[:, 0] + spectrum[:, 1])) ** 2, axis=1)
    side = np.sum(np.abs(0.5 * (spectrum[:, 0] - spectrum[:, 1])) ** 2, axis=1)
    half = 10.0**0.05
    bands = [
        (frequency_hz >= centre / half) & (frequency_hz < centre * half)
        for centre in band_centres_hz(63.0, 12_500.0, bands_per_octave=3)
    ]
    mid_power, side_power = (np.array([power[band].mean() for band in bands]) for power in (mid, side))
    balance_db = 10.0 * np.log10(mid_power + side_power)
    share = float(side_power.sum() / (mid_power + side_power).sum())
    tail = _late_decay_s(compiled.response, compiled.lead_frames)
    return balance_db - balance_db.mean(), share, tail


def _late_decay_s(response: NDArray[np.float64], lead_frames: int) -> float:
    """T30 of the octave at 1 kHz, from 60 ms after time zero, when the direct sound and its filters are over."""
    late = response[lead_frames + round(0.06 * RATE_HZ) :].reshape(-1, 4)
    if float((late**2).sum()) < 1e-6 * float((response**2).sum()):
        return 0.0
    energy = (filter_band(late, sample_rate_hz=RATE_HZ, centre_hz=1000.0) ** 2).sum(axis=1)
    left = np.cumsum(energy[::-1])[::-1]
    curve_db = 10.0 * np.log10(left / left[0])
    return decay_time_s(curve_db, frame_s=1.0 / RATE_HZ, upper_db=-5.0, lower_db=-35.0)


def _steps_apart(
    one: tuple[NDArray[np.float64], float, float], other: tuple[NDArray[np.float64], float, float]
) -> tuple[float, float, float]:
    """How many audible steps two recipes are apart: balance (RMS over the bands), side, decay."""
    balance = math.sqrt(float(((one[0] - other[0]) ** 2).mean())) / BALANCE_STEP_DB
    side = abs(one[1] - other[1]) / SIDE_SHARE_STEP
    longer_s = max(one[2], other[2])
    decay = abs(one[2] - other[2]) / (DECAY_STEP_FRACTION * longer_s) if longer_s > 0.0 else 0.0
    return balance, side, decay


def _magnitude(taps: NDArray[np.float64], frequency_hz: float) -> float:
    return abs(complex(np.sum(taps * np.exp(-2j * np.pi * frequency_hz / RATE_HZ * np.arange(len(taps))))))


def test_there_is_a_recipe_for_every_purpose() -> None:
    """At least six, and a ground that the others stand on."""
    assert len(NAMES) >= 7
    assert sum(name.endswith("_fingerstyle") for name in NAMES) == 1
    extending = [path.stem for path in FILES if 'extends = "house.toml"' in path.read_text("utf-8")]
    assert len(extending) >= 5
    assert sum(bool(_load(name).files) for name in NAMES) >= 2


def test_all_load_together_and_suit_every_common_rate() -> None:
    """No faults, also none that need a sample rate."""
    recipes = load_recipes(FILES)
    for recipe, rate_hz in itertools.product(recipes, (44_100, 48_000, 88_200, 96_000, 192_000)):
        assert check_at_rate(recipe, rate_hz, take="slipway") == []
        assert recipe.title
        assert recipe.notes


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_is_toml_1_0(path: Path) -> None:
    """The standard library's reader, which knows TOML 1.0 and no later, reads it."""
    assert tomllib.loads(path.read_text("utf-8"))["title"]


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_every_number_has_its_reason(path: Path) -> None:
    """A comment stands on the line of every key and stage, or right above it."""
    lines = path.read_text("utf-8").splitlines()
    assert lines[0].startswith("# ")
    bare = [
        f"{number}: {line}"
        for number, (before, line) in enumerate(itertools.pairwise(lines), start=2)
        if re.match(r"\s*(\{ stage|[a-z_0-9]+ = )", line)
        and not re.match(r"(title|notes|chain) = ", line)
        and not re.search(r"\s# .{4,}", line)
        and not before.lstrip().startswith("# ")
    ]
    assert bare == []
    assert max(map(len, lines)) <= 120


def test_readme_has_a_line_for_each() -> None:
    """Every recipe and every impulse response is in the table."""
    readme = (FOLDER / "README.md").read_text("utf-8")
    for path in [*FILES, *(FOLDER / "impulse_responses").iterdir()]:
        assert f"| [{path.name}](" in readme


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(NAMES, 2)))
def test_no_two_sound_alike(one: str, other: str) -> None:
    """Balance, width or decay are apart by more than the audible step."""
    assert max(_steps_apart(_measured(one), _measured(other))) > 1.0


def test_what_is_alike_counts_as_alike() -> None:
    """Another room of the same kind, or half a step of level, width or decay, is no other recipe."""
    house = _load("house")
    assert house.room is not None
    changes: dict[str, dict[str, object]] = {
        "seed": {"room": house.room.model_copy(update={"seed": 2})},
        "decay": {"room": house.room.model_copy(update={"decay_1khz_s": 1.025 * house.room.decay_1khz_s})},
        "side": {"stereo": house.stereo.model_copy(update={"side_gain_db": 0.5})},
    }
    for change in changes.values():
        steps = _steps_apart(_measured("house"), _measure(house.model_copy(update=change)))
        assert max(steps) < 1.0
    wider = house.model_copy(update={"stereo": house.stereo.model_copy(update={"side_gain_db": 3.0})})
    assert _steps_apart(_measured("house"), _measure(wider))[1] > 1.0


@pytest.mark.parametrize("name", sorted(LOWEST_NOTES_HZ))
def test_lowest_note_loses_what_the_comment_says(name: str) -> None:
    """The high-pass of the source in the middle leaves the fundamental alone."""
    chain = next(source for source in _load(name).sources.values() if source.place == "mid").chain
    high_pass = [stage for stage in chain if isinstance(stage, HighPass)]
    taps = compile_chain(high_pass, sample_rate_hz=RATE_HZ).taps[:, 0]
    for note_hz, loss_db in LOWEST_NOTES_HZ[name].items():
        assert -20.0 * math.log10(_magnitude(taps, note_hz)) == pytest.approx(loss_db, abs=0.06)


@pytest.mark.parametrize("name", [name for name in NAMES if name not in {"plain_blend", "one_loudspeaker"}])
def test_side_source_leaves_the_mono_sum(name: str) -> None:
    """Before the room, left + right is the source in the middle alone: residue below -120 dB."""
    dry = _load(name).model_copy(update={"room": None})
    places = [source.place for source in dry.sources.values()]
    assert sorted(map(str, places)) == ["mid", "side"]
    mono = compile_recipe(dry, sample_rate_hz=RATE_HZ).response.sum(axis=1)
    residue, whole = mono[:, places.index("side")], mono[:, places.index("mid")]
    assert float((residue**2).sum()) < 1e-12 * float((whole**2).sum())


def test_one_loudspeaker_is_the_same_left_and_right() -> None:
    """To the bit, before the room; with it, 3 dB less of the room in mono."""
    recipe = _load("one_loudspeaker")
    dry = compile_recipe(recipe.model_copy(update={"room": None}), sample_rate_hz=RATE_HZ).response
    np.testing.assert_array_equal(dry[:, 0], dry[:, 1])
    wet = compile_recipe(recipe, sample_rate_hz=RATE_HZ).response
    room = wet[round(0.1 * RATE_HZ) :]
    stereo = float((room**2).sum())
    mono = 2.0 * float(((0.5 * (room[:, 0] + room[:, 1])) ** 2).sum())
    assert 10.0 * math.log10(stereo / mono) == pytest.approx(3.01, abs=0.5)


def test_plain_blend_stands_as_wide_as_it_says() -> None:
    """Each source is 12.4 dB louder on its own side; nothing rings on."""
    compiled = compile_recipe(_load("plain_blend"), sample_rate_hz=RATE_HZ)
    left, right = (np.sum(compiled.response[:, side] ** 2, axis=0) for side in (0, 1))
    np.testing.assert_allclose(10.0 * np.log10(left / right), [12.4, -12.4], atol=0.05)
    assert compiled.room_tail_frames == 0


@pytest.mark.parametrize("name", sorted(BODIES))
def test_script_makes_the_impulse_response_again(name: str) -> None:
    """The same samples; another processor may round one of them the other way."""
    path = FOLDER / "impulse_responses" / f"{name}.wav"
    stored, rate_hz = soundfile.read(path, dtype="int32")
    assert (rate_hz, soundfile.info(path).subtype) == (RATE_HZ, "PCM_24")
    assert stored.shape == (FRAMES,)
    assert path.stat().st_size < 40_000
    assert int(np.abs(stored // 256 - impulse_response(BODIES[name])).max()) <= 1


@pytest.mark.parametrize("name", sorted(BODIES))
def test_impulse_response_has_a_body_and_softens_the_edge(name: str) -> None:
    """Peaks near the two lowest resonances, 1.5 to 4 kHz at least 2 dB under 500 Hz to 1 kHz, short, early."""
    fir = _prepared(name, wet_fraction=1.0)
    frequency_hz = np.arange(32_769) * RATE_HZ / 65_536
    power = np.abs(scipy.fft.rfft(fir[:, 0], 65_536)) ** 2

    def level_db(low_hz: float, high_hz: float) -> float:
        band = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
        return 10.0 * math.log10(float(np.average(power[band], weights=1.0 / frequency_hz[band])))

    for resonance_hz in coupled_hz(BODIES[name]):
        near = (frequency_hz > 0.85 * resonance_hz) & (frequency_hz < 1.15 * resonance_hz)
        assert frequency_hz[near][np.argmax(power[near])] == pytest.approx(resonance_hz, rel=0.04)
    assert level_db(1500.0, 4000.0) < level_db(500.0, 1000.0) - 2.0
    assert float((fir[3072:] ** 2).sum()) < 1e-6 * float((fir**2).sum())
    assert int(np.argmax(np.abs(fir))) == 0


@pytest.mark.parametrize("name", sorted(BODIES))
def test_wet_and_dry_do_not_cancel(name: str) -> None:
    """At every mixture each frequency keeps the sum of its parts within 3 dB: the phase is less than a quarter."""
    wet = scipy.fft.rfft(_prepared(name, wet_fraction=1.0)[:, 0], 65_536)[20:-4096]
    assert float(np.abs(np.angle(wet)).max()) < 0.5 * math.pi
    for fraction in (0.25, 0.5, 0.75):
        mixed = scipy.fft.rfft(_prepared(name, wet_fraction=fraction)[:, 0], 65_536)[20:-4096]
        loss_db = 20.0 * np.log10(np.abs(mixed) / (1.0 - fraction + fraction * np.abs(wet)))
        assert float(loss_db.min()) > -3.0


def test_model_of_air_and_top() -> None:
    """The identities of two coupled masses (Christensen and Vistisen 1980, from memory), and no sound at 0 Hz."""
    low_hz, high_hz = coupled_hz(STEEL)
    # Helmholtz estimate c / (2 pi) sqrt(pi r^2 / (1.7 r V)) for 18.5 l and 50.8 mm: 123.0 Hz at c = 343 m/s
    air_hz = 123.0 * 343.2 / 343.0
    stiffness = 1.204 * 343.2**2 / 0.0185
    top_squared = STEEL.top_hz**2 + stiffness * 0.054**2 / 0.062 / (2.0 * math.pi) ** 2
    assert low_hz**2 + high_hz**2 == pytest.approx(air_hz**2 + top_squared, rel=1e-3)
    assert low_hz < air_hz < math.sqrt(top_squared) < high_hz
    octave = np.abs(low_response(2.0 * np.pi * np.array([5.0, 10.0]), replace(STEEL, air_q=1e6)))
    assert 20.0 * math.log10(octave[1] / octave[0]) == pytest.approx(24.08, abs=0.3)


def test_used_impulse_responses_are_the_ones_made() -> None:
    """Every file in the folder serves a recipe, and no recipe needs another."""
    used = {path for name in NAMES for path in _load(name).files}
    assert used == {FOLDER.resolve() / "impulse_responses" / f"{name}.wav" for name in BODIES}
    fractions = [
        stage.wet_fraction
        for name in NAMES
        for source in _load(name).sources.values()
        for stage in source.chain
        if isinstance(stage, ImpulseResponse)
    ]
    assert len(fractions) >= 2
    assert all(0.0 < fraction < 1.0 for fraction in fractions)


def _prepared(name: str, *, wet_fraction: float) -> NDArray[np.float64]:
    samples, rate_hz = soundfile.read(FOLDER / "impulse_responses" / f"{name}.wav", always_2d=True)
    fir = prepare_impulse_response(
        samples, file_rate_hz=rate_hz, sample_rate_hz=RATE_HZ, wet_fraction=wet_fraction
    )
    assert fir.lead_frames == 0
    return fir.taps
