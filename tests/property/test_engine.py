"""Random recipes over random takes: what the engine must keep, whatever a player writes and plays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from render.cli.main import main
from render.engine.mix import make_ready
from render.recipe.dump import dump_recipe
from render.recipe.models import Recipe
from render.workflows.scripting import render_array
from tests.helpers.random_recipes import floats, mirrored, recipes, takes
from tests.helpers.sessions import read_mix
from tests.helpers.stage_by_stage import run_stage_by_stage

Reals = NDArray[np.float64]
KEEP = {
    "loudness_lufs": "keep", "max_true_peak_dbtp": 0.0, "limit_at_most_db": 0.0, "tail_s": 0.3,
    "fade_in_ms": 0.0, "fade_out_ms": 0.0,
}  # fmt: skip
RATES_HZ = (8_000, 44_100, 48_000, 96_000)


@pytest.fixture(scope="module")
def responses(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with impulse responses: of one channel (with a lead, at another rate), and of two."""
    folder = tmp_path_factory.mktemp("responses")
    random = np.random.default_rng(5)
    instant = np.abs(np.arange(400) - 90)[:, np.newaxis]
    for name, channels, rate_hz in (("body", 1, 44_100), ("air", 1, 32_000), ("pair", 2, 48_000)):
        taps = random.uniform(-0.5, 0.5, (400, channels)) * np.exp(-instant / 30.0)
        taps[90] = 0.9
        soundfile.write(folder / f"{name}.wav", taps, rate_hz, subtype="FLOAT")
    soundfile.write(folder / "riap.wav", taps[:, ::-1], 48_000, subtype="FLOAT")
    return folder


def made(tables: dict[str, Any], responses: Path, finish: dict[str, Any] = KEEP) -> Recipe:
    """The recipe of random tables."""

    def with_files(chain: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [
            {**stage, "file": responses / f"{stage['file']}.wav"} if "file" in stage else stage
            for stage in chain
        ]

    whole = {
        **tables,
        "sources": {
            name: {**source, "chain": with_files(source["chain"])}
            for name, source in tables["sources"].items()
        },
        "stereo": {**tables["stereo"], "chain": with_files(tables["stereo"]["chain"])},
        "finish": finish,
    }
    return Recipe.model_validate(whole)


def rendered(take: Reals, recipe: Recipe, rate_hz: int, *, double: bool = False) -> Reals:
    """The mix, at the level that the recipe gave it before a ceiling turned it down."""
    mix = render_array(take, recipe, sample_rate_hz=rate_hz, double_precision=double)
    return np.asarray(mix.audio / 10.0 ** (mix.figures.gain_db / 20.0))


def error_db(error: Reals, parts: list[Reals]) -> float:
    """An error against the sum of powers of what is heard of the sources: they may happen to cancel each other."""
    if not error.any():
        return -np.inf
    power = sum(float(np.square(part).mean()) for part in parts)
    return float(10.0 * np.log10(np.square(error).mean() / power)) if power else np.inf


def alone(take: Reals, channel: int) -> Reals:
    """The take with one source only."""
    return np.where(np.arange(2) == channel, take, 0.0)


def with_silence_before(take: Reals) -> Reals:
    """So that nothing that comes earlier is lost."""
    return np.concatenate([np.zeros((1000, 2)), take])


@settings(max_examples=20)
@given(
    tables=st.one_of(recipes(), recipes(room=True)),
    take=takes(),
    rate_hz=st.sampled_from(RATES_HZ),
    double=st.booleans(),
)
def test_a_mix_is_what_its_stages_make_one_by_one(
    responses: Path, tables: dict[str, Any], take: Reals, rate_hz: int, double: bool
) -> None:
    """Within -120 dB of the signal, with a room -100 dB, in both precisions."""
    recipe, take = made(tables, responses), with_silence_before(take)
    mix = rendered(take, recipe, rate_hz, double=double)

    parts = [
        run_stage_by_stage(recipe, alone(take, channel), sample_rate_hz=rate_hz, frames=len(mix))
        for channel in range(2)
    ]

    assert error_db(mix - sum(parts), parts) <= (-120.0 if recipe.room is None else -100.0)


@settings(max_examples=8)
@given(tables=st.one_of(recipes(), recipes(room=True)), take=takes(), other=takes(), power=st.integers(-4, 4))
def test_what_is_played_adds_up(
    responses: Path, tables: dict[str, Any], take: Reals, other: Reals, power: int
) -> None:
    """The mix of a sum is the sum of the mixes; a take recorded 6 dB louder is the same to the bit, 6 dB louder."""
    recipe = made(tables, responses)
    frames = min(len(take), len(other))
    take, other = take[:frames], other[:frames]

    one, two, both = (
        rendered(audio, recipe, 8_000, double=True) for audio in (take, other, take - 3.0 * other)
    )
    assert error_db(both - (one - 3.0 * two), [one, 3.0 * two]) <= -250.0

    plain, scaled = (
        render_array(audio, recipe, sample_rate_hz=8_000, double_precision=False)
        for audio in (2.0**-20 * take, 2.0 ** (power - 20) * take)
    )
    assert plain.figures.gain_db == scaled.figures.gain_db == 0.0
    assert np.array_equal(scaled.audio, 2.0**power * plain.audio)


@settings(max_examples=8)
@given(
    tables=st.one_of(recipes(), recipes(room=True)),
    take=takes(),
    later=st.integers(1, 20_000),
    double=st.booleans(),
)
def test_a_take_that_begins_later_is_the_same_later(
    responses: Path, tables: dict[str, Any], take: Reals, later: int, double: bool
) -> None:
    """By any number of frames within the precision, by whole steps of the grid to the bit."""
    tables["sources"] = {
        name: {**one, "delay_ms": abs(one["delay_ms"])} for name, one in tables["sources"].items()
    }
    recipe = made(tables, responses, {**KEEP, "tail_s": 0.8})
    ready = make_ready(recipe, sample_rate_hz=8_000, double_precision=double)
    step, lead = ready.convolution.pair_frames, ready.compiled.lead_frames
    take = 2.0**-20 * take  # far from the ceiling
    plain = rendered(take, recipe, 8_000, double=double)
    parts = [rendered(alone(take, channel), recipe, 8_000, double=double) for channel in range(2)]

    moved = rendered(np.concatenate([np.zeros((later, 2)), take]), recipe, 8_000, double=double)
    assert error_db(moved[later:] - plain, parts) <= (-250.0 if double else -120.0)
    assert not moved[: max(0, later - lead - step)].any()

    moved = rendered(np.concatenate([np.zeros((step, 2)), take]), recipe, 8_000, double=double)
    assert np.array_equal(moved[step:], plain)


@settings(max_examples=8)
@given(tables=st.one_of(recipes(), recipes(room=True)), frames=st.integers(1, 40_000), double=st.booleans())
def test_silence_stays_silent(responses: Path, tables: dict[str, Any], frames: int, double: bool) -> None:
    """Not a bit of anything."""
    assert not rendered(np.zeros((frames, 2)), made(tables, responses), 8_000, double=double).any()


@settings(max_examples=14)
@given(
    tables=recipes(),
    take=takes(),
    rate_hz=st.sampled_from(RATES_HZ),
    double=st.booleans(),
    lufs=st.sampled_from([-24.0, -14.0, -9.0]),
)
def test_left_and_right_exchanged_are_exchanged_to_the_bit(
    responses: Path, *, tables: dict[str, Any], take: Reals, rate_hz: int, double: bool, lufs: float
) -> None:
    """Without a room; with level, limiter and fades."""
    finish = {"loudness_lufs": lufs, "limit_at_most_db": 6.0, "tail_s": 0.2}
    one, two = (
        render_array(take, made(each, responses, finish), sample_rate_hz=rate_hz, double_precision=double)
        for each in (tables, mirrored(tables))
    )
    assert np.array_equal(one.audio, two.audio[:, ::-1])
    assert one.figures.gain_db == two.figures.gain_db
    assert one.figures.true_peak_dbtp == two.figures.true_peak_dbtp


@settings(max_examples=10)
@given(tables=st.one_of(recipes(), recipes(room=True)), take=takes(), double=st.booleans())
def test_which_source_is_written_first_does_not_matter(
    responses: Path, tables: dict[str, Any], take: Reals, double: bool
) -> None:
    """To the bit, whatever their channels."""
    other = {**tables, "sources": dict(reversed(tables["sources"].items()))}
    one, two = (rendered(take, made(each, responses), 8_000, double=double) for each in (tables, other))
    assert np.array_equal(one, two)


@settings(max_examples=10)
@given(
    tables=recipes(place=st.just("mid")),
    take=takes(),
    rate_hz=st.sampled_from(RATES_HZ),
    double=st.booleans(),
    pan=st.sampled_from(["mid", 0.0, -0.0]),
)
def test_what_stands_in_the_centre_stays_there(
    responses: Path, *, tables: dict[str, Any], take: Reals, rate_hz: int, double: bool, pan: float | str
) -> None:
    """Left equals right to the bit, whatever is done to the side."""
    tables["stereo"]["chain"] = [one for one in tables["stereo"]["chain"] if one.get("file") != "pair"]
    tables["sources"]["one"]["place"] = pan
    mix = rendered(take, made(tables, responses), rate_hz, double=double)
    assert np.array_equal(mix[:, 0], mix[:, 1])


@settings(max_examples=10)
@given(
    tables=recipes(place=st.just("side"), side=st.one_of(st.just(0.0), floats(-12, 9))),
    take=takes(),
    rate_hz=st.sampled_from(RATES_HZ),
    double=st.booleans(),
)
def test_mono_is_twice_the_source_in_the_middle(
    responses: Path, tables: dict[str, Any], take: Reals, rate_hz: int, double: bool
) -> None:
    """Left + right of a mid and a side source: the mid source's chain alone, twice; the residue at -120 dB.

    Of the mix in single precision, which is rounded on each side; of the mid source itself in double.
    """
    tables["stereo"]["chain"] = []
    tables["sources"]["one"]["place"] = "mid"
    recipe, take = made(tables, responses), with_silence_before(take)
    mix = rendered(take, recipe, rate_hz, double=double)

    expected = run_stage_by_stage(recipe, alone(take, 0), sample_rate_hz=rate_hz, frames=len(mix)).sum(axis=1)
    parts = [expected] if double else [mix[:, 0], mix[:, 1]]
    assert error_db(mix.sum(axis=1) - expected, parts) <= -120.0


def written(
    folder: Path, take: Reals, rate_hz: int, *recipes: Recipe, options: tuple[str, ...] = ()
) -> list[Reals]:
    """What the command line makes of a take with each recipe."""
    (folder / "session").mkdir(parents=True, exist_ok=True)
    soundfile.write(folder / "session" / "take.wav", take, rate_hz, subtype="FLOAT")
    mixes = []
    for number, recipe in enumerate(recipes):
        path = folder / f"recipe_{number}.toml"
        path.write_text(dump_recipe(recipe), encoding="utf-8")
        call = ["render", folder / "session", "-r", path, "-o", folder / "out", "--quiet", "--redo", *options]
        assert main([str(word) for word in call]) == 0
        (mix,) = (folder / "out" / path.stem).glob("*.*")
        mixes.append(read_mix(mix))
        mix.unlink()
    return mixes


@settings(max_examples=8)
@given(
    tables=recipes(),
    take=takes(),
    rate_hz=st.sampled_from(RATES_HZ),
    bit_depth=st.sampled_from([16, 24, "float"]),
    lufs=st.sampled_from([-24.0, -10.0, "keep"]),
)
def test_finished_files_are_exchanged_to_the_bit(
    responses: Path,
    *,
    tables: dict[str, Any],
    take: Reals,
    rate_hz: int,
    bit_depth: int | str,
    lufs: float | str,
) -> None:
    """Left and right of the file too, dither included; a mix that is the same on both is its own mirror."""
    centred = rendered(take, made(tables, responses), rate_hz)
    assume(bit_depth == "float" or not np.array_equal(centred[:, 0], centred[:, 1]))
    finish = {"loudness_lufs": lufs, "limit_at_most_db": 6.0, "tail_s": 0.1, "bit_depth": bit_depth}
    one, two = written(
        responses / "exchanged",
        take,
        rate_hz,
        *(made(each, responses, finish) for each in (tables, mirrored(tables))),
    )
    assert np.array_equal(one, two[:, ::-1])


@pytest.mark.parametrize("bit_depth", [16, 24])
def test_a_mix_of_sides_only_is_exchanged_to_the_bit(responses: Path, bit_depth: int) -> None:
    """Left and right are as loud as each other to the bit there, and yet not the same."""
    take = 0.1 * np.random.default_rng(3).standard_normal((5000, 2))
    source = {"place": "side", "gain_db": 0.0, "polarity": "keep", "delay_ms": 0.0, "chain": []}
    tables = {
        "sources": {"one": {"channel": 1, **source}, "other": {"channel": 2, **source}},
        "stereo": {"side_gain_db": 0.0, "side_high_pass_hz": 0.0, "chain": []},
    }
    finish = {**KEEP, "bit_depth": bit_depth}
    one, two = written(
        responses / "sides",
        take,
        8_000,
        *(made(each, responses, finish) for each in (tables, mirrored(tables))),
    )
    assert np.array_equal(one, two[:, ::-1])
    assert not np.array_equal(one, two)


@settings(max_examples=8)
@given(
    tables=st.one_of(recipes(), recipes(room=True)),
    take=takes(80_000),
    rates_hz=st.sampled_from([(8_000, "keep"), (44_100, "keep"), (44_100, 8_000), (8_000, 48_000)]),
    ends=st.tuples(st.floats(0.0, 0.999), st.floats(0.001, 1.3)),
    precision=st.sampled_from(["single", "double"]),
    jobs=st.sampled_from(["1", "2"]),
)
def test_a_passage_is_that_part_of_the_whole_to_the_bit(
    responses: Path,
    *,
    tables: dict[str, Any],
    take: Reals,
    rates_hz: tuple[int, int | str],
    ends: tuple[float, float],
    precision: str,
    jobs: str,
) -> None:
    """Before the finish; whatever the rates, also where it goes on into the tail."""
    rate_hz, new_rate_hz = rates_hz
    finish = {**KEEP, "sample_rate_hz": new_rate_hz, "bit_depth": "float"}
    duration_s = len(take) / rate_hz
    from_s, to_s = (round(instant * duration_s, 6) for instant in (ends[0], sum(ends)))
    new_frames = len(take) * (rate_hz if new_rate_hz == "keep" else int(new_rate_hz)) // rate_hz
    assume(from_s < to_s and round(from_s * rate_hz) < len(take) and new_frames)
    recipe = made(tables, responses, finish)
    options = ("--precision", precision, "--jobs", jobs)
    part = ("--from", f"{from_s:.6f}", "--to", f"{to_s:.6f}")
    (whole,) = written(responses / "whole", 2.0**-16 * take, rate_hz, recipe, options=options)
    (passage,) = written(responses / "passage", 2.0**-16 * take, rate_hz, recipe, options=(*options, *part))

    rate_hz = rate_hz if new_rate_hz == "keep" else int(new_rate_hz)
    first, stop = (int(np.floor(instant * rate_hz + 0.5)) for instant in (from_s, to_s))
    assert np.array_equal(passage, whole[first : max(stop, first + 1)])
