"""Any votes: the order of files is nothing, a file counts once, any text is votes or is refused in words."""

from __future__ import annotations

import contextlib
import json
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from render.analysis.votes import chance_by_guessing, holm_adjusted, measure_hit_rate, measure_mean
from render.workflows.compare.merge import merge_votes, merged_text
from render.workflows.compare.plain_table import cells
from render.workflows.compare.votes_file import VotesFault, printable, read_votes
from tests.helpers.votes import judgement, run, saved, votes

NAMES = ("capture", "warm", "wide")
NUMBERS = st.none() | st.integers(0, 100)
RATINGS = st.fixed_dictionaries(dict.fromkeys(NAMES, NUMBERS))
RANKS = st.fixed_dictionaries(dict.fromkeys(NAMES, st.none() | st.integers(1, 3)))
WORDS = st.text(max_size=12)
JUDGED = st.builds(judgement, RATINGS, note=WORDS) | st.builds(
    lambda ranks, take: judgement(ranks=ranks, take=take), RANKS, st.sampled_from(["verse", "coda"])
)
RUNS = st.builds(
    lambda hits, condition, shift: run(hits, 8, condition=condition, shift=shift),
    st.integers(0, 8),
    st.sampled_from(["stereo", "mono"]),
    st.integers(0, 7),
)
SCORES = st.integers(1, 60).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials)))


@st.composite
def tables(draw: st.DrawFn) -> list[dict[str, Any]]:
    """One to five listeners, some unnamed, some twice; made at different times."""
    listeners = draw(st.lists(st.sampled_from(["Ada", "ada", "Bo", "Cyd", ""]), min_size=1, max_size=5))
    contents = []
    for second, listener in enumerate(listeners):
        judged = draw(st.lists(JUDGED, max_size=3, unique_by=lambda one: (one["take"], one["excerpt"])))
        runs = draw(st.lists(RUNS, max_size=3))
        contents.append(votes(listener, judged, runs, made_at=f"2030-05-04T03:02:{second:02d}Z"))
    return contents


@given(tables(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_order_and_repeats_are_nothing(contents: list[dict[str, Any]], random: Any) -> None:
    """Files in another order give the same; files named again or copied change nothing but a remark."""
    with tempfile.TemporaryDirectory() as folder:
        paths = [saved(Path(folder), f"{place}.json", one) for place, one in enumerate(contents)]
        merged = merge_votes(paths)
        shuffled = random.sample(paths, len(paths))
        assert merge_votes(shuffled) == merged
        assert merged_text(merge_votes(shuffled)) == merged_text(merged)
        copy = saved(Path(folder), "z.json", contents[0])
        again = merge_votes([*shuffled, paths[0], copy])
        assert (again.counts, again.takes, again.listeners) == (merged.counts, merged.takes, merged.listeners)
        assert len(again.remarks) == len(merged.remarks) + 2
        assert merge_votes([copy, *paths, paths[0]]) == again


@given(tables())
@settings(max_examples=40, deadline=None)
def test_figures_are_possible(contents: list[dict[str, Any]]) -> None:
    """Means inside their intervals inside the scale; chances from 0 to 1; corrected never below; a table that fits."""
    with tempfile.TemporaryDirectory() as folder:
        merged = merge_votes(saved(Path(folder), f"{place}.json", one) for place, one in enumerate(contents))
    for counts in (merged.counts, *merged.takes.values()):
        for one in counts.rated:
            assert one.interval is None or 0.0 <= one.interval.low <= one.mean <= one.interval.high <= 100.0
        for pair in counts.pairs_rated:
            assert pair.difference.mean >= 0.0
            if pair.difference.chance_fraction is not None and pair.chance_holm_fraction is not None:
                assert 0.0 <= pair.difference.chance_fraction <= pair.chance_holm_fraction <= 1.0
        for ranked in counts.ranked:
            assert 1.0 <= ranked.mean_rank <= 3.0
            assert 0 <= ranked.first <= ranked.judgements
        for heard in counts.heard:
            assert heard.together.trials == sum(one.trials for one in heard.listeners)
            assert heard.together.hits == sum(one.hits for one in heard.listeners)
    text = merged_text(merged)
    assert max(map(cells, text.split("\n"))) <= 80
    assert all(letter == "\n" or letter.isprintable() for letter in text)
    json.dumps(merged.as_dict(), allow_nan=False)


@given(st.binary(max_size=200) | st.recursive(st.none() | st.integers() | st.text(max_size=5), st.lists).map(
    lambda value: json.dumps(value).encode()
))  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_any_bytes_are_refused_in_words(data: bytes) -> None:
    """What is no file of votes is a fault that says so, never another exception."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "any.json"
        path.write_bytes(data)
        with pytest.raises(VotesFault, match=r"votes|damaged"):
            read_votes(path)


JSON_VALUES = st.sampled_from([None, True, -1, 10**30, 1.5, "", "first", [], [None], {}, {"x": 1}])


@given(JSON_VALUES, st.data())
@settings(max_examples=150, deadline=None)
def test_any_value_anywhere_is_votes_or_refused(value: object, data: st.DataObject) -> None:
    """One value in a good file exchanged for something else: read, or refused in words."""
    content = votes("Ada", [judgement({"capture": 1, "warm": 2})], [run(3, 4)])
    holder: Any = content
    while isinstance(holder, dict | list) and holder:
        keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
        key = data.draw(st.sampled_from(keys))
        if isinstance(holder[key], dict | list) and holder[key] and data.draw(st.booleans()):
            holder = holder[key]
        else:
            holder[key] = value
            break
    with tempfile.TemporaryDirectory() as folder:
        path = saved(Path(folder), "changed.json", content)
        with contextlib.suppress(VotesFault):
            found = read_votes(path)
            assert merge_votes([path]).page == found.page


@given(SCORES)
def test_a_score_and_its_interval(score: tuple[int, int]) -> None:
    """The rate is inside; the other answers' interval is the mirror; more hits are never likelier by guessing."""
    hits, trials = score
    found, mirrored = (
        measure_hit_rate(hits=hits, trials=trials),
        measure_hit_rate(hits=trials - hits, trials=trials),
    )
    assert 0.0 <= found.low <= hits / trials <= found.high <= 1.0
    assert abs(found.low - (1.0 - mirrored.high)) < 1e-9
    assert chance_by_guessing(hits=hits, trials=trials) <= chance_by_guessing(
        hits=max(0, hits - 1), trials=trials
    )


@given(st.lists(st.floats(0.0, 1.0), max_size=8), st.randoms(use_true_random=False))
def test_corrections(chances: list[float], random: Any) -> None:
    """Never below what is corrected, never past 1, in the same order of size, whatever the order of tests."""
    adjusted = holm_adjusted(chances)
    assert all(before <= after <= 1.0 for before, after in zip(chances, adjusted, strict=True))
    order = random.sample(range(len(chances)), len(chances))
    assert holm_adjusted([chances[place] for place in order]) == tuple(adjusted[place] for place in order)


@given(st.lists(st.floats(-100.0, 100.0), min_size=2, max_size=10), st.floats(-50.0, 50.0))
def test_means_move_with_their_values(values: list[float], shift: float) -> None:
    """All values higher by something: mean and interval too."""
    one, other = measure_mean(values), measure_mean([value + shift for value in values])
    assert one.interval is not None
    assert other.interval is not None
    assert abs(other.mean - one.mean - shift) < 1e-9
    assert abs(other.interval.low - one.interval.low - shift) < 1e-6
    assert one.interval.low <= one.mean <= one.interval.high


@given(st.text())
def test_shown_text_is_plain(text: str) -> None:
    """Printable throughout, and not longer than asked for."""
    shown = printable(text)
    assert all(map(str.isprintable, shown))
    assert len(shown) <= 60
