"""Tests of what a suggested recipe says of guitars of which everything is known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from render.analysis.moves import GAIN_DB
from render.recipe.load import load_recipe, parse_recipe
from render.recipe.models import HighPass, LowShelf, Notch, Peaking, Recipe
from render.workflows.scripting import render_array
from render.workflows.suggest.plan import Plan, SourcePlan, TakeEvidence
from render.workflows.suggest.report import plan_as_dict, told_lines
from tests.helpers.evidence import RATE_HZ, evidence_of, plan_for, told_of, written
from tests.helpers.known_guitar import Known, balance_db, play_known

BOOMY = Known(booms=((106.0, 10.0, 7.0),), shelf=(220.0, 4.0), delay_s=6e-4, gain=0.6)
RECIPES = Path(__file__).parents[4] / "recipes"


@cache
def _take(known: Known, seed: int = 1, duration_s: float = 14.0) -> TakeEvidence:
    return evidence_of(play_known(known, seed=seed, duration_s=duration_s), name=f"take {seed}")


def _source(plan: Plan, name: str) -> SourcePlan:
    return next(source for source in plan.sources if source.name == name)


def _without_room(recipe: Recipe) -> Recipe:
    return recipe.model_copy(update={"room": None})


def test_a_balanced_pair_gets_a_plain_recipe() -> None:
    """High-passes against rumble, a level, and nothing else."""
    plan = plan_for([_take(Known())])

    for source in plan.sources:
        (placed,) = source.chain
        assert isinstance(placed.stage, HighPass)
        assert source.delay_ms == 0.0
        assert source.polarity == "keep"
    assert plan.hum == ((), ())


def test_the_recipe_is_what_was_planned(tmp_path: Path) -> None:
    """Written and read back: the planned stages, levels and delay."""
    takes = [_take(BOOMY)]
    plan = plan_for(takes)
    text, recipe = written(plan, takes, folder=tmp_path)

    for source in plan.sources:
        read = recipe.sources[source.name]
        assert read.chain == tuple(placed.stage for placed in source.chain)
        assert (read.gain_db, read.delay_ms, read.polarity) == (
            source.gain_db,
            source.delay_ms,
            source.polarity,
        )
    assert recipe.room is not None
    assert "# body at 106 Hz" in text


def test_low_band_and_width_of_the_mix_are_as_promised(tmp_path: Path) -> None:
    """Mid and side of a rendered mix: the lows within 3 dB of the pickup's, the side 8 dB under the mid."""
    audio = play_known(BOOMY, seed=1, duration_s=14.0)
    takes = [_take(BOOMY)]
    plan = plan_for(takes)
    _, recipe = written(plan, takes, folder=tmp_path)
    mix = render_array(audio, _without_room(recipe), sample_rate_hz=RATE_HZ)

    assert mix.figures.side_to_mid_db == pytest.approx(-8.0, abs=1.0)
    side = 0.5 * (mix.audio[:, 0] - mix.audio[:, 1])[: len(audio)]
    low_db, thirds_db = balance_db(audio[:, 0], side)
    before_db, _ = balance_db(audio[:, 0], audio[:, 1])
    assert before_db > 3.0
    assert low_db == pytest.approx(0.0, abs=3.0)
    assert np.max(thirds_db) < 3.0
    assert plan.low.low_after_db == pytest.approx(low_db, abs=0.5)


def test_a_width_is_what_was_asked(tmp_path: Path) -> None:
    """--width -4: within 1 dB in the finished mix."""
    audio = play_known(BOOMY, seed=1, duration_s=14.0)
    takes = [_take(BOOMY)]
    _, recipe = written(plan_for(takes, width_db=-4.0), takes, folder=tmp_path)

    figures = render_array(audio, _without_room(recipe), sample_rate_hz=RATE_HZ).figures
    assert figures.side_to_mid_db == pytest.approx(-4.0, abs=1.0)


def test_the_delay_is_met() -> None:
    """The microphone, 0.6 ms later, is moved back by as much."""
    mic = _source(plan_for([_take(BOOMY), _take(BOOMY, 2)]), "mic")

    assert mic.delay_ms == pytest.approx(-0.6, abs=0.1)
    assert "later" in mic.words["delay_ms"]


def test_a_microphone_upside_down_is_turned() -> None:
    """And one that is not is kept."""
    assert _source(plan_for([_take(replace(BOOMY, gain=-0.6))]), "mic").polarity == "flip"
    assert _source(plan_for([_take(BOOMY)]), "mic").polarity == "keep"


def test_takes_that_differ_are_aligned_one_by_one() -> None:
    """Another distance in the second take: "auto"."""
    plan = plan_for([_take(BOOMY), _take(replace(BOOMY, delay_s=9e-4), 2)])

    assert _source(plan, "mic").delay_ms == "auto"


def test_hum_gets_notches_where_it_is() -> None:
    """Only the source that hums, only lines at multiples of the mains."""
    plan = plan_for([_take(replace(BOOMY, hum=(0.0, 6e-3)))])
    notches = [p.stage for p in _source(plan, "mic").chain if isinstance(p.stage, Notch)]

    assert 1 <= len(notches) <= 4
    assert all(abs(notch.centre_hz / 50.0 - round(notch.centre_hz / 50.0)) < 0.01 for notch in notches)
    assert not any(isinstance(p.stage, Notch) for p in _source(plan, "pickup").chain)


def test_hum_in_few_takes_is_told_and_its_notches_stand_ready(tmp_path: Path) -> None:
    """One take of three: no notch in a chain, stages to copy in comments, words on the screen."""
    takes = [_take(BOOMY), _take(replace(BOOMY, hum=(0.0, 6e-3)), 2), _take(BOOMY, 3)]
    plan = plan_for(takes)
    text, recipe = written(plan, takes, folder=tmp_path)

    assert not any(isinstance(stage, Notch) for source in recipe.sources.values() for stage in source.chain)
    ready = [line for line in text.splitlines() if line.startswith('#  { stage = "notch"')]
    assert len(ready) == len(plan.hum[1]) >= 1
    assert "# mic: hum of 50 Hz in 1 of 3 takes (take 2)" in text
    chain = "\n".join(line.removeprefix("#") for line in ready)
    copied = text.replace("[sources.mic]", "[sources.mic]\n# now in it").replace(
        '\n  { stage = "high-pass"', f'\n{chain}\n  {{ stage = "high-pass"'
    )
    notched = parse_recipe(copied, tmp_path / "copy.toml")
    assert sum(isinstance(stage, Notch) for stage in notched.sources["mic"].chain) == len(ready)
    (said,) = (line for line in told_lines(plan, told_of(takes)) if "hum of 50 Hz" in line)
    assert "the recipe has them as comments" in said
    found = plan_as_dict(plan)["hum"]
    assert isinstance(found, dict)
    assert found["pickup"] is None
    assert (found["mic"]["heard"], found["mic"]["in_recipe"]) == (True, False)


def test_without_hum_there_is_no_notch() -> None:
    """Notes near multiples of the mains are no hum."""
    plan = plan_for([_take(BOOMY), _take(BOOMY, 2)])

    assert not any(isinstance(p.stage, Notch) for source in plan.sources for p in source.chain)


def test_a_faint_microphone_is_raised_within_bounds() -> None:
    """40 dB too soft: as far as 12 dB, and it is said."""
    plan = plan_for([_take(replace(BOOMY, gain=0.006, noise_rms=(1e-6, 1e-8)))])

    assert plan.level is not None
    assert plan.level.gain_db == GAIN_DB[1]
    assert plan.level.limited
    assert "recorder" in _source(plan, "mic").words["gain_db"]


@pytest.mark.parametrize(
    "name",
    ["steel_fingerstyle", "nylon_recital", "one_loudspeaker", "plain_blend", "transducer_and_magnetic"],
)
def test_like_changes_only_what_is_needed(name: str, tmp_path: Path) -> None:
    """Names, channels, places, room, finish and every stage that is none of ours are as in the other recipe."""
    like = load_recipe(RECIPES / f"{name}.toml")
    takes = [_take(BOOMY)]
    plan = plan_for(takes, like=like)
    _, recipe = written(plan, takes, folder=tmp_path, like=like)

    assert list(recipe.sources) == list(like.sources)
    assert (recipe.stereo, recipe.room, recipe.finish) == (like.stereo, like.room, like.finish)
    for source, before in like.sources.items():
        now = recipe.sources[source]
        assert (now.channel, now.place) == (before.channel, before.place)
        assert [s for s in before.chain if not _may_change(s)] == [s for s in now.chain if not _may_change(s)]
    if name == "transducer_and_magnetic":  # all-passes: its phases are meant
        assert all(source.delay_ms == 0.0 for source in recipe.sources.values())
    if plan.roles.side is None:
        assert [s.gain_db for s in recipe.sources.values()] == [s.gain_db for s in like.sources.values()]
    assert plan.low.worst_after_db <= 3.0


def _may_change(stage: object) -> bool:
    """Stages that a suggestion may replace."""
    if isinstance(stage, Peaking):
        return stage.gain_db < 0.0 and (stage.centre_hz <= 400.0 or 1000.0 <= stage.centre_hz <= 4500.0)
    return isinstance(stage, HighPass | Notch) or (isinstance(stage, LowShelf) and stage.gain_db < 0.0)


def test_like_a_recipe_that_fits_changes_next_to_nothing(tmp_path: Path) -> None:
    """What was made for this guitar needs nothing: the chains stay, the file says no more than it must."""
    takes = [_take(BOOMY)]
    (tmp_path / "first.toml").write_text(
        written(plan_for(takes), takes, folder=tmp_path)[0], encoding="utf-8"
    )
    like = load_recipe(tmp_path / "first.toml")
    text, recipe = written(plan_for(takes, like=like), takes, folder=tmp_path, like=like)

    assert recipe.model_copy(update={"title": "", "notes": ""}) == like.model_copy(
        update={"title": "", "notes": ""}
    )
    assert 'extends = "first.toml"' in text
    assert "[sources" not in text


def test_like_replaces_what_does_not_fit(tmp_path: Path) -> None:
    """A high-pass above the lowest note comes down; a cut at another body's resonance gives way to this one's."""
    (tmp_path / "other.toml").write_text(
        """
[sources.saddle]
channel = 1
chain = [
  { stage = "high-pass", cutoff_hz = 110, slope_db_per_octave = 24 },
  { stage = "high-shelf", corner_hz = 5000, gain_db = 2.0 },
]
[sources.inside]
channel = 2
place = "side"
chain = [
  { stage = "high-pass", cutoff_hz = 60 },
  { stage = "peaking", centre_hz = 210, gain_db = -6.0, q = 4.0 },
  { stage = "high-shelf", corner_hz = 6000, gain_db = 3.0 },
]
""",
        encoding="utf-8",
    )
    like = load_recipe(tmp_path / "other.toml")
    takes = [_take(BOOMY)]
    _, recipe = written(plan_for(takes, like=like), takes, folder=tmp_path, like=like)
    saddle, inside = recipe.sources["saddle"].chain, recipe.sources["inside"].chain

    assert isinstance(saddle[0], HighPass)
    assert saddle[0].cutoff_hz < 90.0
    assert saddle[1:] == like.sources["saddle"].chain[1:]
    cuts = [stage.centre_hz for stage in inside if isinstance(stage, Peaking)]
    assert any(abs(hz - 106.0) < 3.0 for hz in cuts)
    assert inside[-1] == like.sources["inside"].chain[-1]
